//! The test `data`: a run on each port at each speed, as `turnback check` does it, then one on all ports at once.

use turnback_core::{
    bench::{
        facts::{Facts, LeftOut},
        procedure::TestName,
    },
    document::{
        card_test::CardTest,
        run::{Detail, Report},
    },
    judge::Outcome,
};

use super::{
    BenchError,
    all_ports::all_ports,
    checks::{Open, SHORT, check_port, profile, run_of},
    seam::{Came, Measured, Order},
};
use crate::engine::{CheckError, cancel::Cancel};

/// Checks every port of the card by itself, then all of them at once where the procedure says so.
pub(super) fn data(order: &Order<'_>, cancel: &Cancel, open: Open<'_>) -> Result<Came, BenchError> {
    let test = order.test;
    let (mut runs, mut left_out, mut reports) = (Vec::new(), Vec::new(), Vec::new());
    let (limits, mut took_s) = (test.procedure.data.clone().unwrap_or_default(), 0.0);
    let speeds =
        (1..=test.card.ports.len() as u32).flat_map(|number| speeds(order, number).map(move |set| (number, set)));
    for (number, set_mbps) in speeds {
        // It proves its limit at 10 Mb/s in seconds too.
        let profile = profile(if set_mbps.is_some() { SHORT } else { &limits.profile })?;
        let checked = match check_port(order, number, set_mbps, profile, open(number, 1)?, &mut |_| {}, cancel) {
            Err(BenchError::Check(CheckError::NotOffered { .. })) if set_mbps.is_some() => None,
            done => Some(done?),
        };
        if cancel.is_cancelled() {
            return Ok(Came::Ended);
        }
        took_s += checked.as_ref().and_then(|report| report.duration_s).unwrap_or(0.0);
        let why = set_mbps.and_then(|set_mbps| Some((set_mbps, cannot_do(checked.as_ref(), set_mbps)?)));
        if let Some((set_mbps, why)) = why {
            left_out.push(LeftOut { port: number, set_mbps, why: why.to_owned() });
        }
        let Some(report) = checked.filter(|_| why.is_none()) else { continue };
        runs.push(run_of(number, set_mbps, &report));
        reports.push(report);
    }
    if limits.all_ports {
        let all = all_ports(order, &runs, open, cancel)?;
        if cancel.is_cancelled() {
            return Ok(Came::Ended);
        }
        took_s += all.took_s;
        runs.extend(all.runs);
        reports.extend(all.reports);
    }
    Ok(Came::Measured(Box::new(Measured {
        facts: Facts::Data { runs, left_out },
        took_s,
        bus_errors: None,
        runs: reports,
    })))
}

/// Why a run says nothing of the slower speed that it was set to: another plug than the one that the speed was found
/// with may not be able to do it, and a driver may keep another speed than it was told.
fn cannot_do(report: Option<&Report>, set_mbps: u32) -> Option<&'static str> {
    let Some(report) = report else { return Some("its driver does not set it") };
    let Detail::Ethernet(detail) = &report.detail else { return None };
    match (detail.link.up, detail.link.speed_mbps) {
        // What was not tested for another reason is a test that is missing.
        _ if report.verdict.outcome == Outcome::NotTested => None,
        (true, Some(mbps)) if mbps == set_mbps => None,
        (true, _) => Some("its link has another speed"),
        (false, _) => Some("no link at this speed with its plug"),
    }
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

#[cfg(test)]
mod tests {
    use turnback_core::{
        bench::{
            attempt::Attempt,
            facts::{LinkFacts, Slower},
            procedure::DataLimits,
        },
        kind::{ethernet::sim::Rig, rig::AnyRig},
    };

    use super::*;
    use crate::{ports::simulated, work::bench::testing::card_test};

    #[test]
    fn a_slower_speed_that_gets_no_link_any_more_or_is_not_set_is_left_out_and_fails_nothing() {
        let mut test = card_test("quay-01");
        test.procedure.data = Some(DataLimits { each_speed: true, ..DataLimits::default() });
        let links_at = |port| LinkFacts { port, slower: Some(Slower::LinksAt(vec![100, 10])), ..LinkFacts::default() };
        let mut links = Attempt::begun(TestName::Links, String::new(), Vec::new(), 1);
        links.facts = Some(Facts::Links { ports: vec![links_at(1), links_at(2)] });
        test.attempts = vec![links];
        let order =
            Order { test: &test, name: TestName::Data, attempt: 1, reference: None, sticker: None, lights: &[] };
        // With the plug that is fitted now, port 1 links to itself at its own speed and at 10 Mb/s; port 2 at its own,
        // and that is the slowest that its driver sets.
        let mut rig = Rig::default();
        rig.port.links_to_itself_at_mbps = vec![1000, 10];
        let mut only = rig.clone();
        only.port.speed_max_mbps = 10;
        only.port.links_to_itself_at_mbps = vec![10];
        let came = data(&order, &Cancel::default(), &|number, _| {
            let rig = AnyRig::Frames(Box::new(if number == 1 { rig.clone() } else { only.clone() }));
            Ok((simulated::of(&rig, format!("sim:{number}"), 1), 1))
        });
        let Came::Measured(measured) = came.unwrap() else { panic!("it was not measured") };
        let Facts::Data { runs, left_out } = measured.facts else { panic!("{:?}", measured.facts) };
        let told: Vec<_> = runs.iter().map(|run| (run.port, run.set_mbps, run.outcome)).collect();
        let pass = Outcome::Pass;
        assert_eq!(told, [(1, None, pass), (1, Some(10), pass), (2, None, pass), (2, Some(10), pass)]);
        assert_eq!(measured.runs.len(), runs.len());
        let told: Vec<_> = left_out.iter().map(|out| (out.port, out.set_mbps, out.why.as_str())).collect();
        assert_eq!(told, [(1, 100, "no link at this speed with its plug"), (2, 100, "its driver does not set it")]);
    }
}
