//! The test `data`: a run on each port, as `turnback check` does it.

use turnback_core::{
    base::labels::Labels,
    bench::facts::{DataRun, Facts},
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
    for number in 1..=test.card.ports.len() as u32 {
        let (mut port, seed) = open(number)?;
        let options = CheckOptions {
            profile: Profile::named(&test.procedure.data.clone().unwrap_or_default().profile)
                .map_err(CheckError::from)?,
            placement: None,
            cable: None,
            labels: Labels { plug: test.plugs.get(number as usize - 1).cloned().flatten(), ..Labels::default() },
            machine: crate::guard::state::machine(),
            speed_mbps: None,
            seed,
            run: new_id().to_string(),
            started_at: now(),
            although_in_service: false,
            confirm: false,
            line: Default::default(),
        };
        let report = check(&mut *port, None, options, &mut |_| {}, cancel)?;
        if cancel.is_cancelled() {
            return Ok(Came::Ended);
        }
        took_s += report.duration_s.unwrap_or(0.0);
        let reason = report.verdict.reasons.first();
        runs.push(DataRun {
            port: number,
            run: report.run.clone(),
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
