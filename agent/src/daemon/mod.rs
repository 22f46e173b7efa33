//! The daemon (`turnback agent`): keeps spare ports proven for months on a machine that does other work.
//!
//! [`desk`] is what the outside may ask of it.

pub mod desk;
pub mod schedule;
