//! The heartbeat.

use std::collections::BTreeMap;

use turnback_core::fleet::{
    FORMAT,
    heartbeat::{Backlog, Heartbeat},
};

use crate::{
    daemon::{
        agent::{PortView, Watch},
        status::Shared,
    },
    guard::state,
};

/// How the agent fares now.
pub(super) fn heartbeat(shared: &Shared, views: &[PortView], number: i64, accepts_requests: bool) -> Heartbeat {
    let mut states: BTreeMap<String, u32> = BTreeMap::new();
    for view in views.iter().filter(|view| view.watch == Watch::Watched) {
        *states.entry(view.standing.state.name().to_owned()).or_default() += 1;
    }
    let at_ms = shared.now_ms();
    let status = shared.status();
    let fleet = status.figures.fleet.clone().unwrap_or_default();
    Heartbeat {
        format: FORMAT,
        number,
        at_ms,
        program: concat!("turnback ", env!("CARGO_PKG_VERSION")).to_owned(),
        host: state::machine(),
        started_ms: status.started_ms,
        states,
        ports: views.iter().filter(|view| view.watch != Watch::Remembered).count() as u32,
        needs_attention: views.iter().filter(|view| view.needs_attention).count() as u32,
        backlog: Backlog {
            waiting: fleet.waiting,
            oldest_ms: fleet.oldest_ms,
            given_up: fleet.given_up + fleet.set_aside,
        },
        troubles: status.troubles.iter().map(|(matter, text)| format!("{matter}: {text}")).collect(),
        accepts_requests,
    }
}
