//! A simulated port, line, plug and host in virtual time.
//!
//! [`Rig`] says what there is and what is wrong with it; [`World`] is a rig at work. A world is pure: its time moves
//! when it is told, its chance comes from one seed, and two worlds that are told the same do the same.

mod builtin;
mod fault;
mod frame;
mod link;
pub mod rig;
mod span;
#[cfg(test)]
mod tests;
mod world;

pub use builtin::{BUILTIN, builtin};
pub use fault::FaultCount;
pub use frame::{Accept, Delivery};
pub use rig::Rig;
pub use span::Span;
pub use world::World;
