//! Settings of an interface: what can be changed, and how the interface is found again to restore them.
//! [`crate::ports::changes`] makes the changes.

mod restorer;
mod setting;
#[cfg(test)]
mod tests;

pub use restorer::EthernetRestorer;
pub use setting::{EthernetSetting, target};
