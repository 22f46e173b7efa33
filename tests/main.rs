//! End-to-end tests of the real binary, and the bytes of released formats.

mod probe_bytes;
