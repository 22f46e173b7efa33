//! Keeping ports proven over months: what is held of a port ([`standing`]), and what moves slowly towards a fault
//! ([`drift`], on the [`chart`]s). Which ports are meant is said by a [`selector`].
//!
//! Pure: who watches brings records and times.

pub mod chart;
pub mod drift;
pub mod selector;
pub mod standing;
