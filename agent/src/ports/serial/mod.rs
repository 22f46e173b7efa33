//! Serial lines of this machine.
//!
//! [`port`] is the line that the engine drives. [`inventory`] lists the lines. Below: [`device`] finds the device
//! behind a name, [`facts`] what `/sys` knows of it, [`service`] who has it; [`termios`] and [`marks`] are the kernel's
//! settings and marks as pure functions; [`settings`] are what a run may change.

pub mod device;
pub mod facts;
pub mod inventory;
pub mod marks;
pub mod number;
mod open;
pub mod port;
pub mod service;
pub mod settings;
mod sys;
pub mod termios;
