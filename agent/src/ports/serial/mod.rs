//! Serial lines of this machine.
//!
//! [`mod@line`] is the seam to one, and [`port`] a real one behind it. [`inventory`] says what there is. Below: [`device`] finds
//! the device behind a name, [`facts`] what `/sys` knows of it, [`service`] who has it; [`termios`] and [`marks`] are the
//! kernel's settings and marks as pure functions; [`setting`] changes settings and puts them back.

pub mod device;
pub mod facts;
pub mod inventory;
pub mod line;
pub mod marks;
mod open;
pub mod port;
pub mod service;
pub mod settings;
mod sys;
pub mod termios;
