//! The half of turnback that touches the world: ports, engine, command line.

pub mod guard;
pub mod ports;

#[cfg(test)]
mod testing;
