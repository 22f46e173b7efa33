//! Before anything is sent: sets format and raw mode, and listens.

use std::time::Duration;

use turnback_core::{
    event::Event,
    kind::serial::{
        format::{LineSetting, ModemOutputs},
        plug::LinePlug,
    },
};

use super::{SerialRun, measured::SerialMeasured};
use crate::{engine::options::CheckError, ports::Received};

impl SerialRun<'_, '_> {
    pub(super) fn prepare(&mut self, measured: &SerialMeasured) -> Result<(), CheckError> {
        self.take_place()?;
        let asked = self.kind.format;
        self.kind.format = self.kind.line.configure(asked)?.ok_or_else(|| {
            self.not_offered(&format!("be set to {asked}; --profile rate-search shows what it takes"))
        })?;
        let taken = self.kind.format;
        self.tell_changed(format!("raw mode, {taken}"));
        if taken != asked {
            self.warnings.push(format!("{asked} was asked for and {taken} is what the port gives"));
        }
        if measured.plug == LinePlug::Rs485 {
            if self.kind.line.apply(LineSetting::HalfDuplex(true))? {
                self.tell_changed("half duplex, receiver on while sending".into());
            } else {
                self.warnings.push(
                    "this port's driver has no half-duplex setting: taken to hear itself while it sends, as adapters \
                     with automatic direction control do"
                        .into(),
                );
            }
        }
        if self.kind.line.capabilities().modem_lines {
            self.kind.line.drive(RESTING)?;
            self.tell_changed("RTS and DTR on".into());
        }
        Ok(())
    }

    /// Listens without sending. True when something else talks.
    pub(super) fn listen(&mut self, measured: &mut SerialMeasured) -> Result<bool, CheckError> {
        let line = &mut *self.kind.line;
        // Lines that change while a port is opened can look like a character.
        line.pause(OPENING);
        line.discard()?;
        let end = line.now() + self.options.profile.listen.as_nanos() as u64;
        let mut foreign = 0;
        while line.now() < end && !self.cancel.is_cancelled() {
            let until = end.min(line.now() + LOOK_EVERY.as_nanos() as u64);
            line.receive(until, &mut |received| {
                if let Received::Bytes(bytes) = received {
                    foreign += bytes.len() as u64;
                }
            })?;
        }
        measured.foreign = foreign;
        (self.say)(Event::LineListened { foreign_bytes: foreign });
        Ok(foreign > 0)
    }
}

/// Both outputs asserted: what a port does when a program opens it.
pub(super) const RESTING: ModemOutputs = ModemOutputs { rts: true, dtr: true, out1: false, out2: true };
const OPENING: Duration = Duration::from_millis(50);
const LOOK_EVERY: Duration = Duration::from_millis(100);
