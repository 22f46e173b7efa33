//! Labels that the configuration gives to ports.

use serde::{Deserialize, Serialize};
use turnback_core::kind::serial::{format::LineFormat, plug::LinePlug};

/// What people call a port and what belongs to it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PortLabels {
    /// Label on the port.
    pub label: Option<String>,
    /// Label of its cable.
    pub cable: Option<String>,
    /// The cabinet it is in.
    pub cabinet: Option<String>,
    /// It is called spare: tested on schedule while it is free.
    pub spare: bool,
    /// Format of a serial port's line; none: that of whoever uses the line, where known, else the program's own.
    pub line: Option<LineFormat>,
    /// Wiring of a serial port's plug; none: only its data wires are known.
    pub wiring: Option<LinePlug>,
}
