//! Differences that are beyond chance, and those that are not.

use super::*;
use crate::base::rng::Rng;
use crate::document::run::{Detail, EthernetDetail, FrameTotals, StepReport, Totals};
use crate::judge::ratio::ErrorRatio;
use crate::judge::ratio::Limit;
use crate::judge::{Location, Outcome, Verdict};
use crate::kind::port::PortIdentity;
use crate::stats::looks::Looks;
use crate::{base::placement::Placement, kind::ethernet::link::LinkState};

/// A run in which `hits` probes of `bits` bits in all had one wrong bit each.
fn run(hits: u64, bits: u64) -> Report {
    let link = LinkState { up: true, speed_mbps: Some(1000), ..LinkState::default() };
    let mut report = Report {
        format: crate::document::run::FORMAT,
        program: "turnback".into(),
        run: format!("run-{hits}-{bits}"),
        started_at: "2026-03-01T08:00:00+00:00".into(),
        machine: "cabinet3".into(),
        port: PortIdentity::named("quay7", crate::kind::Kind::Ethernet),
        return_port: None,
        placement: Placement::AtPort,
        cable: None,
        labels: Default::default(),
        profile: "quick".into(),
        seed: 1,
        verdict: Verdict { outcome: Outcome::Pass, ..Verdict::unjudged() },
        totals: Totals::Frames(FrameTotals::default()),
        lines: Default::default(),
        line_errors: None,
        error_ratio: None,
        latency_ns: Latency::default(),
        damage: Default::default(),
        steps: Vec::new(),
        seconds_summary: Default::default(),
        seconds: Vec::new(),
        seconds_each: 1,
        tried: Default::default(),
        first_probes: Default::default(),
        limit: Limit { bit_error_ratio: 1e-7, confidence: 0.95, looks: Looks::Once },
        duration_s: None,
        plan_done: None,
        stopped: None,
        references: Vec::new(),
        settings_changed: Vec::new(),
        cannot_show: Vec::new(),
        warnings: Vec::new(),
        cautions: Vec::new(),
        detail: Detail::Ethernet(Box::new(EthernetDetail { link, ..EthernetDetail::default() })),
    };
    report.error_ratio = Some(ratio(Basis::Bits, hits, bits));
    report.damage.errored_probes = hits;
    report.damage.bit_errors = hits;
    report.damage.bits_compared = bits;
    report
}

fn ratio(basis: Basis, errors: u64, trials: u64) -> ErrorRatio {
    ErrorRatio {
        basis,
        trials,
        errors,
        estimate: errors as f64 / trials as f64,
        lower: 0.0,
        upper: 1.0,
        proved_below: 1.0,
        proved_above: 0.0,
        confidence: 0.95,
        limit: 1e-7,
    }
}

fn figure<'a>(d: &'a Difference, name: &str) -> &'a Change {
    d.figures.iter().find(|f| f.name == name).unwrap_or_else(|| panic!("no {name} in {d:?}"))
}

/// All of n errors on one side of two equal exposures: 2 (1/2)^n, coin tosses. Three tests share the doubt of 5 %, so
/// 1/60 is asked: 6 errors (1/32) are within chance, 7 (1/64 = 0.0156) are not.
#[test]
fn errors_on_one_side_only_are_beyond_chance_from_the_seventh() {
    for (hits, change) in [(0, Kind::Same), (1, Kind::WithinChance), (6, Kind::WithinChance), (7, Kind::Higher)] {
        let d = difference(&run(0, 1_000_000_000), &run(hits, 1_000_000_000));
        let found = figure(&d, "bit error ratio");
        assert_eq!(found.change, change, "{hits}");
        let chance = if hits == 0 { 1.0 } else { 2.0 * 0.5_f64.powi(hits as i32) };
        assert!((found.chance.unwrap() - chance).abs() < 1e-12, "{hits}: {found:?}");
    }
    let back = difference(&run(7, 1_000_000_000), &run(0, 1_000_000_000));
    assert_eq!(figure(&back, "bit error ratio").change, Kind::Lower);
    assert!(back.says.contains("bit error ratio is lower in the second"), "{}", back.says);
}

/// One frame full of wrong bits is one hit, not five hundred.
#[test]
fn a_burst_is_one_hit() {
    let mut burst = run(1, 1_000_000_000);
    burst.error_ratio = Some(ratio(Basis::Bits, 500, 1_000_000_000));
    let d = difference(&run(0, 1_000_000_000), &burst);
    assert_eq!(figure(&d, "bit error ratio").change, Kind::WithinChance);
}

/// Where only frames are counted, long frames give more bits a chance to fail: ten times the bits, ten times the frames
/// lost.
#[test]
fn frames_of_other_length_are_held_against_bits() {
    let framed = |size_bytes: u32, errors: u64| {
        let mut report = run(0, 1);
        report.error_ratio = Some(ratio(Basis::Frames, errors, 1_000_000));
        report.steps = vec![StepReport {
            direction: "out-and-back".into(),
            size_bytes,
            pattern: "prbs31".into(),
            frames_sent: 1_000_000,
            frames_returned: 1_000_000 - errors,
            frames_lost: errors,
            frames_lost_in_host: 0,
            frames_never_left: 0,
            frames_damaged: 0,
            bit_errors: 0,
            seconds: 1.0,
            frames_per_second: 1e6,
            bits_per_second: 1e9,
            delay_variation_ns: None,
            rate_asked: None,
            repeated_slower: false,
        }];
        report
    };
    // 100 and 1000 bytes without FCS.
    let same_ratio = difference(&framed(104, 10), &framed(1004, 100));
    assert_eq!(figure(&same_ratio, "bit error ratio").change, Kind::WithinChance);
    let worse = difference(&framed(104, 10), &framed(104, 100));
    assert_eq!(figure(&worse, "bit error ratio").change, Kind::Higher);
}

#[test]
fn what_was_not_counted_alike_is_not_compared() {
    let mut frames = run(0, 1);
    frames.error_ratio = Some(ratio(Basis::Frames, 50, 1000));
    let d = difference(&run(0, 1_000_000), &frames);
    assert_eq!(figure(&d, "bit error ratio").change, Kind::NotComparable);
    let mut nothing = run(0, 1);
    nothing.error_ratio = None;
    assert_eq!(figure(&difference(&nothing, &nothing), "bit error ratio").change, Kind::NotComparable);
    assert_eq!(figure(&difference(&nothing, &nothing), "frames lost on the way").change, Kind::NotComparable);
}

#[test]
fn losses_in_this_computer_are_nobodys_loss() {
    let mut lossy = run(0, 1_000_000);
    let counts = |frames_lost, frames_lost_in_host, frames_never_left| {
        let sent = FrameTotals { frames_sent: 1_000, ..FrameTotals::default() };
        Totals::Frames(FrameTotals { frames_lost, frames_lost_in_host, frames_never_left, ..sent })
    };
    lossy.totals = counts(500, 400, 100);
    let mut clean = run(0, 1_000_000);
    clean.totals = counts(0, 0, 0);
    let d = difference(&clean, &lossy);
    assert_ne!(figure(&d, "frames lost on the way").change, Kind::Higher, "{d:?}");
    lossy.totals = counts(500, 300, 100);
    assert_eq!(figure(&difference(&clean, &lossy), "frames lost on the way").change, Kind::Higher);
}

fn trips(report: &mut Report, clock: &str, count: u64, [min, p50, p99]: [u64; 3]) {
    report.latency_ns = Latency {
        clock: clock.into(),
        count,
        min: Some(min),
        mean: Some(p50),
        p50: Some(p50),
        p99: Some(p99),
        max: Some(p99),
        histogram: Vec::new(),
    };
}

#[test]
fn round_trips_differ_when_their_summaries_cannot_overlap_by_chance() {
    let pair = |a: [u64; 3], b: [u64; 3], count, clocks: [&str; 2]| {
        let (mut first, mut second) = (run(0, 1), run(0, 1));
        trips(&mut first, clocks[0], count, a);
        trips(&mut second, clocks[1], count, b);
        figure(&difference(&first, &second), "round trip").change
    };
    let kernel = ["kernel", "kernel"];
    assert_eq!(pair([900, 1000, 1100], [1900, 2000, 2100], 100, kernel), Kind::Higher);
    assert_eq!(pair([1900, 2000, 2100], [900, 1000, 1100], 100, kernel), Kind::Lower);
    // A handful of trips proves nothing, and neither does a shift within the spread, nor another clock.
    assert_eq!(pair([900, 1000, 1100], [1900, 2000, 2100], 3, kernel), Kind::WithinChance);
    assert_eq!(pair([900, 1000, 5000], [950, 1100, 5000], 100, kernel), Kind::WithinChance);
    assert_eq!(pair([900, 1000, 1100], [1900, 2000, 2100], 100, ["kernel", "program"]), Kind::NotComparable);
    assert_eq!(pair([1, 1, 1], [1, 1, 1], 100, kernel), Kind::Same);
}

#[test]
fn conditions_that_were_not_alike_are_named() {
    let (a, mut b) = (run(0, 1), run(0, 1));
    assert!(difference(&a, &b).conditions.is_empty());
    b.cable = Some("Q-12".into());
    b.placement = Placement::FarEnd;
    b.verdict.outcome = Outcome::Fault;
    b.verdict.location = vec![Location::Port, Location::Plug];
    let d = difference(&a, &b);
    let names: Vec<_> = d.conditions.iter().map(|c| c.name.as_str()).collect();
    assert_eq!(names, ["placement", "cable"]);
    assert_eq!(figure(&d, "outcome").values[1], "fault: port or plug");
    assert!(d.says.ends_with("not made alike: placement, cable"), "{}", d.says);
}

/// An unchanged port must look changed no more often than the confidence allows: that is what "beyond chance" means.
#[test]
fn an_unchanged_port_seldom_looks_changed() {
    let mut rng = Rng::new(2026);
    let mut draw = |bits: u64| (0..bits).filter(|_| rng.draw().is_multiple_of(100)).count() as u64;
    let pairs = 1000;
    let changed = (0..pairs)
        .filter(|_| {
            let d = difference(&run(draw(500), 500), &run(draw(1500), 1500));
            matches!(figure(&d, "bit error ratio").change, Kind::Higher | Kind::Lower)
        })
        .count();
    // 5 % of 1000 is 50; three standard deviations of that count are 21.
    assert!(changed <= 71, "{changed} of {pairs}");
}
