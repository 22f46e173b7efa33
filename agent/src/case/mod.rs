//! Cases at work: [`conduct`] carries out their stages, [`shelf`] is where they are kept. What follows from the stages is decided
//! in [`turnback_core::case`].

pub mod conduct;
mod recorded;
pub mod shelf;
pub mod work;
