//! The daemon on the web: JSON API, metrics and page, all of them views of the [`Desk`](crate::daemon::desk::Desk).
//!
//! [`serve`] takes connections; [`token`], [`access`] and [`rate`] say who may do what, and how often.

pub mod access;
pub mod api;
pub mod error;
pub mod gate;
pub mod rate;
pub mod serve;
pub mod session;
pub mod token;
