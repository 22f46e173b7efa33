//! What is kept and shown: the report of a run, and the case that joins several runs into one answer.

pub mod case;
pub mod chart;
pub mod difference;
pub mod run;
