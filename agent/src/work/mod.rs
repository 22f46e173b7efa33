//! Kinds of work, each carried out from end to end for terminal, page and agent alike.

pub mod isolate;
