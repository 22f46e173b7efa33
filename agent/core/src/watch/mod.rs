//! Keeping ports proven over months: what is held of a port ([`standing`]). Which ports are meant is said by a
//! [`selector`].
//!
//! Pure: who watches brings records and times.

pub mod selector;
pub mod standing;
