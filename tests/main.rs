//! End-to-end tests of the real binary, and the bytes of released formats.

mod probe_bytes;
//! End-to-end tests of the real binary, and of real sockets.

mod harness;
mod packet_socket;
