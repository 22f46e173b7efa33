//! What is kept of runs and cases, to be found again.

pub mod cases;
pub mod error;
pub mod location;
pub mod sqlite;
