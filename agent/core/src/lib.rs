//! The deciding and counting half of turnback.
//!
//! Nothing in this crate reads a clock, opens a socket or a file, or starts a thread: time, bytes and randomness are
//! arguments. The crate that touches the world is `turnback`.
//!
//! In reading order: [`plan`] (what a run will do), [`pattern`] and [`probe`] (what is sent), [`stream`] (when it may go and
//! what its echo says, on [`ledger`], [`compare`] and [`stats`]), [`counters`] and [`evidence`] (what the host adds),
//! [`verdict`] (what follows), [`report`] (what every outlet shows), [`case`] (from several runs to one answer),
//! [`series`] (what is drawn of both), [`figure`] (how a figure is written), [`event`] (what is said meanwhile), and [`sim`] (a port,
//! cable and plug with known faults).
#![forbid(unsafe_code)]

pub mod cable_test;
pub mod case;
pub mod caution;
pub mod compare;
pub mod counters;
pub mod difference;
pub mod event;
pub mod evidence;
pub mod figure;
pub mod labels;
pub mod ledger;
pub mod line;
pub mod link;
pub mod module;
pub mod pattern;
pub mod plan;
pub mod probe;
pub mod report;
pub mod rng;
pub mod series;
pub mod sim;
pub mod stats;
pub mod stream;
pub mod time;
pub mod verdict;
pub mod watch;
pub mod wiring;
