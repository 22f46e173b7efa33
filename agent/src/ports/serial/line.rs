//! The seam to a serial port: bytes out and in, the format they take, and the wires beside them.

use std::time::Duration;

use turnback_core::{
    base::time::Nanos,
    kind::serial::{
        format::{LineCapabilities, LineErrors, LineFormat, LineSetting, ModemInputs, ModemOutputs},
        plug::LinePlug,
    },
};

use crate::ports::{Port, PortError};

/// What came in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Received<'a> {
    /// Bytes without a mark, as they arrived.
    Bytes(&'a [u8]),
    /// A byte that came in with a framing or parity error.
    Marked(u8),
    /// The line was held at break.
    Break,
}

/// A port that carries bytes.
///
/// Every call fails with [`PortError::Gone`] when the port has vanished. A setting is noted before it is first changed, so
/// that [`Port::put_back`] puts it back whatever happens; that is so for format, modem lines and latency too.
pub trait Line: Port {
    /// What it can do and show.
    fn capabilities(&self) -> LineCapabilities;
    /// Sets format and raw mode: every byte value passes as it is, in both directions. Says what was really taken, such as a
    /// speed near the one asked for; `None` if the port cannot do this format. What was on its way is dropped.
    ///
    /// # Errors
    /// When the note cannot be written or the host refuses for another reason than the format.
    fn configure(&mut self, format: LineFormat) -> Result<Option<LineFormat>, PortError>;
    /// Changes another setting. False: the port does not offer it.
    ///
    /// # Errors
    /// As for [`Line::configure`].
    fn apply(&mut self, setting: LineSetting) -> Result<bool, PortError>;
    /// Drives the modem lines; only where [`LineCapabilities::modem_lines`]. `out1` and `out2` are moved while the loop inside
    /// the chip is on and left alone otherwise.
    ///
    /// # Errors
    /// When the host refuses.
    fn drive(&mut self, outputs: ModemOutputs) -> Result<(), PortError>;
    /// Reads the modem lines; `None` where there are none.
    ///
    /// # Errors
    /// When the host cannot be asked.
    fn modem_inputs(&mut self) -> Result<Option<ModemInputs>, PortError>;
    /// Line errors since the driver was loaded; `None` where nobody counts.
    ///
    /// # Errors
    /// When the host cannot be asked.
    fn line_errors(&mut self) -> Result<Option<LineErrors>, PortError>;
    /// Holds the line at break for so long; only where [`LineCapabilities::sends_break`]. Returns when it is over.
    ///
    /// # Errors
    /// When the host refuses.
    fn send_break(&mut self, time: Duration) -> Result<(), PortError>;
    /// Hands bytes over without waiting; says how many were taken, 0 when there is no room now or flow control stops it.
    ///
    /// # Errors
    /// When the host refuses.
    fn send(&mut self, bytes: &[u8]) -> Result<usize, PortError>;
    /// Gives to `each` what has come in, in order; waits for it until `until` on the port's clock if nothing is there.
    ///
    /// # Errors
    /// When the host refuses.
    fn receive(&mut self, until: Nanos, each: &mut dyn FnMut(Received<'_>)) -> Result<(), PortError>;
    /// Bytes handed over that have not left yet, as far as the host can say.
    ///
    /// # Errors
    /// When the host cannot be asked.
    fn unsent(&mut self) -> Result<usize, PortError>;
    /// Drops what waits to be sent and what waits to be received.
    ///
    /// # Errors
    /// When the host refuses.
    fn discard(&mut self) -> Result<(), PortError>;
    /// The plug that is said to be fitted, where the port knows.
    fn plug(&self) -> Option<LinePlug> {
        None
    }
    /// The format of whoever uses this line, where the port knows.
    fn usual_format(&self) -> Option<LineFormat> {
        None
    }
}
