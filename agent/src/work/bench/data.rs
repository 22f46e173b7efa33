//! The test `data`: a run on each port at each speed, as `turnback check` does it.

use turnback_core::{
    base::labels::Labels,
    bench::{
        facts::{DataRun, Facts},
        procedure::TestName,
    },
    document::card_test::CardTest,
    plan::Profile,
};

use super::{
    BenchError,
    seam::{Came, Measured, Order},
};
use crate::{
    engine::{CheckError, CheckOptions, cancel::Cancel, check},
    guard::id::new_id,
    ports::Port,
    work::now,
};

/// Checks every port of the card. `open` opens the port with this number, and says the seed of its run.
pub(super) fn data(
    order: &Order<'_>,
    cancel: &Cancel,
    open: &mut dyn FnMut(u32) -> Result<(Box<dyn Port>, u64), BenchError>,
) -> Result<Came, BenchError> {
    let test = order.test;
    let (mut runs, mut reports) = (Vec::new(), Vec::new());
    let mut took_s = 0.0;
    let limits = test.procedure.data.clone().unwrap_or_default();
    let speeds =
        (1..=test.card.ports.len() as u32).flat_map(|number| speeds(order, number).map(move |set| (number, set)));
    for (number, set_mbps) in speeds {
        let (mut port, seed) = open(number)?;
        // It proves its limit at 10 Mb/s in seconds too.
        let profile = if set_mbps.is_some() { SLOWER_PROFILE } else { &limits.profile };
        let options = CheckOptions {
            profile: Profile::named(profile).map_err(CheckError::from)?,
            placement: None,
            cable: None,
            labels: Labels { plug: test.plugs.get(number as usize - 1).cloned().flatten(), ..Labels::default() },
            machine: crate::guard::state::machine(),
            speed_mbps: set_mbps,
            seed,
            run: new_id().to_string(),
            started_at: now(),
            although_in_service: false,
            confirm: false,
            line: Default::default(),
        };
        let report = match check(&mut *port, None, options, &mut |_| {}, cancel) {
            // Meanwhile it cannot be set to it any more: nothing is said of that speed.
            Err(CheckError::NotOffered { .. }) if set_mbps.is_some() => continue,
            done => done?,
        };
        if cancel.is_cancelled() {
            return Ok(Came::Ended);
        }
        took_s += report.duration_s.unwrap_or(0.0);
        let reason = report.verdict.reasons.first();
        runs.push(DataRun {
            port: number,
            run: report.run.clone(),
            set_mbps,
            // The bench asks for every plug by name.
            outcome: report.verdict.outcome_if_plugged(),
            location: report.verdict.location.clone(),
            rule: reason.map(|reason| reason.rule.clone()),
            text: reason.map_or(String::new(), |reason| reason.text.clone()),
            proved_below: report.error_ratio.as_ref().map(|ratio| ratio.proved_below),
            limit: report.limit.bit_error_ratio,
        });
        reports.push(report);
    }
    Ok(Came::Measured(Box::new(Measured { facts: Facts::Data { runs }, took_s, bus_errors: None, runs: reports })))
}

/// The speeds that a port is tested at: its own, and the slower ones at which it links with its plug. A plug that is
/// tried in the reference card is tried at those of that card.
fn speeds(order: &Order<'_>, number: u32) -> impl Iterator<Item = Option<u32>> {
    let of = |test: &CardTest| match &test.last(TestName::Links)?.facts {
        Some(Facts::Links { ports }) => ports.iter().find(|port| port.port == number).map(|p| p.slower_mbps().to_vec()),
        _ => None,
    };
    let reference = order.reference.filter(|_| order.test.is_reference);
    let slower = of(order.test).or_else(|| reference.and_then(of)).unwrap_or_default();
    let slower = if order.test.procedure.tests_each_speed() { slower } else { Vec::new() };
    std::iter::once(None).chain(slower.into_iter().map(Some))
}

const SLOWER_PROFILE: &str = "quick";
