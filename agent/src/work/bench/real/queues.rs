//! The test `queues` on every port of a card whose probes come back.

use turnback_core::bench::{facts::Facts, queues::PortQueues};

use super::{each::on_each, halt::Halt};
use crate::engine::cancel::Cancel;

/// What is seen on the queues of each port, with so many flows for each queue.
pub(super) fn queues(names: &[String], flows: u32, cancel: &Cancel) -> Result<Facts, Halt> {
    let found = on_each(names, cancel, |port, is_ended| port.queues(flows, is_ended))?;
    Ok(Facts::Queues { ports: found.into_iter().map(|(port, found)| PortQueues { port, ..found }).collect() })
}
