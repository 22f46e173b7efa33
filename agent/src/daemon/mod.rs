//! The daemon (`turnback agent`): keeps spare ports proven for months on a machine that does other work.
//!
//! The [`supervisor`] goes round: it starts what its [`schedule`] says, through the [`site`] (this machine, or the harbour
//! of the demo), takes what the runs find into the [`logbook`], and [`announce`]s changes. Everything known now is on the
//! [`board`]. [`desk`] is what the outside may ask.

pub mod announce;
pub mod board;
pub mod budget;
pub mod cases;
pub mod clerk;
pub mod control;
pub mod demo;
pub mod desk;
pub mod local;
pub mod logbook;
pub mod schedule;
pub mod service;
pub mod site;
pub mod supervisor;
mod sys;

#[cfg(test)]
mod light;
#[cfg(test)]
mod year;
