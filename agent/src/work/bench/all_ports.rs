//! All ports of a card at once, in the test `data`.

use turnback_core::{
    bench::{
        all_ports::{excuse_reference, hold_against_reference},
        facts::{AllPorts, DataRun},
        procedure::TestName,
    },
    document::run::{Detail, Report},
    judge::Outcome,
    plan::{Profile, Rate},
};

use super::{
    BenchError,
    at_once::at_once,
    checks::{Open, SHORT, check_port, profile, run_of},
    seam::Order,
};
use crate::engine::cancel::Cancel;

/// What all ports at once came to.
#[derive(Default)]
pub(super) struct AllOn {
    pub(super) runs: Vec<DataRun>,
    /// Of all runs that were made for it.
    pub(super) reports: Vec<Report>,
    pub(super) took_s: f64,
}

/// Checks the ports that passed alone at once, and holds that against the reference card.
pub(super) fn all_ports(
    order: &Order<'_>,
    alone: &[DataRun],
    open: Open<'_>,
    cancel: &Cancel,
) -> Result<AllOn, BenchError> {
    let (ports, limits) = (passing_alone(alone), order.test.procedure.data.clone().unwrap_or_default());
    if ports.is_empty() {
        return Ok(AllOn::default());
    }
    let mut all = AllOn::default();
    let mut round = |profile: &Profile| -> Result<Vec<Report>, BenchError> {
        let found = at_once(&ports, |number, count, begin| {
            check_port(order, number, None, profile.clone(), open(number, count)?, begin, cancel)
        })?;
        all.took_s += found.iter().filter_map(|report| report.duration_s).fold(0.0, f64::max);
        all.reports.extend(found.iter().cloned());
        Ok(found)
    };
    let found = round(&profile(&limits.profile)?)?;
    let mut runs: Vec<DataRun> = ports.iter().zip(&found).map(|(port, report)| run_of(*port, None, report)).collect();
    let may_be_ours = |run: &DataRun, report: &Report| run.fails_on_line() && only_loses(report);
    if !cancel.is_cancelled() && runs.iter().zip(&found).any(|(run, report)| may_be_ours(run, report)) {
        let slow = round(&slower(&found)?)?;
        for (run, (before, after)) in runs.iter_mut().zip(found.iter().zip(&slow)) {
            let again = run_of(run.port, None, after);
            if may_be_ours(run, before) && again.outcome != Outcome::Fault && shows(before, after) {
                *run = DataRun { is_slower: true, ..again };
            }
        }
    }
    for run in &mut runs {
        run.all_ports = Some(AllPorts::Unproved);
    }
    if order.test.is_reference && order.reference.is_none() {
        excuse_reference(&mut runs);
    } else {
        let known = order.reference.and_then(|reference| {
            let facts = reference.last(TestName::Data)?.facts.as_ref()?;
            Some((&reference.card, facts))
        });
        hold_against_reference(&mut runs, &order.test.card, known);
    }
    all.runs = runs;
    Ok(all)
}

/// The ports that pass alone at their own speed: what another port fails with all ports on is no news. None where that
/// is one port, which has sent alone already.
fn passing_alone(runs: &[DataRun]) -> Vec<u32> {
    let passes = |run: &&DataRun| run.set_mbps.is_none() && run.outcome == Outcome::Pass;
    let ports: Vec<u32> = runs.iter().filter(passes).map(|run| run.port).collect();
    if ports.len() > 1 { ports } else { Vec::new() }
}

/// Frames sent, and of those not seen to be lost in this computer.
fn sent_and_lost(report: &Report) -> (u64, u64) {
    let lost = report.steps.iter().map(|s| s.frames_lost.saturating_sub(s.frames_lost_in_host + s.frames_never_left));
    (report.steps.iter().map(|step| step.frames_sent).sum(), lost.sum())
}

/// Frames were lost, and nothing else was wrong. A computer that cannot keep up loses frames where nobody counts them;
/// it inverts no bits, and leaves the link as it is.
fn only_loses(report: &Report) -> bool {
    let flaps = match &report.detail {
        Detail::Ethernet(detail) => detail.link_flaps,
        Detail::Serial(_) => 0,
    };
    flaps == 0 && sent_and_lost(report).1 > 0 && report.steps.iter().all(|step| step.frames_damaged == 0)
}

/// At half the rate at which frames came back this computer keeps up, and what is lost still is lost on the line.
fn slower(found: &[Report]) -> Result<Profile, BenchError> {
    let steps = found.iter().flat_map(|report| &report.steps).filter(|step| step.seconds > 0.0);
    let came_back = steps.map(|step| step.frames_returned as f64 / step.seconds).fold(f64::MAX, f64::min);
    let quick = profile(SHORT)?;
    Ok(Profile { rate: Rate::PerSecond((came_back * SLOWER).clamp(1.0, 1e9)), time: quick.time * LONGER, ..quick })
}

/// The slower run sent enough to show a loss of the line: seldom ones are not excused.
fn shows(before: &Report, after: &Report) -> bool {
    let ((sent, lost), (sent_after, _)) = (sent_and_lost(before), sent_and_lost(after));
    would_show(lost, sent, sent_after)
}

/// Whether a line that lost so many of those sent would be seen to lose some of these.
pub(super) fn would_show(lost: u64, sent: u64, sent_slower: u64) -> bool {
    sent_slower as f64 * lost as f64 >= SHOWS * sent.max(1) as f64
}

/// So many losses are expected of a line that loses as before: none of them is then a chance of one in 150 (Poisson).
const SHOWS: f64 = 5.0;
/// Share of the rate at which losses are looked for again, and how much longer. Our own choice.
const SLOWER: f64 = 0.5;
const LONGER: u32 = 4;

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicUsize, Ordering};

    use turnback_core::{
        bench::procedure::DataLimits,
        kind::{
            ethernet::sim::{
                Rig,
                rig::{FaultKind, FaultSpec},
            },
            rig::AnyRig,
        },
        sim::value::{FaultPlace, Ratio},
    };

    use super::*;
    use crate::{ports::simulated, work::bench::testing::card_test};

    /// Outcome of port 1 with both ports on, and whether that is from the slower run. `met` says what its line meets in
    /// the first round, and in the second.
    fn port_1(met: [Option<FaultKind>; 2]) -> (Outcome, bool, usize) {
        let mut test = card_test("quay-01");
        test.procedure.data = Some(DataLimits { all_ports: true, ..DataLimits::default() });
        let order =
            Order { test: &test, name: TestName::Data, attempt: 1, reference: None, sticker: None, lights: &[] };
        let alone = |port| {
            let report = check_port(
                &order,
                port,
                None,
                profile(SHORT).unwrap(),
                (simulated::of(&AnyRig::Frames(Box::default()), "sim:alone".into(), 1), 1),
                &mut |_| {},
                &Cancel::default(),
            );
            run_of(port, None, &report.unwrap())
        };
        let rounds = [AtomicUsize::new(0), AtomicUsize::new(0)];
        let open: Open<'_> = &|number, count| {
            assert_eq!(count, 2);
            let round = rounds[number as usize - 1].fetch_add(1, Ordering::SeqCst);
            let mut rig = Rig::default();
            let met = met[round].clone().filter(|_| number == 1);
            rig.faults.extend(met.map(|kind| FaultSpec::always(FaultPlace::PortLine, kind)));
            Ok((simulated::of(&AnyRig::Frames(Box::new(rig)), format!("sim:{number}"), 1), 1))
        };
        let all = all_ports(&order, &[alone(1), alone(2)], open, &Cancel::default()).unwrap();
        assert_eq!((all.runs.len(), all.runs[1].outcome, all.runs[1].is_slower), (2, Outcome::Pass, false));
        (all.runs[0].outcome, all.runs[0].is_slower, all.reports.len())
    }

    #[test]
    fn frames_lost_at_the_full_rate_alone_are_put_on_this_computer() {
        let drop = |ratio| Some(FaultKind::Drop { ratio: Ratio(ratio) });
        let (pass, fault) = (Outcome::Pass, Outcome::Fault);
        assert_eq!(port_1([None, None]), (pass, false, 2), "nothing is repeated");
        assert_eq!(port_1([drop(0.01), None]), (pass, true, 4));
        assert_eq!(port_1([drop(0.01), drop(0.01)]), (fault, false, 4), "the line loses at any rate");
        // No computer inverts bits because it is slow.
        let bits = Some(FaultKind::BitErrors { ratio: Ratio(1e-5) });
        assert_eq!(port_1([bits, None]), (fault, false, 2));
    }

    #[test]
    fn a_loss_is_excused_only_by_a_run_that_would_have_shown_it() {
        // 100 of 1000 lost: of 50 about 5 would be, of 49 fewer.
        assert_eq!([would_show(100, 1000, 50), would_show(100, 1000, 49)], [true, false]);
        assert!(!would_show(0, 0, 50));
    }

    #[test]
    fn only_ports_that_pass_alone_at_their_own_speed_go_on_and_one_says_nothing_new() {
        let run = |port, set_mbps, outcome| DataRun {
            port,
            run: String::new(),
            set_mbps,
            all_ports: None,
            is_slower: false,
            is_empty: false,
            outcome,
            location: Vec::new(),
            rule: None,
            text: String::new(),
            proved_below: None,
            limit: 1e-7,
        };
        let (pass, open) = (Outcome::Pass, Outcome::Undecided);
        let mut runs = vec![run(1, None, pass), run(1, Some(100), Outcome::Fault), run(2, None, open)];
        runs.push(run(2, Some(100), pass));
        assert_eq!(passing_alone(&runs), [0; 0]);
        runs.push(run(3, None, pass));
        assert_eq!(passing_alone(&runs), [1, 3]);
        assert_eq!(passing_alone(&[]), [0; 0]);
    }
}
