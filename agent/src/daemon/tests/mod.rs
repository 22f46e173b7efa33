//! The daemon in virtual time, on hosts made for a test.

mod received_power;
mod trouble;
mod year;
