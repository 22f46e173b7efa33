//! The daemon on the web: JSON API, metrics and page, all of them views of the [`Desk`](crate::daemon::desk::Desk).
//!
//! [`serve`] takes connections; [`token`], [`access`] and [`rate`] say who may do what, and how often.

pub mod access;
pub mod rate;
pub mod serve;
pub mod token;
