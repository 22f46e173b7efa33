//! One check of a port of a card, and what it comes to for the card.

use turnback_core::{base::labels::Labels, bench::facts::DataRun, document::run::Report, event::Event, plan::Profile};

use super::{BenchError, seam::Order};
use crate::{
    engine::{CheckError, CheckOptions, cancel::Cancel, check},
    guard::id::new_id,
    ports::Port,
    work::now,
};

/// Opens the port with this number, and says the seed of its run. Beside the number: how many ports send at once.
pub(super) type Open<'a> = &'a (dyn Fn(u32, u32) -> Result<(Box<dyn Port>, u64), BenchError> + Sync);

/// The profile of this name.
pub(super) fn profile(name: &str) -> Result<Profile, BenchError> {
    Ok(Profile::named(name).map_err(CheckError::from)?)
}

/// One check of a port.
pub(super) fn check_port(
    order: &Order<'_>,
    number: u32,
    set_mbps: Option<u32>,
    profile: Profile,
    (mut port, seed): (Box<dyn Port>, u64),
    say: &mut dyn FnMut(Event),
    cancel: &Cancel,
) -> Result<Report, BenchError> {
    let options = CheckOptions {
        profile,
        placement: None,
        cable: None,
        labels: Labels { plug: order.test.plugs.get(number as usize - 1).cloned().flatten(), ..Labels::default() },
        machine: crate::guard::state::machine(),
        speed_mbps: set_mbps,
        seed,
        run: new_id().to_string(),
        started_at: now(),
        although_in_service: false,
        confirm: false,
        line: Default::default(),
    };
    Ok(check(&mut *port, None, options, say, cancel)?)
}

/// What a run comes to for the card.
pub(super) fn run_of(port: u32, set_mbps: Option<u32>, report: &Report) -> DataRun {
    let reason = report.verdict.reasons.first();
    DataRun {
        port,
        run: report.run.clone(),
        set_mbps,
        all_ports: None,
        is_slower: false,
        is_empty: report.totals.frames().is_none_or(|totals| totals.frames_returned == 0),
        // The bench asks for every plug by name.
        outcome: report.verdict.outcome_if_plugged(),
        location: report.verdict.location.clone(),
        rule: reason.map(|reason| reason.rule.clone()),
        text: reason.map_or(String::new(), |reason| reason.text.clone()),
        proved_below: report.error_ratio.as_ref().map(|ratio| ratio.proved_below),
        limit: report.limit.bit_error_ratio,
    }
}

/// Profile of a run that only has to show whether a port works so.
pub(super) const SHORT: &str = "quick";
