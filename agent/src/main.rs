//! The `turnback` program.

fn main() {}
