//! How often a line exactly at its limit is passed, for every built-in profile, kind of count and way to end a run.
//!
//! `cargo run --release -p turnback-core --example false_pass [RUNS [PROFILE]]` prints the table of `docs/verdict.md`.
//! Chance draws where errors fall; the limit of the profile and the verdict are the program's own ([`Profile::limit`],
//! [`judge`]). Each cell draws anew, and shows the 95 % interval of its figure. At a plan's end there is one look, so
//! the rate is also computed: the binomial probability of as many errors as pass, or fewer. A proof is looked at before
//! every error, the best moment for a pass, though the program looks less often. A run ended by hand is ended at its
//! best moment: the first at which the report would say that the limit is proved.

use std::time::Duration;

use turnback_core::{
    base::{placement::Placement, rng::Rng},
    judge::{
        Outcome, RuleId,
        facts::{Common, Stopped},
        judge,
        ratio::Limit,
    },
    kind::{
        Kind,
        ethernet::{
            facts::{EthernetFacts, Heard},
            link::{Capabilities, LinkState},
            losses::Losses,
            probe::FCS_BYTES,
            stream::tally::FrameCounts,
        },
        serial::{
            facts::SerialFacts,
            format::{LineCapabilities, LineFormat},
            plug::LinePlug,
            stream::LineCounts,
        },
    },
    plan::{Profile, ProfileKind, line_rate},
    signal::compare::DamageKind,
    stats::{bits::frame_ratio, looks::Looks, ratio::Bounds, spells::Spells},
};

/// What is counted, and on which line.
#[derive(Clone, Copy, Debug)]
enum Counting {
    /// Failed frames at 1 Gb/s: the adapter drops them.
    Frames,
    /// Wrong bits at 1 Gb/s.
    Bits,
    /// Wrong bits on a serial line of 115200 bit/s.
    Serial,
}

/// How a run ends.
#[derive(Clone, Copy, Debug, PartialEq)]
enum End {
    /// Its plan is done.
    Plan,
    /// The limit is proved, or its time is up.
    Proof,
    /// Its time is up long before the limit can be proved without luck.
    Clock,
    /// A person likes what is shown.
    Hand,
}

struct Run {
    profile: Profile,
    counting: Counting,
    /// Bits of one frame of the profile's mean, as the counting sees it.
    frame_bits: f64,
    /// Units (frames or bits) until the end.
    units: u64,
}

impl Run {
    fn new(profile: Profile, counting: Counting, end: End) -> Self {
        let sizes = &profile.sizes_bytes;
        // Each size is sent for the same time, so the mean frame is that of the rates.
        let rate = |size: &u32| line_rate(*size, 1_000_000_000);
        let frames: f64 = sizes.iter().map(rate).sum::<f64>() / sizes.len() as f64;
        let bits: f64 = sizes.iter().map(|s| rate(s) * f64::from(*s) * 8.0).sum::<f64>() / sizes.len() as f64;
        let with_fcs = bits / frames;
        let ratio = |kind| profile.limit(kind, None).bit_error_ratio;
        let time = profile.sends_for().unwrap_or(profile.time * sizes.len() as u32);
        // What a plan of steps sends on a serial line: enough for its limit, at least for its time.
        let serial = (3.9 / ratio(Kind::Serial)).max(92_160.0 * time.min(Duration::from_secs(600)).as_secs_f64());
        let (frame_bits, units) = match counting {
            Counting::Frames => (with_fcs, frames * time.as_secs_f64()),
            Counting::Bits => {
                let without_fcs = with_fcs - 8.0 * FCS_BYTES as f64;
                (without_fcs, frames * without_fcs * time.as_secs_f64())
            }
            Counting::Serial => (8.0, serial),
        };
        // Five errors are expected at the limit when the clock ends it.
        let short = match counting {
            Counting::Frames => 5.0 / frame_ratio(ratio(Kind::Ethernet), frame_bits).unwrap_or(1.0),
            Counting::Bits => 5.0 / ratio(Kind::Ethernet),
            Counting::Serial => 5.0 / ratio(Kind::Serial),
        };
        let units = if end == End::Clock { units.min(short) } else { units };
        Self { profile, counting, frame_bits, units: units as u64 }
    }

    fn kind(&self) -> Kind {
        match self.counting {
            Counting::Frames | Counting::Bits => Kind::Ethernet,
            Counting::Serial => Kind::Serial,
        }
    }

    /// The chance that a unit fails on a line exactly at the limit.
    fn ratio(&self) -> f64 {
        let ratio = self.profile.limit(self.kind(), None).bit_error_ratio;
        match self.counting {
            Counting::Frames => frame_ratio(ratio, self.frame_bits).unwrap_or(1.0),
            Counting::Bits | Counting::Serial => ratio,
        }
    }

    /// Whether the report says that the limit is proved, with so many of the units failed and the run ended so.
    fn says_proved(&self, failed: u64, units: u64, stopped: Option<Stopped>) -> bool {
        let common = Common {
            placement: Placement::AtPort,
            in_service: Vec::new(),
            damage: DamageKind::None,
            slowdowns: 0,
            limit: self.profile.limit(self.kind(), stopped),
            stopped,
            plan_done: None,
            is_proof: false,
            references: Vec::new(),
        };
        let verdict = match self.counting {
            Counting::Frames | Counting::Bits => judge(&self.frames(common, failed, units)),
            Counting::Serial => judge(&self.bytes(common, failed, units)),
        };
        verdict.outcome == Outcome::Pass || verdict.rule() == Some(&RuleId::CutShort)
    }

    fn frames(&self, common: Common, failed: u64, units: u64) -> EthernetFacts {
        let checks_frames = matches!(self.counting, Counting::Frames);
        let (sent, lost, bit_errors) = match self.counting {
            Counting::Frames => (units, failed, 0),
            _ => ((units as f64 / self.frame_bits) as u64, 0, failed),
        };
        EthernetFacts {
            common,
            capabilities: Capabilities { checks_frames, ..Capabilities::default() },
            offers_cable_test: false,
            bad_frames_delivered: false,
            link: LinkState { up: true, ..LinkState::default() },
            fallback_mbps: None,
            link_flaps: 0,
            heard: Heard::default(),
            counts: FrameCounts {
                sent,
                returned: sent - lost,
                lost,
                bits_compared: if checks_frames { (sent - lost) * self.frame_bits as u64 } else { units },
                bit_errors,
                damaged: bit_errors.min(sent),
                ..FrameCounts::default()
            },
            losses: Losses { failed_check: lost, ..Losses::default() },
            frame_bits: self.frame_bits,
            sizes_not_taken: Vec::new(),
            sizes_not_returned: Vec::new(),
            transmitted: None,
            shortest_trip_ns: None,
            longest_trip_ns: None,
            silent_from_s: None,
            when: Default::default(),
            spells: Spells::default(),
            spread: Default::default(),
        }
    }

    fn bytes(&self, common: Common, failed: u64, units: u64) -> SerialFacts {
        let sent = units / 8;
        SerialFacts {
            common,
            capabilities: LineCapabilities { counts_errors: true, paced: true, ..LineCapabilities::default() },
            plug: LinePlug::DataOnly,
            format: LineFormat::default(),
            foreign: 0,
            silence: None,
            when: Default::default(),
            counts: LineCounts {
                sent,
                returned: sent,
                bits_compared: units,
                bit_errors: failed,
                damaged: failed.min(sent),
                pieces: sent.div_ceil(64),
                pieces_damaged: failed.min(sent.div_ceil(64)),
                ..LineCounts::default()
            },
            errors: None,
            since_slowed: LineCounts::default(),
            lost_at_slowest: 0,
            modem: Vec::new(),
            flow: None,
            break_returned: None,
            speeds: Vec::new(),
            formats: Vec::new(),
        }
    }

    /// The probability that a line at its limit is called good at its plan's end: the binomial sum over all counts of
    /// errors that pass, term by term.
    fn exact(&self) -> f64 {
        let passes = |failed| self.says_proved(failed, self.units, None);
        if !passes(0) {
            return 0.0;
        }
        let (mut most, mut fails) = (0, self.units);
        while fails - most > 1 {
            let middle = most + (fails - most) / 2;
            if passes(middle) { most = middle } else { fails = middle }
        }
        let (n, p) = (self.units as f64, self.ratio());
        let (mut ln, odds) = (n * (-p).ln_1p(), (p / (1.0 - p)).ln());
        let later = (1..=most).map(|k| {
            ln += ((n - k as f64 + 1.0) / k as f64).ln() + odds;
            ln.exp()
        });
        (n * (-p).ln_1p()).exp() + later.sum::<f64>()
    }

    /// Whether one run of a line at its limit is called good.
    fn is_passed(&self, end: End, rng: &mut Rng) -> bool {
        let (stopped, looks_meanwhile) = match end {
            End::Plan => (None, false),
            End::Proof | End::Clock => (None, true),
            End::Hand => (Some(Stopped::ByUser), true),
        };
        let (ratio, mut units, mut failed) = (self.ratio(), 0_u64, 0);
        loop {
            let good = rng.trials_before_success(ratio).min(self.units - units);
            units += good;
            let over = units == self.units;
            if (over || looks_meanwhile) && self.says_proved(failed, units, stopped) {
                return true;
            }
            // With as many errors nobody hopes for a pass any more.
            if over || looks_meanwhile && failed >= ERRORS_LOOKED_AT {
                return false;
            }
            (units, failed) = (units + 1, failed + 1);
        }
    }
}

fn main() {
    let runs: u32 = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(3000);
    let heads = "| profile | counted | plan's end, computed | plan's end | limit proved | time up | by hand |";
    println!("{heads}\n|---|---|---|---|---|---|---|");
    let (mut rng, mut at_end) = (Rng::new(SEED), (0, 0));
    let only = std::env::args().nth(2);
    for profile in Profile::builtin() {
        if only.as_ref().is_some_and(|name| *name != profile.name) {
            continue;
        }
        for counting in [Counting::Frames, Counting::Bits, Counting::Serial] {
            let ends_by_itself = matches!(profile.kind, ProfileKind::Steps | ProfileKind::Soak);
            let cells = [End::Plan, End::Proof, End::Clock, End::Hand].map(|end| {
                let applies = match end {
                    End::Plan => ends_by_itself,
                    End::Proof | End::Clock => !ends_by_itself,
                    End::Hand => true,
                };
                if !applies {
                    return "-".to_owned();
                }
                let run = Run::new(profile.clone(), counting, end);
                let passed = (0..runs).filter(|_| run.is_passed(end, &mut rng)).count() as u64;
                if end == End::Plan {
                    at_end = (at_end.0 + passed, at_end.1 + u64::from(runs));
                }
                measured(passed, runs.into())
            });
            let computed = match ends_by_itself {
                true => format!("{:.2} %", 100.0 * Run::new(profile.clone(), counting, End::Plan).exact()),
                false => "-".to_owned(),
            };
            let counted = format!("{counting:?}").to_lowercase();
            println!("| `{}` | {counted} | {computed} | {} |", profile.name, cells.join(" | "));
        }
    }
    let Limit { confidence, .. } = Profile::builtin()[0].limit(Kind::Ethernet, None);
    println!("\n{runs} runs each; stated doubt {:.0} %", 100.0 * (1.0 - confidence));
    println!("all runs at a plan's end: {}", measured(at_end.0, at_end.1));
}

/// A rate with its 95 % interval.
fn measured(passed: u64, runs: u64) -> String {
    let bounds = Bounds::new(passed, runs, 0.95, Looks::Once).expect("some runs");
    let [rate, low, high] = [bounds.estimate, bounds.lower, bounds.upper].map(|share| 100.0 * share);
    format!("{rate:.1} % ({low:.1} to {high:.1})")
}

const SEED: u64 = 1;
/// A person who looks on has had every chance of a lucky moment by then.
const ERRORS_LOOKED_AT: u64 = 60;
