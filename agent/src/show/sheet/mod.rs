//! Reports of runs and cases as pages of their own: one HTML file without scripts and without anything fetched, for
//! screen and paper. [`layout`] is what both have in common.

pub mod case;
pub mod layout;
pub mod run;
