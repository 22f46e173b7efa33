//! The test `offloads` on every port of a card whose probes come back.

use turnback_core::bench::facts::{Facts, OffloadItem};

use super::{halt::Halt, load::ready_to_send, ready::frames};
use crate::engine::cancel::Cancel;

/// What the card computes in place of the host, item by item, all ports together.
pub(super) fn offloads(names: &[String], count: u32, cancel: &Cancel) -> Result<Facts, Halt> {
    let mut items: Vec<OffloadItem> = Vec::new();
    for mut port in ready_to_send(names, cancel)? {
        if port.runner.take().is_none() {
            continue;
        }
        let found = frames(&mut *port.port)?.offloads(count, &mut || cancel.is_cancelled())?;
        if cancel.is_cancelled() {
            return Err(Halt::Ended);
        }
        let Some(found) = found else {
            let why = "frames of the Internet protocols do not come back, though probes do";
            return Err(Halt::CutOff(format!("{}: {why}", port.name)));
        };
        for item in found {
            match items.iter_mut().find(|known| known.name == item.name) {
                Some(known) => (known.frames, known.wrong) = (known.frames + item.frames, known.wrong + item.wrong),
                None => items.push(item),
            }
        }
        port.port.restore();
    }
    Ok(Facts::Offloads { items })
}
