//! The test `queues` on every port of a card whose probes come back.

use turnback_core::bench::{facts::Facts, queues::PortQueues};

use super::{halt::Halt, load::ready_to_send, ready::frames};
use crate::engine::cancel::Cancel;

/// What is seen on the queues of each port, with so many flows for each queue.
pub(super) fn queues(names: &[String], flows: u32, cancel: &Cancel) -> Result<Facts, Halt> {
    let mut ports = Vec::new();
    for mut port in ready_to_send(names, cancel)? {
        if port.runner.take().is_none() {
            continue;
        }
        let found = frames(&mut *port.port)?.queues(flows, &mut || cancel.is_cancelled())?;
        if cancel.is_cancelled() {
            return Err(Halt::Ended);
        }
        let Some(found) = found else {
            let why = "frames of the Internet protocols do not come back, though probes do";
            return Err(Halt::CutOff(format!("{}: {why}", port.name)));
        };
        ports.push(PortQueues { port: port.number, ..found });
        port.port.restore();
    }
    Ok(Facts::Queues { ports })
}
