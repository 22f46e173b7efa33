//! What tests need to build a world of their own.

pub mod netns;
pub mod program;
pub mod pty;
