//! Draws a rig, a profile and options, and says what is true of the rig.

use std::time::Duration;

use turnback::engine::{CheckOptions, LineOptions};
use turnback_core::{
    base::{placement::Placement, rng::Rng},
    document::run::Report,
    judge::Location,
    kind::ethernet::{
        link::Medium,
        probe::FCS_BYTES,
        sim::{
            Rig,
            rig::{FaultKind, FaultSpec, HostLoss, PlugKind},
        },
    },
    plan::{Profile, ProfileKind, Rate},
    sim::{
        cable::Segment,
        value::{FaultPlace, Ratio, Seconds},
    },
    stats::bits::frame_ratio,
};

/// A rig, how it is checked, and what is true of it.
pub struct Quarry {
    pub rig: Rig,
    pub options: CheckOptions,
    pub truth: Truth,
}

/// What is true of a rig.
#[derive(Debug)]
pub struct Truth {
    /// Everything at fault; empty where nothing is.
    pub at: Vec<Location>,
    /// The fault in words.
    pub about: String,
    /// What becomes of the frames that meet it.
    harm: Harm,
}

/// How much a fault does.
#[derive(Clone, Copy, Debug)]
enum Harm {
    None,
    /// Each bit is hit with this probability.
    Bits(f64),
    /// Each frame is lost, cut or damaged with this probability.
    Frames(f64),
    /// It comes and goes: a pass may have met a pause.
    NowAndThen,
}

impl Truth {
    /// Whether the fault does several times what the limit allows, so that no run of this rig may pass.
    pub fn is_beyond(&self, report: &Report) -> bool {
        let limit = report.limit.bit_error_ratio;
        let longest = report.steps.iter().map(|step| step.size_bytes).max().unwrap_or(64);
        let share = |ratio: f64| frame_ratio(ratio, f64::from(longest) * 8.0).unwrap_or(1.0);
        match self.harm {
            Harm::None | Harm::NowAndThen => false,
            Harm::Bits(ratio) => ratio > BEYOND * limit,
            Harm::Frames(ratio) => ratio > (BEYOND * share(limit)).min(LOSS_NEVER_FINE),
        }
    }
}

/// Draws a rig. `healthy` says whether something may be wrong with it; drawn where it is none.
pub fn draw(seed: u64, healthy: Option<bool>) -> Quarry {
    let mut rng = Rng::new(seed);
    let drawn = rng.chance(0.65);
    let mut rig = Rig { name: "hunt".into(), ..Rig::default() };
    draw_port(&mut rng, &mut rig);
    draw_host(&mut rng, &mut rig);
    let options = draw_options(&mut rng, seed, &rig);
    for _ in 0..rng.below(3) {
        let oddity = harmless(&mut rng, &rig);
        rig.faults.push(oddity);
    }
    let truth = if healthy.unwrap_or(drawn) {
        Truth { at: Vec::new(), about: "healthy".into(), harm: Harm::None }
    } else {
        spoil(&mut rng, &mut rig, &options.profile)
    };
    Quarry { rig, options, truth }
}

fn draw_port(rng: &mut Rng, rig: &mut Rig) {
    let port = &mut rig.port;
    port.speed_max_mbps = pick(rng, &[10, 10, 100, 1000, 1000, 1000, 2500, 10_000]);
    if rng.chance(0.25) {
        port.medium = Medium::Fibre;
        port.autonegotiation = false;
    } else {
        // What the port can hear itself at: everything, what uses two pairs, or 10 Mb/s only.
        port.links_to_itself_at_mbps = pick(rng, &[vec![], vec![], vec![10, 100], vec![10]]);
    }
    port.internal_loop = rng.chance(0.6);
    port.checks_frames = rng.chance(0.8);
    port.delivers_bad_frames = rng.chance(0.5);
    port.receive_ring_frames = pick(rng, &[1, 2, 8, 64, 256, 4096]);
    port.transmit_queue_frames = pick(rng, &[1, 2, 16, 512]);
    port.frame_bytes_max = pick(rng, &[1514, 1514, 9014, 574]);
    port.latency_ns = log_between(rng, 100.0, 1e6) as u32;
    let count = rng.below(4);
    rig.segments =
        (1..=count).map(|n| Segment { label: format!("S-{n}"), length_m: 1 + rng.below(90) as u32 }).collect();
    rig.placement = if rng.chance(0.5) { Placement::FarEnd } else { Placement::AtPort };
}

fn draw_host(rng: &mut Rng, rig: &mut Rig) {
    rig.host.frames_per_second_max = match rng.below(4) {
        0 => log_between(rng, 50.0, 2000.0) as u32,
        1 => log_between(rng, 2000.0, 1e6) as u32,
        _ => 0,
    };
    rig.host.loses_in = if rng.chance(0.5) { HostLoss::Ring } else { HostLoss::Adapter };
}

fn draw_options(rng: &mut Rng, seed: u64, rig: &Rig) -> CheckOptions {
    let mut profile = Profile::named("quick").expect("a built-in profile");
    profile.kind = pick(
        rng,
        &[
            ProfileKind::Steps,
            ProfileKind::Steps,
            ProfileKind::Steps,
            ProfileKind::Soak,
            ProfileKind::Proof,
            ProfileKind::RateSearch,
        ],
    );
    let sizes = [64, 65, 128, 256, 512, 1024, 1280, 1518, 9018];
    let wanted = 1 + rng.below(3);
    profile.sizes_bytes = (0..wanted).map(|_| pick(rng, &sizes)).collect();
    if profile.sizes_bytes.iter().all(|size| *size > rig.port.frame_bytes_max + FCS_BYTES as u32) {
        profile.sizes_bytes.push(64);
    }
    let patterns = ["prbs31", "zeros", "ones", "alternating", "prbs7"];
    profile.patterns = (0..=rng.below(2)).map(|_| pick(rng, &patterns).parse().expect("a pattern")).collect();
    profile.time = Duration::from_secs_f64(log_between(rng, 0.05, 5.0));
    profile.rate = match rng.below(4) {
        0 | 1 => Rate::Full,
        2 => Rate::Share(log_between(rng, 0.01, 1.0)),
        _ => Rate::PerSecond(log_between(rng, 20.0, 50_000.0).round()),
    };
    profile.latency_probes = rng.below(33) as u32;
    profile.listen = Duration::from_millis(rng.below(1000));
    profile.settle = Duration::from_secs_f64(log_between(rng, 0.05, 2.0));
    profile.target_ber = log_between(rng, 1e-9, 1e-2);
    profile.confidence = pick(rng, &[0.9, 0.95, 0.95, 0.99]);
    // A speed at which the port cannot hear itself is no speed to force.
    let links = &rig.port.links_to_itself_at_mbps;
    let hears = |mbps: &u32| *mbps <= rig.port.speed_max_mbps && (links.is_empty() || links.contains(mbps));
    let forced: Vec<u32> = [10, 100].into_iter().filter(hears).collect();
    let forces = rig.port.medium == Medium::Copper && rng.chance(0.15);
    CheckOptions {
        profile,
        placement: None,
        cable: None,
        labels: Default::default(),
        machine: String::new(),
        speed_mbps: forces.then(|| pick(rng, &forced)),
        seed,
        run: format!("hunt-{seed}"),
        started_at: String::new(),
        although_in_service: false,
        confirm: rng.chance(0.9),
        line: LineOptions::default(),
    }
}

/// Something odd that is nobody's fault: delays up to 3 s, steady, spread or for a while, and losses that this
/// computer's own counters show.
fn harmless(rng: &mut Rng, rig: &Rig) -> FaultSpec {
    if rng.chance(0.4) {
        let drop = FaultKind::Drop { ratio: Ratio(log_between(rng, 1e-5, 1.0)) };
        return for_a_while(rng, FaultSpec::always(FaultPlace::Host, drop));
    }
    let (place, _) = place(rng, rig);
    let ns = log_between(rng, 100.0, 3e9) as u32;
    let jitter_ns = if rng.chance(0.5) { log_between(rng, 100.0, 3e8) as u32 } else { 0 };
    for_a_while(rng, FaultSpec::always(place, FaultKind::Delay { ns, jitter_ns }))
}

/// Half of what is drawn is there all the time, the rest once or again and again.
fn for_a_while(rng: &mut Rng, spec: FaultSpec) -> FaultSpec {
    if rng.chance(0.5) {
        return spec;
    }
    let from = rng.fraction() * 3.0;
    let lasts = log_between(rng, 0.02, 3.0);
    let every_s = rng.chance(0.6).then(|| Seconds(lasts + log_between(rng, 0.1, 10.0)));
    FaultSpec { from_s: Seconds(from), until_s: Some(Seconds(from + lasts)), every_s, ..spec }
}

/// A place in the port, the cable or the plug, and what it is called in a verdict.
fn place(rng: &mut Rng, rig: &Rig) -> (FaultPlace, Location) {
    let cable = rig.placement == Placement::FarEnd && !rig.segments.is_empty();
    match rng.below(if cable { 4 } else { 3 }) {
        0 => (FaultPlace::Plug, Location::Plug),
        1 => (FaultPlace::PortLine, Location::Port),
        2 => (FaultPlace::PortHost, Location::Port),
        _ => (FaultPlace::Segment(pick(rng, &rig.segments).label), Location::Cable),
    }
}

/// Puts a fault into the rig.
fn spoil(rng: &mut Rng, rig: &mut Rig, profile: &Profile) -> Truth {
    let (mut place, mut location) = place(rng, rig);
    let crossings = if matches!(place, FaultPlace::Segment(_)) { 2.0 } else { 1.0 };
    let (kind, harm) = match rng.below(9) {
        0 | 1 => {
            let ratio = (profile.target_ber * log_between(rng, 3.0, 1000.0)).min(0.05);
            (FaultKind::BitErrors { ratio: Ratio(ratio) }, Harm::Bits(ratio * crossings))
        }
        2 | 3 => {
            let ratio = log_between(rng, 1e-4, 1.0);
            (FaultKind::Drop { ratio: Ratio(ratio) }, Harm::Frames(ratio))
        }
        4 => {
            let ratio = log_between(rng, 1e-3, 1.0);
            (FaultKind::Truncate { ratio: Ratio(ratio) }, Harm::Frames(ratio))
        }
        5 => (FaultKind::StuckBit { bit: rng.below(8) as u8, level: rng.below(2) as u8 }, Harm::NowAndThen),
        6 => (pick(rng, &[FaultKind::NoTransmit, FaultKind::NoReceive]), Harm::Frames(1.0)),
        7 => {
            if place == FaultPlace::PortHost {
                (place, location) = (FaultPlace::PortLine, Location::Port);
            }
            let every = log_between(rng, 0.3, 5.0);
            let down_s = Seconds(every * (0.05 + 0.4 * rng.fraction()));
            (FaultKind::Flap { every_s: Seconds(every), down_s }, Harm::NowAndThen)
        }
        _ => {
            if rng.chance(0.5) {
                rig.plug.fitted = false;
            } else {
                rig.plug.kind = PlugKind::Open;
            }
            return Truth { at: vec![Location::Plug], about: "no plug".into(), harm: Harm::Frames(1.0) };
        }
    };
    let about = format!("{kind:?}");
    let fault = for_a_while(rng, FaultSpec::always(place, kind));
    let harm = if fault.until_s.is_some() { Harm::NowAndThen } else { harm };
    rig.faults.push(fault);
    Truth { at: vec![location], about, harm }
}

fn pick<T: Clone>(rng: &mut Rng, from: &[T]) -> T {
    from[rng.below(from.len() as u64) as usize].clone()
}

/// Evenly on a logarithmic scale.
fn log_between(rng: &mut Rng, low: f64, high: f64) -> f64 {
    (low.ln() + rng.fraction() * (high / low).ln()).exp()
}

/// At so many times the limit a pass at 90 % has a chance of a thousandth.
const BEYOND: f64 = 3.0;
/// Whoever asks for a lax limit of wrong bits does not ask for every tenth frame to be lost.
const LOSS_NEVER_FINE: f64 = 0.1;
