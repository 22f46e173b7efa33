//! What an exchange is asked for, and what comes of it.

use turnback_core::{
    base::time::Nanos,
    judge::facts::Stopped,
    kind::serial::{format::LineErrors, stream::LineTally},
};

use crate::engine::cancel::Cancel;

/// How much to send. Whichever limit is reached first ends it.
#[derive(Clone, Copy, Debug)]
pub(in crate::engine::serial) struct Amount {
    /// Bytes.
    pub(in crate::engine::serial) bytes: u64,
    /// Moment on the port's clock.
    pub(in crate::engine::serial) until: Nanos,
    /// Of a run that lasts: while nothing comes back it goes on until then, and sends a little every second, so that
    /// what comes back later is met.
    pub(in crate::engine::serial) silent_until: Option<Nanos>,
}

impl Amount {
    /// So many bytes until this moment, or less where they do not come back.
    pub(in crate::engine::serial) fn of(bytes: u64, until: Nanos) -> Self {
        Self { bytes, until, silent_until: None }
    }
}

/// What ends an exchange before it is done.
#[derive(Clone, Debug)]
pub(in crate::engine::serial) struct Ends {
    /// Somebody's wish.
    pub(in crate::engine::serial) cancel: Cancel,
    /// The run's last moment on the port's clock, whatever is still out.
    pub(in crate::engine::serial) by: Nanos,
    /// Whether a program that opens the line meanwhile ends it. Not where the person said that it does not matter.
    pub(in crate::engine::serial) if_held: bool,
}

/// Why sending ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::engine::serial) enum Ended {
    /// All was sent.
    Done,
    /// Something of [`Ends`], or another program changed the line's settings.
    Cut,
    /// Bytes went missing that a lower pace may keep: this computer or its adapter lost them by their own counts, or
    /// not all of it is counted.
    LostAtThisPace,
    /// Nothing that was sent comes back, or nothing is taken, any more.
    Silent,
}

/// The end of an exchange after which nothing that was sent came back.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(in crate::engine::serial) struct Silence {
    /// When the last byte came that could be recognised; none if none did in this exchange.
    pub(in crate::engine::serial) since: Option<Nanos>,
    /// Bytes that came in after it and were not what was sent.
    pub(in crate::engine::serial) noise: u64,
}

/// What an exchange measured.
#[derive(Debug)]
pub(in crate::engine::serial) struct Exchanged {
    /// Counts.
    pub(in crate::engine::serial) tally: LineTally,
    /// Line errors meanwhile, where counted.
    pub(in crate::engine::serial) errors: Option<LineErrors>,
    /// Block numbers used.
    pub(in crate::engine::serial) blocks: u32,
    /// Characters a second that came back while sending.
    pub(in crate::engine::serial) characters_per_second: Option<f64>,
    /// When the last byte came that could be recognised.
    pub(in crate::engine::serial) known_at: Option<Nanos>,
    /// It ended with nothing coming back.
    pub(in crate::engine::serial) silence: Option<Silence>,
    /// What other programs did to the line, if that ended it.
    pub(in crate::engine::serial) stopped: Option<Stopped>,
    /// Reasons why the line is in service, where that ended it.
    pub(in crate::engine::serial) in_service: Vec<String>,
}
