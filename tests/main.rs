//! End-to-end tests of the real binary.

mod plug;
