//! Drifts: figures of a port that move towards a fault while its runs still pass.
//!
//! Error events and link flaps are counts ([`CountChart`]). Latency and received power are levels ([`LevelChart`]). A
//! drift is not a fault. It makes the port suspect and says which figure moved.

use serde::{Deserialize, Serialize};

use super::cusum::{CountChart, LevelChart};
use crate::base::figure::{count, ratio};
use crate::document::run::{Detail, Report};
use crate::judge::Outcome;
use crate::judge::ratio::Basis;

/// What one run adds to the charts.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sample {
    /// What the levels depend on beside the port's health; when it changes, they are learnt anew.
    pub under: String,
    /// Frames damaged or lost on the wire; of a serial port, blocks with a wrong, missing or extra byte.
    pub events: u64,
    /// Bits that had a chance to fail.
    pub bits: f64,
    /// The bit error ratio that a good line stays below.
    pub limit: f64,
    /// Times the link dropped.
    pub flaps: u64,
    /// Half of the round trips took at most this, ns.
    pub latency_ns: Option<f64>,
    /// Light received, dBm.
    pub received_dbm: Option<f64>,
}

impl Sample {
    /// From a run that passed or failed; others measured too little.
    pub fn of(report: &Report) -> Option<Self> {
        if !matches!(report.verdict.outcome, Outcome::Pass | Outcome::Fault) {
            return None;
        }
        // Bits are compared one by one where they are the basis: then a damaged frame is an event of its own.
        let (bits, counts_bits) = match &report.error_ratio {
            Some(ratio) if ratio.basis == Basis::Bits => (ratio.trials as f64, true),
            _ => (report.totals.bits_compared() as f64, false),
        };
        let frame_events = report.totals.frames().map_or(0, |totals| {
            // A damaged frame that the adapter delivered all the same is among those that failed its check.
            let damaged = if counts_bits { totals.frames_damaged } else { 0 };
            damaged.max(totals.frames_failed_fcs) + totals.frames_lost_on_wire
        });
        let (speed, events) = match &report.detail {
            Detail::Ethernet(detail) => {
                let speed = detail.link.speed_mbps.map_or_else(String::new, |mbps| mbps.to_string());
                (speed, frame_events)
            }
            // Bytes of a burst fail together, so blocks are counted. What this computer lost says nothing of the line.
            Detail::Serial(detail) => {
                let slipped = if report.totals.lost_inside() == 0 { detail.counts.pieces_slipped } else { 0 };
                (format!("{} {}", detail.format, detail.plug), detail.counts.pieces_damaged + slipped)
            }
        };
        let frames = report.ethernet();
        Some(Self {
            under: format!("{} {} {speed} {}", report.profile, report.placement, report.latency_ns.clock),
            events,
            bits,
            limit: report.limit.bit_error_ratio,
            flaps: frames.map_or(0, |detail| detail.link_flaps),
            latency_ns: report.latency_ns.p50.map(|ns| ns as f64),
            received_dbm: frames.and_then(|detail| detail.transceiver.as_ref()?.received_dbm()),
        })
    }
}

/// The charts of one port.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Drift {
    under: String,
    errors: CountChart,
    flaps: CountChart,
    latency: LevelChart,
    darkness: LevelChart,
}

impl Drift {
    /// Takes a run; what drifts now, in words.
    pub fn take(&mut self, sample: &Sample) -> Vec<String> {
        let mut drifts = Vec::new();
        if self.under != sample.under {
            self.under.clone_from(&sample.under);
            (self.latency, self.darkness) = Default::default();
        }
        if sample.bits > 0.0 && sample.limit > 0.0 {
            self.errors.take(sample.events, sample.bits, GOOD_SHARE * sample.limit, BAD_SHARE * sample.limit);
        }
        if self.errors.alarms() {
            let beside = if (sample.events as f64) < sample.limit * sample.bits { "though below" } else { "and above" };
            drifts.push(format!(
                "more errors than a good line has, {} in {} bits by the last run, {beside} the limit of {}",
                count(sample.events),
                count(sample.bits as u64),
                ratio(sample.limit)
            ));
        }
        self.flaps.take(sample.flaps, 1.0, FLAPS_GOOD, FLAPS_BAD);
        if self.flaps.alarms() {
            drifts.push("the link dropped in several runs lately".to_owned());
        }
        if let Some(ns) = sample.latency_ns {
            let before = self.latency.mean().map(f64::exp);
            if self.latency.take(ns.ln(), LATENCY_GRAIN) {
                drifts.push(format!("latency rose from about {:.0} to {ns:.0} ns", before.unwrap_or(ns)));
            }
        }
        if let Some(dbm) = sample.received_dbm {
            let before = self.darkness.mean().map(|darkness| -darkness);
            if self.darkness.take(-dbm, LIGHT_GRAIN_DB) {
                drifts.push(format!("light received fell from about {:.1} to {dbm:.1} dBm", before.unwrap_or(dbm)));
            }
        }
        drifts
    }
}

/// A figure that begins to drift.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Lean {
    /// Which figure, in words.
    pub figure: &'static str,
    /// How far the way to a drift is gone, `0.5..1.0`; at 1 the port becomes suspect.
    pub share: f64,
}

impl Drift {
    /// The figures that are half way to a drift or farther, and do not drift yet.
    pub fn leaning(&self) -> Vec<Lean> {
        let charts = [
            ("errors", self.errors.share()),
            ("drops of the link", self.flaps.share()),
            ("round trip", self.latency.share()),
            ("light received", self.darkness.share()),
        ];
        let begun = charts.into_iter().filter(|(_, share)| (LEANS..1.0).contains(share));
        begun.map(|(figure, share)| Lean { figure, share }).collect()
    }
}

/// From this share of the way on a drift is shown before it is one. Our own choice.
const LEANS: f64 = 0.5;
/// Share of the limit at which a line is as good as ever, and the one at which it drifts. Our own choice: a line that
/// stays a hundred times below its limit is never called drifting but by rare chance, one that comes within a tenth is.
const GOOD_SHARE: f64 = 0.01;
const BAD_SHARE: f64 = 0.1;
/// Drops of the link per run: one in a hundred runs is a hand at the cabinet, one in five a loose connector. Our own
/// choice.
const FLAPS_GOOD: f64 = 0.01;
const FLAPS_BAD: f64 = 0.2;
/// Changes of latency below 2 % mean nothing: a software clock differs by as much from start to start. Our own choice.
const LATENCY_GRAIN: f64 = 0.02;
/// Resolution of received power, dB: what the monitoring of a module repeats to (common practice, no source).
const LIGHT_GRAIN_DB: f64 = 0.2;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::run::Totals;

    fn sample() -> Sample {
        Sample {
            under: "quick at-port 1000 kernel".into(),
            bits: 3e9,
            limit: 1e-7,
            latency_ns: Some(5000.0),
            received_dbm: Some(-4.0),
            ..Sample::default()
        }
    }

    /// Records until something drifts, after thirty good ones.
    fn until(change: impl Fn(u32, &mut Sample)) -> (u32, String) {
        let mut drift = Drift::default();
        for n in 0..30 {
            let wobble = f64::from(n % 5) * 0.01;
            let good = Sample { latency_ns: Some(5000.0 * (1.0 + wobble)), ..sample() };
            assert_eq!(drift.take(&good), Vec::<String>::new());
        }
        for n in 1..200 {
            let mut bad = sample();
            change(n, &mut bad);
            if let Some(text) = drift.take(&bad).into_iter().next() {
                return (n, text);
            }
        }
        panic!("no drift seen")
    }

    #[test]
    fn each_figure_is_seen_to_drift_before_it_fails() {
        // A third of the limit: 300 events are a failure, 100 pass.
        let (n, text) = until(|_, s| s.events = 100);
        assert!(n <= 2 && text.contains("errors") && text.contains("though below the limit"), "{n} {text}");
        let (_, text) = until(|_, s| s.events = 400);
        assert!(text.contains("and above the limit"), "{text}");
        let (n, text) = until(|n, s| s.flaps = u64::from(n % 3 == 1));
        assert!(n <= 25 && text.contains("link"), "{n} {text}");
        let (n, text) = until(|n, s| s.latency_ns = Some(5000.0 * 1.01f64.powi(n as i32)));
        assert!(n <= 40 && text.starts_with("latency rose from about 51"), "{n} {text}");
        let (n, text) = until(|n, s| s.received_dbm = Some(-4.0 - 0.1 * f64::from(n)));
        assert!(n <= 25 && text.starts_with("light received fell from about -4."), "{n} {text}");
    }

    #[test]
    fn what_a_good_port_does_is_no_drift() {
        let mut drift = Drift::default();
        for n in 0..1000_u32 {
            let good = Sample {
                events: u64::from(n % 10 == 0),
                flaps: u64::from(n % 120 == 119),
                latency_ns: Some(if n % 50 == 7 { 90_000.0 } else { 5000.0 + f64::from(n * 7 % 11) }),
                received_dbm: Some(-4.0 + f64::from(n % 4) * 0.1),
                ..sample()
            };
            assert_eq!(drift.take(&good), Vec::<String>::new(), "{n}");
        }
        // Another speed has another latency.
        let other = Sample { under: "quick at-port 100 kernel".into(), latency_ns: Some(50_000.0), ..sample() };
        assert!((0..50).all(|_| drift.take(&other).is_empty()));
    }

    /// At a steady rate `x` the sum grows where `x ln(bad/good)` is over `bad - good`, all per run (Lucas 1985). The
    /// limit allows 300 events a run, so good is 3 and bad 30: the balance is at 27 / ln 10 = 11.7.
    #[test]
    fn a_rate_between_good_and_bad_drifts_from_the_point_where_both_explain_it_alike() {
        let drifts = |events: u64| {
            let mut drift = Drift::default();
            (0..200).any(|_| !drift.take(&Sample { events, ..sample() }).is_empty())
        };
        assert!(!drifts(11));
        assert!(drifts(12));
        // The link: good is one drop in a hundred runs, bad one in five. One drop in 16 runs is below their
        // balance of 0.19 / ln 20 = 0.0634 a run; two in 31 are above it.
        let flaps = |drops: &[u32], of: u32| {
            let mut drift = Drift::default();
            (1..8000_u32).any(|n| {
                let flaps = u64::from(drops.contains(&(n % of)));
                !drift.take(&Sample { flaps, ..sample() }).is_empty()
            })
        };
        assert!(!flaps(&[0], 16) && flaps(&[0, 15], 31));
    }

    /// Only a run that decided something is charted: the others measured too little.
    #[test]
    fn a_run_that_decided_nothing_is_not_charted() {
        let mut report = stored(include_str!("../../../../tests/fixtures/format1/ethernet-run.json"));
        for (outcome, charted) in
            [(Outcome::Pass, true), (Outcome::Fault, true), (Outcome::Undecided, false), (Outcome::NotTested, false)]
        {
            report.verdict.outcome = outcome;
            assert_eq!(Sample::of(&report).is_some(), charted, "{outcome:?}");
        }
    }

    /// By the balance above a run with 12 events adds 12 ln 10 - 27 = 0.63 of the ln 10000 = 9.21 that make a drift:
    /// half the way is gone after eight runs, and the whole after fifteen.
    #[test]
    fn a_figure_leans_before_it_drifts() {
        let mut drift = Drift::default();
        let mut seen = Vec::new();
        for _ in 0..15 {
            let drifts = !drift.take(&Sample { events: 12, ..sample() }).is_empty();
            seen.push((drifts, drift.leaning().iter().map(|lean| lean.figure).collect::<Vec<_>>()));
        }
        assert_eq!((&seen[6], &seen[7]), (&(false, vec![]), &(false, vec!["errors"])));
        assert_eq!((&seen[13], &seen[14]), (&(false, vec!["errors"]), &(true, vec![])));
    }

    /// Changes by half of the grain never add up; by three grains they are seen in a few records.
    #[test]
    fn a_change_below_the_grain_of_a_figure_is_none() {
        let drifts = |changed: Sample| {
            let mut drift = Drift::default();
            (0..30).for_each(|_| assert!(drift.take(&sample()).is_empty()));
            (0..50).any(|_| !drift.take(&changed).is_empty())
        };
        for (share, seen) in [(1.01, false), (1.06, true)] {
            assert_eq!(drifts(Sample { latency_ns: Some(5000.0 * share), ..sample() }), seen, "{share}");
        }
        for (dbm, seen) in [(-4.1, false), (-4.6, true)] {
            assert_eq!(drifts(Sample { received_dbm: Some(dbm), ..sample() }), seen, "{dbm}");
        }
    }

    /// A grain is the least deviation. Where all was alike, one grain more adds what one deviation would:
    /// t = sqrt(10/11), as a normal value 0.90580, less 1/2, of 10 (by hand, see [`LevelChart`]).
    #[test]
    fn a_change_of_one_grain_counts_as_one_deviation() {
        let mut drift = Drift::default();
        (0..10).for_each(|_| assert!(drift.take(&sample()).is_empty()));
        let latency_ns = Some(5000.0 * 0.02_f64.exp());
        assert!(drift.take(&Sample { latency_ns, received_dbm: Some(-4.2), ..sample() }).is_empty());
        for chart in [drift.latency, drift.darkness] {
            assert!((chart.share() - 0.040580).abs() < 1e-5, "{}", chart.share());
        }
    }

    /// A run without a limit, or without a bit that could fail, says nothing of errors and spoils no chart.
    #[test]
    fn what_could_not_fail_is_not_charted() {
        let mut drift = Drift::default();
        for nothing in [Sample { bits: 0.0, ..sample() }, Sample { limit: 0.0, ..sample() }] {
            assert!(drift.take(&Sample { events: 100, ..nothing }).is_empty());
        }
        let mut odd = drift.clone();
        assert!(!odd.take(&Sample { events: 100, ..sample() }).is_empty(), "it still counts");
        assert!(!drift.take(&Sample { events: 5, bits: 1.0, ..sample() }).is_empty());
        // A round trip of nothing is no figure.
        let nothing = Sample { latency_ns: Some(0.0), ..sample() };
        let mut drift = Drift::default();
        assert!((0..50).all(|_| drift.take(&nothing).is_empty()));
    }

    fn stored(text: &str) -> Report {
        match crate::document::Document::read(text) {
            Ok(crate::document::Document::Run(report)) => *report,
            other => panic!("the fixture is a run: {other:?}"),
        }
    }

    /// What failed on the line is an event: a damaged frame too where bits are compared, a slipped block where this
    /// computer lost none.
    #[test]
    fn what_failed_on_the_line_is_charted() {
        let mut report = stored(include_str!("../../../../tests/fixtures/format1/ethernet-run.json"));
        report.verdict.outcome = Outcome::Pass;
        let Totals::Frames(totals) = &mut report.totals else { panic!("frames") };
        (totals.frames_damaged, totals.frames_failed_fcs, totals.frames_lost_on_wire) = (75, 70, 1100);
        for (basis, events) in [(Basis::Bits, 1175), (Basis::Frames, 1170)] {
            report.error_ratio.as_mut().unwrap().basis = basis;
            assert_eq!(Sample::of(&report).unwrap().events, events, "{basis:?}");
        }
        let Totals::Frames(totals) = &mut report.totals else { panic!("frames") };
        (totals.frames_failed_fcs, totals.frames_lost_on_wire) = (0, 0);
        assert_eq!(Sample::of(&report).unwrap().events, 0, "damaged behind the check is not of the line");
        let mut report = stored(include_str!("../../../../tests/fixtures/format1/serial-run.json"));
        report.verdict.outcome = Outcome::Pass;
        assert_eq!(Sample::of(&report).unwrap().flaps, 0);
        let Detail::Serial(detail) = &mut report.detail else { panic!("bytes") };
        (detail.counts.pieces_damaged, detail.counts.pieces_slipped) = (5, 70);
        for (bytes_lost_in_host, events) in [(0, 75), (1, 5)] {
            let Totals::Bytes(totals) = &mut report.totals else { panic!("bytes") };
            totals.bytes_lost_in_host = bytes_lost_in_host;
            assert_eq!(Sample::of(&report).unwrap().events, events);
        }
    }

    #[test]
    fn charts_outlive_the_daemon() {
        let mut drift = Drift::default();
        (0..40).for_each(|_| {
            drift.take(&sample());
        });
        let text = serde_json::to_string(&drift).unwrap();
        assert_eq!(serde_json::from_str::<Drift>(&text).unwrap(), drift);
    }
}
