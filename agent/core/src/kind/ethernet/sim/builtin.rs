//! The rigs that come with the program: one for each answer that a check can give.

use super::rig::{FaultKind, FaultSpec, HostLoss, PlugKind, Rig, RigPort};
use crate::base::placement::Placement;
use crate::kind::ethernet::link::Medium;
use crate::sim::cable::segments;
use crate::sim::value::{FaultPlace, Ratio, Seconds};

/// Name of every built-in rig and what it shows.
pub const BUILTIN: [(&str, &str); 19] = [
    ("good", "signal office, spare port with a plug: nothing wrong"),
    ("bad-port", "lock-gate controller: the port's own electronics damage bits, its internal loop too"),
    ("bad-plug", "signal office: a worn plug damages bits"),
    ("bad-cable", "quay cabinet 3: the middle one of three cable segments damages bits"),
    ("no-plug", "quay cabinet 1: nothing is fitted"),
    ("dead-port", "lock-gate controller: the adapter takes frames and never sends them"),
    ("live-network", "signal office: the port is connected to a network in service"),
    ("slow-host", "quay cabinet 2: the machine cannot take in frames at line rate; port and line are good"),
    ("flapping", "quay cabinet 4: a loose connector takes the link down every few seconds"),
    ("memory-fault", "lock-gate controller: payload damaged in the machine, though every frame check was right"),
    ("gigabit-plug", "signal office: gigabit copper that cannot link to itself, but can at 100 Mb/s"),
    ("fibre-good", "quay cabinet 5: fibre with its two strands joined at the far end: nothing wrong"),
    ("bursty-cable", "quay cabinet 6: a chafed cable damages bits in bursts"),
    ("loose-tail", "quay cabinet 4: the last of three segments damages bits whenever it is moved"),
    ("comes-and-goes", "quay cabinet 7: the plug's contacts fail for a moment every few seconds"),
    ("dirty-contact", "signal office: the plug damages bits until it has been seated again"),
    ("open-pair", "quay cabinet 2: the middle segment lacks a pair that only 1000 Mb/s uses"),
    ("noisy-pair", "quay cabinet 6: a pair of the middle segment that only 1000 Mb/s uses damages bits"),
    ("intermittent", "lock-gate controller: the plug damages bits for one second of every four"),
];

/// The built-in rig of this name.
pub fn builtin(name: &str) -> Option<Rig> {
    let (name, about) = BUILTIN.into_iter().find(|(known, _)| *known == name)?;
    let mut rig = Rig { name: name.to_owned(), about: about.to_owned(), ..Rig::default() };
    match name {
        "bad-port" => rig.faults = vec![FaultSpec::always(FaultPlace::PortHost, bit_errors(1e-6))],
        "bad-plug" => rig.faults = vec![FaultSpec::always(FaultPlace::Plug, bit_errors(1e-6))],
        "bad-cable" => {
            rig.placement = Placement::FarEnd;
            rig.segments = segments(&[("office-riser", 12), ("quay-duct", 55), ("cabinet-3-tail", 6)]);
            rig.faults = vec![FaultSpec::always(FaultPlace::Segment("quay-duct".to_owned()), bit_errors(1e-6))];
        }
        "no-plug" => rig.plug.fitted = false,
        "dead-port" => rig.faults = vec![FaultSpec::always(FaultPlace::PortHost, FaultKind::NoTransmit)],
        "live-network" => rig.plug.kind = PlugKind::Network,
        "slow-host" => {
            rig.host.frames_per_second_max = 60_000;
            rig.host.loses_in = HostLoss::Ring;
            rig.port.receive_ring_frames = 256;
        }
        "flapping" => {
            let kind = FaultKind::Flap { every_s: Seconds(1.5), down_s: Seconds(0.3) };
            rig.faults = vec![FaultSpec::always(FaultPlace::PortLine, kind)];
        }
        "memory-fault" => {
            rig.faults = vec![FaultSpec::always(FaultPlace::Host, FaultKind::Memory { ratio: Ratio(1e-3) })]
        }
        "gigabit-plug" => rig.port.links_to_itself_at_mbps = vec![10, 100],
        "fibre-good" => {
            rig.placement = Placement::FarEnd;
            rig.port = RigPort { medium: Medium::Fibre, autonegotiation: false, latency_ns: 400, ..RigPort::default() };
            rig.segments = segments(&[("quay-trunk", 820), ("cabinet-5-patch", 3)]);
        }
        "bursty-cable" => {
            rig.placement = Placement::FarEnd;
            rig.segments = segments(&[("office-riser", 12), ("crane-rail", 70)]);
            let kind = FaultKind::Bursts {
                good_ratio: Ratio(0.0),
                bad_ratio: Ratio(1e-4),
                mean_good_s: Seconds(0.4),
                mean_bad_s: Seconds(0.01),
            };
            rig.faults = vec![FaultSpec::always(FaultPlace::Segment("crane-rail".to_owned()), kind)];
        }
        "loose-tail" => {
            rig.placement = Placement::FarEnd;
            rig.segments = segments(&[("office-riser", 12), ("quay-duct", 55), ("cabinet-4-tail", 6)]);
            let tail = FaultSpec::always(FaultPlace::Segment("cabinet-4-tail".to_owned()), bit_errors(1e-5));
            let (until_s, every_s) = (Some(Seconds(0.4)), Some(Seconds(2.3)));
            rig.faults = vec![FaultSpec { until_s, every_s, when_moved: true, ..tail }];
        }
        "comes-and-goes" => {
            let contact = FaultSpec::always(FaultPlace::Plug, bit_errors(1e-5));
            rig.faults = vec![FaultSpec { until_s: Some(Seconds(0.3)), every_s: Some(Seconds(3.7)), ..contact }];
        }
        "dirty-contact" => {
            rig.faults =
                vec![FaultSpec { cured_by_seatings: Some(2), ..FaultSpec::always(FaultPlace::Plug, bit_errors(1e-6)) }];
        }
        "open-pair" => {
            rig.placement = Placement::FarEnd;
            rig.segments = segments(&[("office-riser", 12), ("crane-trench", 48), ("cabinet-2-tail", 5)]);
            rig.port.cable_test = true;
            let pair = FaultKind::PairOpen { pair: 4 };
            rig.faults = vec![FaultSpec::always(FaultPlace::Segment("crane-trench".to_owned()), pair)];
        }
        "noisy-pair" => {
            rig.placement = Placement::FarEnd;
            rig.port.cable_test = true;
            rig.segments = segments(&[("office-riser", 12), ("crane-rail", 70), ("cabinet-6-tail", 4)]);
            let rail = FaultSpec::always(FaultPlace::Segment("crane-rail".to_owned()), bit_errors(1e-6));
            rig.faults = vec![FaultSpec { pair: Some(1), ..rail }];
        }
        "intermittent" => {
            let (from_s, until_s, every_s) = (Seconds(2.0), Some(Seconds(3.0)), Some(Seconds(4.0)));
            let during = FaultSpec::always(FaultPlace::Plug, bit_errors(1e-5));
            rig.faults = vec![FaultSpec { from_s, until_s, every_s, ..during }];
        }
        _ => {}
    }
    Some(rig)
}

fn bit_errors(ratio: f64) -> FaultKind {
    FaultKind::BitErrors { ratio: Ratio(ratio) }
}
