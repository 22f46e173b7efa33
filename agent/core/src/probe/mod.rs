//! Byte formats of what is sent. Each format has a thin view over bytes and a plain `Repr` that can be built, written
//! and read back.

pub mod ethernet;
pub mod serial;
