//! What a check of a serial port is asked to do, beside what every check is.

use std::time::Duration;

use turnback_core::kind::serial::{format::LineFormat, plug::LinePlug};

/// What a check of a serial port is to do, beside its profile.
#[derive(Clone, Copy, Debug, Default)]
pub struct LineOptions {
    /// Speed and format; none: that of whoever uses the line, where known, else 115200,8N1.
    pub format: Option<LineFormat>,
    /// The plug that is fitted; none: the one the port knows of, else one of which only the data wires are known.
    pub plug: Option<LinePlug>,
    /// How long to send in all; none: as long as the limit needs.
    pub time: Option<Duration>,
}
