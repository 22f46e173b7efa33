//! What people do about ports between the runs: acknowledge, mute, pause.

use turnback_core::watch::care::{Acknowledgement, Mute, Pause};

use super::RunningAgent;
use crate::{
    archive::logbook::{Action, PortMemory},
    daemon::{
        agent::{AcknowledgeOrder, AgentError, Happening, MuteOrder, PauseOrder},
        status::PAUSES,
    },
};

impl RunningAgent {
    /// Acknowledges a port's state, until it changes.
    pub(super) fn acknowledge_port(&self, port: &str, order: AcknowledgeOrder, by: &str) -> Result<(), AgentError> {
        let note = noted(&order.note)?;
        let at_ms = self.shared.now_ms();
        let (did, acknowledged) = match order.withdraw {
            true => ("withdrew an acknowledgement", None),
            false => ("acknowledged", Some(Acknowledgement { by: by.to_owned(), note: note.clone(), at_ms })),
        };
        self.remember(port, |memory| memory.acknowledged = acknowledged)?;
        self.note(by, did, Action { port: Some(port.to_owned()), note, ..Action::default() });
        Ok(())
    }

    /// Mutes a port until a time, or ends that.
    pub(super) fn mute_port(&self, port: &str, order: MuteOrder, by: &str) -> Result<(), AgentError> {
        let (note, at_ms) = (noted(&order.note)?, self.shared.now_ms());
        self.check_until(order.until_ms)?;
        let mute = order.until_ms.map(|until_ms| Mute { until_ms, by: by.to_owned(), note: note.clone(), at_ms });
        let did = if mute.is_some() { "muted" } else { "ended a mute" };
        self.remember(port, |memory| memory.muted = mute)?;
        self.shared.wake.notify_one();
        self.note(by, did, Action { port: Some(port.to_owned()), note, ..Action::default() });
        Ok(())
    }

    /// Pauses scheduled runs and announcements, or ends that.
    pub(super) fn pause_ports(&self, order: PauseOrder, by: &str) -> Result<(), AgentError> {
        let (note, at_ms) = (noted(&order.note)?, self.shared.now_ms());
        self.check_until(order.until_ms)?;
        if let Some(cabinet) = order.cabinet.as_deref().filter(|_| !order.end) {
            self.ports_of(cabinet)?;
        }
        let of = order.cabinet.as_deref().unwrap_or("all ports");
        let did = if order.end { format!("ended the pause of {of}") } else { format!("paused {of}") };
        let pause = Pause {
            cabinet: order.cabinet.clone(),
            until_ms: order.until_ms,
            by: by.to_owned(),
            note: note.clone(),
            at_ms,
        };
        // Under the logbook's lock, so that of two changes at once the later is written last.
        self.logbook(|logbook| {
            let mut pauses = self.shared.status().pauses.clone();
            pauses.retain(|pause| pause.cabinet != order.cabinet);
            if !order.end {
                pauses.push(pause);
            }
            logbook.keep_note(PAUSES, &serde_json::to_string(&pauses).unwrap_or_default())?;
            self.shared.status().pauses = pauses;
            Ok(())
        })?;
        self.shared.tell(Happening::Cared { port: None });
        self.shared.wake.notify_one();
        self.note(by, did, Action { note, ..Action::default() });
        Ok(())
    }

    /// Changes what is remembered of a port, and has it written.
    fn remember(&self, port: &str, change: impl FnOnce(&mut PortMemory)) -> Result<(), AgentError> {
        match self.shared.status().ports.get_mut(port) {
            Some(watched) => change(&mut watched.memory),
            None => return Err(AgentError::Unknown { what: "port", name: port.to_owned() }),
        }
        self.shared.save(port, false);
        Ok(())
    }

    fn check_until(&self, until_ms: Option<i64>) -> Result<(), AgentError> {
        let Some(until_ms) = until_ms else { return Ok(()) };
        let ahead = until_ms.saturating_sub(self.shared.now_ms());
        if (1..=AHEAD_MAX_MS).contains(&ahead) {
            return Ok(());
        }
        let allowed = "a time to come within a year, in ms since 1970-01-01 UTC".into();
        Err(AgentError::Value { name: "until_ms", given: until_ms.to_string(), allowed })
    }
}

/// A note as one line.
fn noted(note: &str) -> Result<String, AgentError> {
    if note.len() > NOTE_BYTES_MAX || note.contains(char::is_control) {
        let allowed = format!("up to {NOTE_BYTES_MAX} bytes, no control character");
        return Err(AgentError::Value { name: "note", given: note.to_owned(), allowed });
    }
    Ok(note.trim().to_owned())
}

const NOTE_BYTES_MAX: usize = 500;
const AHEAD_MAX_MS: i64 = 366 * 86_400_000;
