//! Settings of a serial line: what can be changed, and how the line is found again to restore them.
//! [`crate::ports::changes`] makes the changes.

mod restorer;
mod setting;
#[cfg(test)]
mod tests;

pub use restorer::SerialRestorer;
pub use setting::SerialSetting;
pub(super) use setting::{is_gone, is_unsupported, outputs, target};
