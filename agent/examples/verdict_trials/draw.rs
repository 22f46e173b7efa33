//! Draws a rig, and says what is true of it.

use std::fmt;

use turnback_core::sim::cable::Segment;
use turnback_core::sim::value::{FaultPlace, Ratio, Seconds};
use turnback_core::{
    base::{placement::Placement, rng::Rng},
    judge::Location,
    kind::{
        ethernet::{
            link::Medium,
            sim::{
                Rig,
                rig::{FaultKind, FaultSpec, HostLoss, PlugKind},
            },
        },
        rig::AnyRig,
    },
};

/// Bit error ratio a good line stays below in these trials.
pub const LIMIT: f64 = 3e-6;
/// Probes a second.
pub const FRAMES_PER_SECOND: f64 = 300.0;

/// A rig and what is wrong with it.
pub struct Trial {
    pub rig: AnyRig,
    pub truth: Truth,
}

/// What is true of a rig.
#[derive(Clone, Debug)]
pub struct Truth {
    /// Class of fault: a row of the table.
    pub class: Class,
    /// Everything that is at fault, with the segment of a cable.
    pub at: Vec<(Location, Option<String>)>,
    /// At or above the limit of what a case can detect, as `docs/verdict.md` states it.
    pub above_limit: bool,
}

impl fmt::Display for Truth {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.class.name())?;
        for (place, segment) in &self.at {
            write!(f, " {place:?} {}", segment.as_deref().unwrap_or("-"))?;
        }
        Ok(())
    }
}

/// Classes of truth.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Class {
    Healthy,
    Harmless,
    Network,
    NoPlug,
    ActiveDevice,
    Errors,
    ErrorsBelow,
    Bursts,
    Drops,
    Cuts,
    StuckBit,
    NoSignal,
    OpenPair,
    Flaps,
    Memory,
    SlowHost,
    Periodic,
    RareOrOnce,
    Slow,
    WhenMoved,
    Cured,
    BothPlugs,
    TwoFaults,
    Inverted,
    ParityErrors,
    Characters,
    StuckLine,
    OpenOutput,
    Crossed,
    WrongPlug,
    Deaf,
    Interference,
    InterferenceSpells,
    Outages,
    Blinks,
    NotInEveryRun,
    ActiveFarEnd,
}

impl Class {
    pub fn name(self) -> &'static str {
        match self {
            Self::Healthy => "nothing wrong",
            Self::Harmless => "delay only",
            Self::Network => "live network",
            Self::NoPlug => "no plug, or an open one",
            Self::ActiveDevice => "frames twice",
            Self::Errors => "bit errors, 2 to 300 times the limit",
            Self::ErrorsBelow => "bit errors, 0.1 to 2 times the limit",
            Self::Bursts => "bursts",
            Self::Drops => "frames lost",
            Self::Cuts => "frames cut",
            Self::StuckBit => "stuck bit",
            Self::NoSignal => "no signal",
            Self::OpenPair => "open pair",
            Self::Flaps => "link flaps",
            Self::Memory => "memory of this computer",
            Self::SlowHost => "slow computer",
            Self::Periodic => "comes every 1 to 3 s",
            Self::RareOrOnce => "comes once, or every 10 to 60 s",
            Self::Slow => "stays bad or good for 5 to 60 s",
            Self::WhenMoved => "bad while the cable is moved",
            Self::Cured => "contact, mended by seating",
            Self::BothPlugs => "both plugs bad",
            Self::TwoFaults => "two faults",
            Self::Inverted => "levels exchanged",
            Self::ParityErrors => "parity errors",
            Self::Characters => "characters lost or put in",
            Self::StuckLine => "modem line stuck",
            Self::OpenOutput => "modem output open",
            Self::Crossed => "modem lines crossed",
            Self::WrongPlug => "plug of another wiring",
            Self::Deaf => "nothing goes over",
            Self::Interference => "interference in a fifth to half of all runs",
            Self::InterferenceSpells => "interference that comes and goes",
            Self::Outages => "nothing comes back for a quarter to two thirds of the time",
            Self::Blinks => "50 ms every 2 s",
            Self::NotInEveryRun => "fault in 30 to 70 % of the runs",
            Self::ActiveFarEnd => "active device at the far end",
        }
    }
}

/// Draws a rig.
pub fn draw(rng: &mut Rng) -> Trial {
    let mut rig = Rig { name: "trial".into(), placement: Placement::FarEnd, ..Rig::default() };
    draw_port(rng, &mut rig);
    let count = [0, 1, 1, 2, 3, 3, 4, 6, 8][rng.below(9) as usize];
    rig.segments = (1..=count)
        .map(|n| Segment { label: format!("S-{n}"), length_m: 1 + rng.below(if n == 2 { 80 } else { 15 }) as u32 })
        .collect();
    // Every other length of cable is at an adapter that can measure its pairs.
    rig.port.cable_test = rig.port.medium == Medium::Copper && count % 2 == 1;
    let class = draw_class(rng, &rig);
    let truth = inflict(rng, &mut rig, class);
    Trial { rig: AnyRig::Frames(Box::new(rig)), truth }
}

fn draw_port(rng: &mut Rng, rig: &mut Rig) {
    let port = &mut rig.port;
    if rng.chance(0.2) {
        port.medium = Medium::Fibre;
        port.autonegotiation = false;
    } else if rng.chance(0.4) {
        // Gigabit copper mostly cannot link to itself.
        port.links_to_itself_at_mbps = vec![10, 100];
    }
    port.internal_loop = rng.chance(0.6);
    port.checks_frames = rng.chance(0.8);
    port.delivers_bad_frames = rng.chance(0.5);
}

fn draw_class(rng: &mut Rng, rig: &Rig) -> Class {
    use Class::*;
    let all = [
        (Healthy, 12),
        (Harmless, 2),
        (Network, 2),
        (NoPlug, 3),
        (ActiveDevice, 2),
        (Errors, 24),
        (ErrorsBelow, 5),
        (Bursts, 8),
        (Drops, 8),
        (Cuts, 3),
        (StuckBit, 3),
        (NoSignal, 8),
        (OpenPair, 4),
        (Flaps, 5),
        (Memory, 3),
        (SlowHost, 3),
        (Periodic, 6),
        (RareOrOnce, 4),
        (Slow, 2),
        (WhenMoved, 4),
        (Cured, 3),
        (BothPlugs, 2),
        (TwoFaults, 4),
    ];
    let sum = all.iter().map(|(_, weight)| weight).sum();
    let mut left = rng.below(sum);
    let drawn = all.into_iter().find(|(_, weight)| {
        let here = left < *weight;
        left = left.saturating_sub(*weight);
        here
    });
    match drawn.map_or(Healthy, |(class, _)| class) {
        // Needs a cable whose pairs carry more than 100 Mb/s.
        OpenPair if rig.segments.is_empty() || rig.port.medium != Medium::Copper => Errors,
        WhenMoved if rig.segments.is_empty() => Errors,
        class => class,
    }
}

/// A place on the line side or in the port, and what it is called in a verdict.
fn draw_place(rng: &mut Rng, rig: &Rig) -> (FaultPlace, Location, Option<String>) {
    let cable = !rig.segments.is_empty() && rng.chance(0.55);
    if cable {
        let label = rig.segments[rng.below(rig.segments.len() as u64) as usize].label.clone();
        return (FaultPlace::Segment(label.clone()), Location::Cable, Some(label));
    }
    match rng.below(3) {
        0 => (FaultPlace::Plug, Location::Plug, None),
        1 => (FaultPlace::PortLine, Location::Port, None),
        _ => (FaultPlace::PortHost, Location::Port, None),
    }
}

/// Evenly on a logarithmic scale.
pub(super) fn log_between(rng: &mut Rng, low: f64, high: f64) -> f64 {
    (low.ln() + rng.fraction() * (high / low).ln()).exp()
}

fn between(rng: &mut Rng, low: f64, high: f64) -> f64 {
    low + rng.fraction() * (high - low)
}

pub(super) fn ratio(value: f64) -> Ratio {
    Ratio::try_from(value.min(1.0)).expect("a ratio")
}

pub(super) fn seconds(value: f64) -> Seconds {
    Seconds::try_from(value).expect("a time")
}

/// Times a probe passes a place: a segment out and back.
fn crossings(place: &FaultPlace) -> f64 {
    if matches!(place, FaultPlace::Segment(_)) { 2.0 } else { 1.0 }
}

/// Bit errors at so many times the limit, as a whole loop meets them.
fn errors_at(rng: &mut Rng, place: &FaultPlace, low: f64, high: f64) -> FaultKind {
    FaultKind::BitErrors { ratio: ratio(log_between(rng, low, high) * LIMIT / crossings(place)) }
}

/// Share of frames that fail at the limit; the mean frame of the trials has about 6300 bits.
const FRAMES_AT_LIMIT: f64 = LIMIT * 6300.0;

fn inflict(rng: &mut Rng, rig: &mut Rig, class: Class) -> Truth {
    use Class::*;
    let mut truth = Truth { class, at: Vec::new(), above_limit: true };
    let (mut place, mut location, mut segment) = draw_place(rng, rig);
    let in_port = |truth: &mut Truth, rig: &mut Rig, spec: FaultSpec| {
        truth.at.push((location, segment.clone()));
        rig.faults.push(spec);
    };
    match class {
        Healthy => {}
        // Drawn by `draw_trouble`.
        Interference | InterferenceSpells | Outages | Blinks | NotInEveryRun | ActiveFarEnd => {}
        // Of serial lines: `draw_serial`.
        Inverted | ParityErrors | Characters | StuckLine | OpenOutput | Crossed | WrongPlug | Deaf => {}
        Harmless => {
            let kind = FaultKind::Delay { ns: rng.below(5_000) as u32, jitter_ns: rng.below(3_000) as u32 };
            rig.faults.push(FaultSpec::always(place, kind));
        }
        Network => rig.plug.kind = PlugKind::Network,
        NoPlug => {
            if rng.chance(0.5) {
                rig.plug.fitted = false
            } else {
                rig.plug.kind = PlugKind::Open
            }
            truth.at.push((Location::Plug, None));
        }
        ActiveDevice => {
            let share = ratio(log_between(rng, 0.01, 0.3));
            rig.faults.push(FaultSpec::always(place, FaultKind::Duplicate { ratio: share }));
        }
        Errors => {
            let kind = errors_at(rng, &place, 2.0, 300.0);
            in_port(&mut truth, rig, FaultSpec::always(place, kind));
        }
        ErrorsBelow => {
            let kind = errors_at(rng, &place, 0.1, 2.0);
            truth.above_limit = false;
            in_port(&mut truth, rig, FaultSpec::always(place, kind));
        }
        Bursts => {
            let kind = FaultKind::Bursts {
                good_ratio: ratio(0.0),
                bad_ratio: ratio(log_between(rng, 3e-4, 1e-2)),
                mean_good_s: seconds(log_between(rng, 0.05, 0.4)),
                mean_bad_s: seconds(log_between(rng, 0.01, 0.1)),
            };
            in_port(&mut truth, rig, FaultSpec::always(place, kind));
        }
        Drops => {
            let share = log_between(rng, 2.0, 40.0) * FRAMES_AT_LIMIT / crossings(&place);
            in_port(&mut truth, rig, FaultSpec::always(place, FaultKind::Drop { ratio: ratio(share) }));
        }
        Cuts => {
            let share = log_between(rng, 2.0, 30.0) * FRAMES_AT_LIMIT / crossings(&place);
            in_port(&mut truth, rig, FaultSpec::always(place, FaultKind::Truncate { ratio: ratio(share) }));
        }
        StuckBit => {
            let kind = FaultKind::StuckBit { bit: rng.below(8) as u8, level: rng.below(2) as u8 };
            in_port(&mut truth, rig, FaultSpec::always(place, kind));
        }
        NoSignal => {
            let kind = if rng.chance(0.5) { FaultKind::NoTransmit } else { FaultKind::NoReceive };
            in_port(&mut truth, rig, FaultSpec::always(place, kind));
        }
        OpenPair => {
            let label = rig.segments[rng.below(rig.segments.len() as u64) as usize].label.clone();
            let pair = 1 + rng.below(4) as u8;
            // Where the port cannot use all pairs with a plug, the others cannot be tested.
            truth.above_limit = pair == 2 || pair == 3 || rig.port.links_to_itself_at_mbps.is_empty();
            truth.at.push((Location::Cable, Some(label.clone())));
            rig.faults.push(FaultSpec::always(FaultPlace::Segment(label), FaultKind::PairOpen { pair }));
        }
        Flaps => {
            // Only the line side has a link to lose.
            if place == FaultPlace::PortHost {
                place = FaultPlace::PortLine;
            }
            let every = between(rng, 0.8, 2.0);
            let kind = FaultKind::Flap { every_s: seconds(every), down_s: seconds(every * between(rng, 0.1, 0.4)) };
            in_port(&mut truth, rig, FaultSpec::always(place, kind));
        }
        Memory => {
            rig.port.checks_frames = true;
            truth.at.push((Location::Host, None));
            rig.faults.push(FaultSpec::always(
                FaultPlace::Host,
                FaultKind::Memory { ratio: ratio(log_between(rng, 0.01, 0.5)) },
            ));
        }
        SlowHost => {
            rig.host.frames_per_second_max = 120 + rng.below(150) as u32;
            rig.host.loses_in = if rng.chance(0.5) { HostLoss::Ring } else { HostLoss::Adapter };
            rig.port.receive_ring_frames = 64;
            truth.above_limit = false;
        }
        Periodic => {
            let every = between(rng, 1.0, 3.0);
            let kind = errors_at(rng, &place, 100.0, 300.0);
            let until = every * between(rng, 0.1, 0.5);
            let shown = FaultSpec {
                until_s: Some(seconds(until)),
                every_s: Some(seconds(every)),
                ..FaultSpec::always(place, kind)
            };
            in_port(&mut truth, rig, shown);
        }
        RareOrOnce => {
            truth.above_limit = false;
            let kind = errors_at(rng, &place, 100.0, 300.0);
            let from = between(rng, 0.0, 100.0);
            let lasts = log_between(rng, 0.2, 30.0);
            let every = rng.chance(0.5).then(|| seconds(lasts + between(rng, 10.0, 60.0)));
            let (from_s, until_s) = (seconds(from), Some(seconds(from + lasts)));
            in_port(&mut truth, rig, FaultSpec { from_s, until_s, every_s: every, ..FaultSpec::always(place, kind) });
        }
        Slow => {
            truth.above_limit = false;
            let kind = FaultKind::Bursts {
                good_ratio: ratio(0.0),
                bad_ratio: ratio(log_between(rng, 1e-4, 1e-3)),
                mean_good_s: seconds(log_between(rng, 5.0, 60.0)),
                mean_bad_s: seconds(log_between(rng, 5.0, 60.0)),
            };
            in_port(&mut truth, rig, FaultSpec::always(place, kind));
        }
        WhenMoved => {
            let label = rig.segments[rng.below(rig.segments.len() as u64) as usize].label.clone();
            place = FaultPlace::Segment(label.clone());
            (location, segment) = (Location::Cable, Some(label));
            let kind = errors_at(rng, &place, 100.0, 300.0);
            let every = between(rng, 1.5, 4.0);
            let until = every * between(rng, 0.1, 0.5);
            truth.at.push((location, segment));
            rig.faults.push(FaultSpec {
                until_s: Some(seconds(until)),
                every_s: Some(seconds(every)),
                when_moved: true,
                ..FaultSpec::always(place, kind)
            });
        }
        Cured => {
            truth.above_limit = false;
            let place = if rng.chance(0.5) { FaultPlace::Plug } else { FaultPlace::PortLine };
            let location = if place == FaultPlace::Plug { Location::Plug } else { Location::Port };
            truth.at.push((location, None));
            let kind = errors_at(rng, &place, 10.0, 300.0);
            let cured = Some(2 + rng.below(3) as u32);
            rig.faults.push(FaultSpec { cured_by_seatings: cured, ..FaultSpec::always(place, kind) });
        }
        BothPlugs => {
            // All runs fail alike, whatever is exchanged: nobody can be named.
            truth.above_limit = false;
            for place in [FaultPlace::Plug, FaultPlace::OtherPlug] {
                let kind = errors_at(rng, &place, 3.0, 300.0);
                rig.faults.push(FaultSpec::always(place, kind));
            }
            truth.at.push((Location::Plug, None));
        }
        TwoFaults => {
            for _ in 0..2 {
                let (place, location, segment) = draw_place(rng, rig);
                let kind = errors_at(rng, &place, 3.0, 300.0);
                truth.at.push((location, segment));
                rig.faults.push(FaultSpec::always(place, kind));
            }
        }
    }
    truth
}
