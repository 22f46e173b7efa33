//! The only files that shape what is printed. None of them computes a figure: all come from a report or an event.

pub mod bench;
pub mod case;
pub mod csv;
pub mod file;
pub mod label;
pub mod lines;
pub mod plot;
pub mod progress;
pub mod records;
pub mod sheet;
pub mod table;
pub mod tables;
pub mod text;

pub use turnback_core::base::figure;
