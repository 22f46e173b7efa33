//! The daemon on the web: JSON API, metrics and page, all of them views of the [`Desk`](crate::daemon::desk::Desk).
//!
//! [`token`] and [`access`] say who may do what.

pub mod access;
pub mod token;
