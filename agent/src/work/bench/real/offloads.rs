//! The test `offloads` on every port of a card whose probes come back.

use turnback_core::bench::facts::{Facts, OffloadItem};

use super::{each::on_each, halt::Halt};
use crate::engine::cancel::Cancel;

/// What the card computes in place of the host, item by item, all ports together.
pub(super) fn offloads(names: &[String], count: u32, cancel: &Cancel) -> Result<Facts, Halt> {
    let found = on_each(names, cancel, |port, is_ended| port.offloads(count, is_ended))?;
    let mut items: Vec<OffloadItem> = Vec::new();
    for item in found.into_iter().flat_map(|(_, items)| items) {
        match items.iter_mut().find(|known| known.name == item.name) {
            Some(known) => (known.frames, known.wrong) = (known.frames + item.frames, known.wrong + item.wrong),
            None => items.push(item),
        }
    }
    Ok(Facts::Offloads { items })
}
