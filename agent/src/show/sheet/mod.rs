//! Reports of runs, cases, cards and lots as pages of their own: one HTML file without scripts and without anything
//! fetched, for screen and paper. [`layout`] is what they have in common.

pub mod bench;
pub mod case;
pub mod layout;
pub mod run;
