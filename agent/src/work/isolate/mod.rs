//! Cases at work: [`conduct`] carries out their stages, [`shelf`] is where they are kept. What follows from the stages is decided
//! in [`turnback_core::document::case`].

mod recorded;
pub mod runner;
pub mod stage;
