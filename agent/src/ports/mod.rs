//! The ports this machine has: what can be tested, and how frames or bytes get out of it and back.

pub mod ethernet;
