//! What any stream of test data needs: [`pattern`] fills it, [`compare`] says what is wrong with what came back, and
//! [`ledger`] says which probes are still out.

pub mod compare;
pub mod ledger;
pub mod pattern;
