//! Watching ports over months.
//!
//! [`standing`] keeps the state of each port. [`drift`] finds figures that move slowly towards a fault, by the tests in
//! [`cusum`]. A [`selector`] says which ports are meant. The caller brings records and times.

pub mod cusum;
pub mod drift;
pub mod selector;
pub mod standing;
