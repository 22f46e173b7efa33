//! What any stream of test data needs: [`pattern`] fills it, [`compare`] says what is wrong with what came back,
//! [`ledger`] says which probes are still out, [`seconds`] keeps the counts of each second,
//! and [`when`] says when it failed.

pub mod compare;
pub mod ledger;
pub mod outstanding;
pub mod pattern;
pub mod seconds;
pub mod when;
