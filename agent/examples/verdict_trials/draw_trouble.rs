//! Draws troubles that lead a search astray: interference that has no place, faults that are not there in every run,
//! faults that last a moment, active devices.

use turnback_core::{
    base::rng::Rng,
    judge::Location,
    kind::{
        ethernet::sim::{
            Rig,
            rig::{FaultKind, FaultSpec},
        },
        rig::AnyRig,
    },
    sim::{cable::Segment, value::FaultPlace},
};

use crate::draw::{Class, LIMIT, Trial, Truth, log_between, ratio, seconds};

/// A trial, and how the same rig is in the runs that its trouble hits.
pub struct Trouble {
    pub trial: Trial,
    /// Share of all runs that are hit, and the rig in those runs.
    pub hit: Option<(f64, AnyRig)>,
}

/// Draws a trouble.
pub fn draw(rng: &mut Rng) -> Trouble {
    use Class::*;
    let mut rig = Rig { name: "trial".into(), ..Rig::default() };
    let count = [0, 1, 3, 3, 4, 6][rng.below(6) as usize];
    rig.segments = (1..=count).map(|n| Segment { label: format!("S-{n}"), length_m: 10 }).collect();
    rig.port.internal_loop = rng.chance(0.5);
    rig.port.checks_frames = rng.chance(0.5);
    let classes = [Interference, InterferenceSpells, Outages, Blinks, NotInEveryRun, ActiveFarEnd];
    let class = classes[rng.below(6) as usize];
    let mut truth = Truth { class, at: Vec::new(), above_limit: false };
    let mut hit = None;
    match class {
        Interference => {
            let kind = loss_or_errors(rng);
            hit = Some((0.2 + 0.3 * rng.fraction(), everywhere(&rig, &kind)));
        }
        InterferenceSpells => {
            let kind = FaultKind::Bursts {
                good_ratio: ratio(0.0),
                bad_ratio: ratio(log_between(rng, 10.0, 300.0) * LIMIT),
                mean_good_s: seconds(log_between(rng, 40.0, 300.0)),
                mean_bad_s: seconds(log_between(rng, 20.0, 100.0)),
            };
            rig.faults =
                [FaultPlace::Plug, FaultPlace::OtherPlug].map(|place| FaultSpec::always(place, kind.clone())).into();
        }
        // By the clock, wherever a plug is: a passage that something else on this computer shuts.
        Outages => {
            let every_s = log_between(rng, 25.0, 250.0);
            let from_s = rng.fraction() * every_s;
            let until_s = from_s + (0.25 + 0.4 * rng.fraction()) * every_s;
            rig.faults = [FaultPlace::Plug, FaultPlace::OtherPlug]
                .map(|place| FaultSpec {
                    from_s: seconds(from_s),
                    until_s: Some(seconds(until_s)),
                    every_s: Some(seconds(every_s)),
                    ..FaultSpec::always(place, FaultKind::Drop { ratio: ratio(1.0) })
                })
                .into();
        }
        Blinks => {
            let (place, location) = draw_place(rng, &rig);
            truth.at.push(location);
            let kind = FaultKind::Drop { ratio: ratio(0.5 + 0.5 * rng.fraction()) };
            let (until_s, every_s) = (Some(seconds(0.05)), Some(seconds(2.0)));
            rig.faults.push(FaultSpec { until_s, every_s, ..FaultSpec::always(place, kind) });
        }
        NotInEveryRun => {
            let (place, location) = draw_place(rng, &rig);
            truth.at.push(location);
            let kind = loss_or_errors(rng);
            let mut bad = rig.clone();
            bad.faults.push(FaultSpec::always(place, kind));
            hit = Some((0.3 + 0.4 * rng.fraction(), AnyRig::Frames(Box::new(bad))));
        }
        _ => {
            // What hangs at the far end returns frames late, twice or out of order. With the plug nearer it is gone.
            let Some(last) = rig.segments.last() else { return draw(rng) };
            let place = FaultPlace::Segment(last.label.clone());
            let kinds = [
                FaultKind::Duplicate { ratio: ratio(log_between(rng, 0.001, 0.3)) },
                FaultKind::Swap { ratio: ratio(log_between(rng, 0.001, 0.3)) },
                FaultKind::Delay { ns: 300_000_000 + rng.below(700_000_000) as u32, jitter_ns: 0 },
            ];
            rig.faults.push(FaultSpec::always(place.clone(), kinds[rng.below(3) as usize].clone()));
            if rng.chance(0.5) {
                rig.faults
                    .push(FaultSpec::always(place, FaultKind::Drop { ratio: ratio(log_between(rng, 0.001, 0.1)) }));
            }
        }
    }
    Trouble { trial: Trial { rig: AnyRig::Frames(Box::new(rig)), truth }, hit }
}

fn loss_or_errors(rng: &mut Rng) -> FaultKind {
    if rng.chance(0.5) {
        FaultKind::Drop { ratio: ratio(0.05 + 0.25 * rng.fraction()) }
    } else {
        FaultKind::BitErrors { ratio: ratio(log_between(rng, 10.0, 300.0) * LIMIT) }
    }
}

/// The rig with a trouble wherever a plug is.
fn everywhere(rig: &Rig, kind: &FaultKind) -> AnyRig {
    let faults = [FaultPlace::Plug, FaultPlace::OtherPlug].map(|place| FaultSpec::always(place, kind.clone()));
    AnyRig::Frames(Box::new(Rig { faults: faults.into(), ..rig.clone() }))
}

fn draw_place(rng: &mut Rng, rig: &Rig) -> (FaultPlace, (Location, Option<String>)) {
    match rng.below(if rig.segments.is_empty() { 2 } else { 3 }) {
        0 => (FaultPlace::Plug, (Location::Plug, None)),
        1 => (FaultPlace::PortLine, (Location::Port, None)),
        _ => {
            let label = rig.segments[rng.below(rig.segments.len() as u64) as usize].label.clone();
            (FaultPlace::Segment(label.clone()), (Location::Cable, Some(label)))
        }
    }
}
