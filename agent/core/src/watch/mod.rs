//! Watching ports over months.
//!
//! An [`observation`] is what one run says; [`standing`] keeps the state of each port, and [`care`] what people do
//! about it. [`drift`] finds figures that move slowly towards a fault, by the tests in [`cusum`]. A [`selector`] says
//! which ports are meant. The caller brings records and times.

pub mod care;
pub mod cusum;
pub mod drift;
pub mod observation;
pub mod selector;
pub mod standing;
