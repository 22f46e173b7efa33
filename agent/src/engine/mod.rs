//! Drives a run: [`check`] is the way of a whole check, [`runner`] the seam to whatever carries out one step,
//! [`threads`] carries it out on a real port, [`lockstep`] on a simulated one.

pub mod cancel;
pub mod check;
pub mod gather;
pub mod lockstep;
pub mod runner;
pub mod threads;
