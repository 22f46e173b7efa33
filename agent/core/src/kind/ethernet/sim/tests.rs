//! Balance, chance and time of simulated worlds.

use super::rig::{FaultKind, FaultSpec, HostLoss, PlugKind, Rig};
use super::*;
use crate::base::time::{NANO_PS, Nanos, SECOND_NS};
use crate::sim::cable::Segment;
use crate::sim::value::{FaultPlace, Seconds};
use crate::{
    base::placement::Placement,
    kind::ethernet::link::{Medium, PortSetting},
};

/// One frame that came back: bytes, arrival, check.
type Echo = (Vec<u8>, Nanos, Option<bool>);

fn rig(toml: &str) -> Rig {
    Rig::parse(toml).unwrap()
}

fn with_fault(place: &str, kind: &str) -> Rig {
    rig(&format!("[[segments]]\nlabel = \"duct\"\nlength_m = 40\n[[faults]]\nplace = \"{place}\"\nkind = {kind}\n"))
}

fn frame(sequence: u64, length: usize) -> Vec<u8> {
    let mut bytes = vec![0x5A; length];
    bytes[..14].copy_from_slice(&[2, 0x51, 0x0a, 0x79, 0, 1, 2, 0x51, 0x0a, 0x79, 0, 0x81, 0x88, 0xB5]);
    bytes[20..28].copy_from_slice(&sequence.to_be_bytes());
    bytes
}

fn number(bytes: &[u8]) -> u64 {
    u64::from_be_bytes(bytes[20..28].try_into().unwrap())
}

fn collect(world: &mut World, into: &mut Vec<Echo>) {
    world.receive(&mut |d| into.push((d.bytes.to_vec(), d.at, d.fcs_right)));
}

/// Sends `count` frames as fast as the port takes them and waits for what comes back.
fn run(world: &mut World, count: u64, length: usize) -> Vec<Echo> {
    let mut echoes = Vec::new();
    for sequence in 0..count {
        let bytes = frame(sequence, length);
        loop {
            match world.send(&bytes[..14], &bytes[14..]) {
                Accept::Taken => break,
                Accept::Full => world.advance_to(world.next_free_at()),
                Accept::LinkDown => world.advance_to(world.now() + 1_000_000),
            }
            collect(world, &mut echoes);
        }
    }
    // Foreign frames never end, so the wait does: nothing of ours is late by more than this.
    world.advance_to(world.now() + 100_000_000);
    collect(world, &mut echoes);
    echoes
}

/// Within four standard deviations of a binomial count (normal approximation).
fn near(found: u64, trials: u64, ratio: f64) -> bool {
    let mean = trials as f64 * ratio;
    (found as f64 - mean).abs() <= 4.0 * (mean * (1.0 - ratio)).sqrt() + 1.0
}

#[test]
fn every_frame_is_accounted_for_on_every_rig() {
    let mut rigs: Vec<Rig> = BUILTIN.iter().map(|(name, _)| builtin(name).unwrap()).collect();
    for kind in ["drop", "duplicate", "swap", "truncate", "bit-errors"] {
        for place in ["port-host", "port-line", "segment:duct", "plug", "host"] {
            let mut rig = with_fault(place, &format!("{{ {kind} = {{ ratio = 3e-3 }} }}"));
            rig.placement = Placement::FarEnd;
            rigs.push(rig);
        }
    }
    for (rig, loses_in) in rigs.iter().flat_map(|rig| [(rig, HostLoss::Ring), (rig, HostLoss::Adapter)]) {
        let mut rig = rig.clone();
        rig.host.loses_in = loses_in;
        let mut world = World::new(&rig, 7);
        if !world.link().up {
            assert_eq!(world.send(&frame(0, 60), &[]), Accept::LinkDown, "{}", rig.name);
            continue;
        }
        let sent = 20_000;
        let echoes = run(&mut world, sent, 200);
        let own = echoes.iter().filter(|(bytes, ..)| bytes[12..14] != [8, 0]).count() as u64;
        let link = world.counters().link;
        let faults = world.fault_counts();
        let lost: u64 = faults.iter().map(|fault| fault.lost).sum();
        let counted = link.rx_crc_errors + link.rx_length_errors + link.rx_missed_errors + world.ring_drops();
        let dropped = counted + link.tx_carrier_errors + link.tx_dropped + world.absorbed();
        let twice: u64 = faults.iter().filter(|fault| fault.kind == "duplicate").map(|fault| fault.frames).sum();
        assert_eq!(sent + twice, own + dropped + lost, "{} {faults:?} {link:?}", rig.name);
        assert_eq!(link.rx_packets, echoes.len() as u64 + world.ring_drops(), "{}", rig.name);
    }
}

#[test]
fn the_same_seed_gives_the_same_world_and_another_does_not() {
    let rig = with_fault("plug", "{ bit-errors = { ratio = 1e-5 } }");
    let end = |seed| {
        let mut world = World::new(&rig, seed);
        (run(&mut world, 3000, 300), world.counters(), world.fault_counts())
    };
    assert_eq!(end(5), end(5));
    assert_ne!(end(5), end(6));
}

#[test]
fn a_good_rig_returns_everything_in_order_at_line_rate() {
    let mut world = World::new(&builtin("good").unwrap(), 1);
    let echoes = run(&mut world, 5000, 1514);
    assert!(echoes.iter().map(|(bytes, ..)| number(bytes)).eq(0..5000));
    // 1 518 octets with FCS and 20 octets around them take 12 304 ns at 1 Gb/s (RFC 6349 4.1.1: 81 274 frames/s).
    assert!(echoes.windows(2).all(|pair| pair[1].1 - pair[0].1 == 12_304));
    assert_eq!(echoes[0].1, 12_304 + 700);
}

#[test]
fn length_adds_to_latency_once_each_way() {
    let mut rig = rig("[[segments]]\nlabel = \"a\"\nlength_m = 60\n[[segments]]\nlabel = \"b\"\nlength_m = 40\n");
    let mut first_at = |placement| {
        rig.placement = placement;
        run(&mut World::new(&rig, 1), 1, 60)[0].1
    };
    // 100 m out and 100 m back at 5 ns/m (common practice, no source).
    assert_eq!(first_at(Placement::FarEnd) - first_at(Placement::AtPort), 1000);
}

#[test]
fn injected_ratios_show() {
    let frames = 100_000;
    for seed in 0..4 {
        let ratio = 2e-3;
        for kind in ["drop", "duplicate", "truncate", "swap"] {
            let rig = with_fault("plug", &format!("{{ {kind} = {{ ratio = {ratio} }} }}"));
            let mut world = World::new(&rig, seed);
            let echoes = run(&mut world, frames, 60);
            let link = world.counters().link;
            let found = match kind {
                "drop" => frames - echoes.len() as u64,
                "duplicate" => echoes.len() as u64 - frames,
                "truncate" => link.rx_length_errors,
                _ => echoes.windows(2).filter(|pair| number(&pair[1].0) < number(&pair[0].0)).count() as u64,
            };
            assert!(near(found, frames, ratio), "{kind} seed {seed}: {found}");
        }
        // A cable is passed twice: each bit is at risk out and back.
        for (place, passes) in [("plug", 1), ("segment:duct", 2), ("port-host", 1)] {
            let mut rig = with_fault(place, "{ bit-errors = { ratio = 1e-5 } }");
            rig.placement = Placement::FarEnd;
            let mut world = World::new(&rig, seed);
            assert!(world.apply(PortSetting::DeliverBadFrames(true)));
            let echoes = run(&mut world, 20_000, 500);
            // The sequence itself may be damaged: leave its octets out, any probe then shows what the others were.
            let sent = frame(0, 500);
            let inverted = |bytes: &[u8]| {
                let octets = bytes.iter().zip(&sent).enumerate().filter(|(offset, _)| !(20..28).contains(offset));
                octets.map(|(_, (got, sent))| u64::from((got ^ sent).count_ones())).sum::<u64>()
            };
            let bits: u64 = echoes.iter().map(|(bytes, ..)| inverted(bytes)).sum();
            let trials = 20_000 * (500 - 8) * 8 * passes;
            assert!(near(bits, trials, 1e-5), "{place} seed {seed}: {bits}");
            let bad = echoes.iter().filter(|(_, _, right)| *right == Some(false)).count() as u64;
            assert_eq!(bad, world.counters().link.rx_crc_errors);
            assert!(near(world.fault_counts()[0].bits, 20_000 * 504 * 8 * passes, 1e-5));
        }
    }
}

#[test]
fn bursts_spend_the_stated_share_of_time_in_the_bad_state() {
    let kind = "{ bursts = { good_ratio = 0.0, bad_ratio = 1.0, mean_good_s = 0.009, mean_bad_s = 0.001 } }";
    let mut world = World::new(&with_fault("plug", kind), 3);
    let frames = 400_000;
    run(&mut world, frames, 1000);
    // Share of the bad state in a two-state process: mean bad stay over the sum of both (renewal theory). Some 340
    // stays of each kind: a relative standard deviation of about sqrt(2/340) = 8 %.
    let share = world.fault_counts()[0].frames as f64 / frames as f64;
    assert!((share - 0.1).abs() < 4.0 * 0.008, "{share}");
}

#[test]
fn damage_behind_the_check_is_delivered_as_right() {
    for kind in ["{ memory = { ratio = 0.01 } }", "{ bit-errors = { ratio = 1e-5 } }"] {
        let mut world = World::new(&with_fault("host", kind), 2);
        assert!(world.apply(PortSetting::DeliverBadFrames(true)));
        let echoes = run(&mut world, 5000, 400);
        assert_eq!(echoes.len(), 5000);
        assert!(echoes.iter().all(|(_, _, right)| *right == Some(true)));
        let damaged = echoes.iter().enumerate().filter(|(i, (bytes, ..))| *bytes != frame(*i as u64, 400)).count();
        assert!(damaged > 0 && world.counters().link.rx_crc_errors == 0);
    }
}

#[test]
fn a_stuck_bit_fails_the_check_or_reaches_a_port_without_one() {
    let mut rig = with_fault("plug", "{ stuck-bit = { bit = 0, level = 1 } }");
    let mut world = World::new(&rig, 1);
    assert_eq!(run(&mut world, 10, 100).len(), 0);
    assert_eq!(world.counters().link.rx_crc_errors, 10);
    rig.port.checks_frames = false;
    let echoes = run(&mut World::new(&rig, 1), 10, 100);
    assert_eq!(echoes.len(), 10);
    assert!(echoes.iter().all(|(bytes, _, right)| right.is_none() && bytes.iter().all(|byte| byte & 1 == 1)));
}

#[test]
fn placement_decides_which_faults_are_met() {
    let met = |place: &str, placement| {
        let mut rig = with_fault(place, "{ drop = { ratio = 1.0 } }");
        rig.placement = placement;
        run(&mut World::new(&rig, 1), 10, 100).is_empty()
    };
    use Placement::{AtPort, FarEnd, Internal};
    let table = [("port-host", 3), ("port-line", 2), ("plug", 2), ("segment:duct", 1), ("host", 3)];
    for (place, outermost) in table {
        let found = [FarEnd, AtPort, Internal].map(|placement| met(place, placement));
        assert_eq!(found.iter().filter(|met| **met).count(), outermost, "{place}");
        assert!(found[0], "{place}: the far end meets everything");
    }
}

#[test]
fn gigabit_copper_cannot_hear_itself_but_can_when_forced_lower() {
    let mut world = World::new(&builtin("gigabit-plug").unwrap(), 1);
    assert!(!world.link().up && world.link().master_slave_fault);
    assert!(world.apply(PortSetting::ForcedSpeed(100)));
    let link = world.link();
    assert!(link.up && !link.master_slave_fault && link.speed_mbps == Some(100) && link.autonegotiation == Some(false));
    // 84 octets on the line at 100 Mb/s.
    assert_eq!(run(&mut world, 1, 60)[0].1, 6720 + 700);
    world.negotiate_speed();
    assert!(!world.link().up);
    assert!(!world.apply(PortSetting::ForcedSpeed(10_000)), "faster than the port");
    assert!(world.place(Placement::Internal) && world.link().up);
    assert!(!world.place(Placement::ReturnPort));
}

#[test]
fn link_follows_plug_and_medium() {
    let up = |toml: &str| World::new(&rig(toml), 1).link().up;
    assert!(up("") && up("plug = { kind = \"network\" }") && up("port = { medium = \"fibre\" }"));
    assert!(!up("plug = { fitted = false }") && !up("plug = { kind = \"open\" }"));
    assert!(!up("port = { medium = \"fibre\" }\nplug = { kind = \"open\" }"));
    let dead = |place, kind| World::new(&with_fault(place, kind), 1).link().up;
    assert!(dead("port-host", "\"no-transmit\"") && !dead("plug", "\"no-receive\""));
    let mut dead = World::new(&builtin("dead-port").unwrap(), 1);
    assert!(run(&mut dead, 5, 60).is_empty() && dead.counters().link.tx_packets == 0);
    assert!(dead.apply(PortSetting::InternalLoop(true)) && run(&mut dead, 5, 60).is_empty());
}

#[test]
fn a_flapping_link_is_down_when_it_says_and_counts_its_changes() {
    let mut world = World::new(&with_fault("plug", "{ flap = { every_s = 2.0, down_s = 0.5 } }"), 1);
    for quarter in 0..40u64 {
        world.advance_to(quarter * SECOND_NS / 4);
        assert_eq!(world.link().up, quarter % 8 < 6, "quarter {quarter}");
    }
    world.advance_to(10 * SECOND_NS);
    let carrier = world.counters().carrier.unwrap();
    assert_eq!((carrier.changes, carrier.down, carrier.up), (10, 5, 5));
    let edge = 11 * SECOND_NS + SECOND_NS / 2;
    world.advance_to(edge - 1000);
    assert_eq!(world.send(&frame(0, 1514), &[]), Accept::Taken);
    assert_eq!(world.counters().link.tx_carrier_errors, 1);
    world.advance_to(edge);
    assert_eq!(world.send(&frame(0, 60), &[]), Accept::LinkDown);
}

#[test]
fn a_network_sends_its_own_frames_and_keeps_ours() {
    let rig = builtin("live-network").unwrap();
    assert_eq!(rig.plug.kind, PlugKind::Network);
    let mut world = World::new(&rig, 4);
    let sent = frame(0, 100);
    world.send(&sent, &[]);
    world.advance_to(100 * SECOND_NS);
    let mut echoes = Vec::new();
    collect(&mut world, &mut echoes);
    // Poisson arrivals: the count in 100 s has its own mean as variance (any probability handbook).
    let mean = 100.0 * f64::from(rig.network.frames_per_second);
    assert!((echoes.len() as f64 - mean).abs() < 4.0 * mean.sqrt(), "{}", echoes.len());
    assert!(echoes.iter().all(|(bytes, ..)| bytes[..6] == [0xFF; 6] && bytes[6..12] != world.address()));
    assert_eq!(world.absorbed(), 1);
}

#[test]
fn a_slow_host_loses_only_what_its_ring_cannot_hold() {
    let rig = builtin("slow-host").unwrap();
    let mut world = World::new(&rig, 1);
    let echoes = run(&mut world, 100_000, 60);
    assert_eq!(world.ring_drops() + echoes.len() as u64, 100_000);
    // 100 000 frames take 100 000 * 672 ns; meanwhile the host takes its rate, and at the end a ring full.
    let taken = (100_000 * 672 / (SECOND_NS / 60_000)) + u64::from(rig.port.receive_ring_frames);
    assert!((echoes.len() as u64).abs_diff(taken) <= 2, "{} {taken}", echoes.len());
    let mut gentle = World::new(&rig, 1);
    for n in 0..1000 {
        gentle.advance_to(n * (SECOND_NS / 50_000));
        assert_eq!(gentle.send(&frame(n, 60), &[]), Accept::Taken);
    }
    gentle.advance_to(SECOND_NS);
    let mut echoes = Vec::new();
    collect(&mut gentle, &mut echoes);
    assert_eq!((echoes.len(), gentle.ring_drops()), (1000, 0));
}

#[test]
fn the_transmit_queue_is_as_long_as_the_rig_says() {
    let mut world = World::new(&rig("port = { transmit_queue_frames = 3 }"), 1);
    let bytes = frame(0, 60);
    let accepted = [(); 4].map(|()| world.send(&bytes, &[]));
    assert_eq!(accepted, [Accept::Taken, Accept::Taken, Accept::Taken, Accept::Full]);
    assert_eq!(world.next_free_at(), 672);
    world.advance_to(672);
    assert_eq!(world.send(&bytes, &[]), Accept::Taken);
    assert_eq!(world.next_delivery_at(), Some(672 + 700));
}

/// Sends frames spaced `gap_ns` at their exact times, by spans where `spans` is set. A span may begin only when nothing
/// is in flight, so `gap_ns` is longer than the latency.
fn paced(rig: &Rig, seed: u64, count: u64, gap_ns: u64, spans: bool) -> (World, u64) {
    let mut world = World::new(rig, seed);
    let (mut sent, mut calls) = (0, 0);
    let mut ignore = |_: Delivery<'_>| {};
    while sent < count {
        world.receive(&mut ignore);
        calls += 1;
        if spans && let Some(span) = world.span(300, gap_ns * NANO_PS, count - sent) {
            world.carry(&span, 300);
            sent += span.count;
            continue;
        }
        world.send(&frame(sent, 300), &[]);
        sent += 1;
        world.advance_to(world.now() + gap_ns);
    }
    world.receive(&mut ignore);
    (world, calls)
}

#[test]
fn spans_and_single_frames_give_the_same_world() {
    let kinds = [
        "{ bit-errors = { ratio = 1e-6 } }",
        "{ drop = { ratio = 1e-3 } }",
        "{ truncate = { ratio = 1e-3 } }",
        "{ duplicate = { ratio = 1e-3 } }",
        "{ bursts = { good_ratio = 1e-8, bad_ratio = 1e-4, mean_good_s = 0.05, mean_bad_s = 0.01 } }",
        "{ flap = { every_s = 0.1, down_s = 0.01 } }",
        "{ delay = { ns = 900 } }",
        "{ drop = { ratio = 1.0 } }",
    ];
    let seconds = |s: f64| crate::sim::value::Seconds::try_from(s).unwrap();
    for kind in kinds {
        for window in [(0.0, None), (0.02, Some(0.15))] {
            for place in ["segment:duct", "plug"] {
                let mut rig = with_fault(place, kind);
                rig.faults[0] =
                    FaultSpec { from_s: seconds(window.0), until_s: window.1.map(seconds), ..rig.faults[0].clone() };
                rig.placement = Placement::FarEnd;
                for seed in 0..5 {
                    let (single, single_calls) = paced(&rig, seed, 40_000, 8000, false);
                    let (spanned, calls) = paced(&rig, seed, 40_000, 8000, true);
                    assert_eq!(single.counters(), spanned.counters(), "{kind} {place} {window:?} {seed}");
                    assert_eq!(single.fault_counts(), spanned.fault_counts(), "{kind} {place} {window:?} {seed}");
                    assert_eq!(single.now(), spanned.now());
                    assert!(calls < single_calls, "{kind}: {calls}");
                }
            }
        }
    }
}

#[test]
fn an_hour_on_a_good_rig_is_one_span() {
    let mut world = World::new(&builtin("good").unwrap(), 1);
    let span = world.span(60, 0, u64::MAX).unwrap();
    assert_eq!((span.pace.every_ps, span.latency_ns), (672_000, Some(672 + 700)));
    let hour = Span { count: 3600 * SECOND_NS / 672, ..span };
    world.carry(&hour, 60);
    assert_eq!(world.counters().link.rx_packets, hour.count);
    assert!(world.now().abs_diff(3600 * SECOND_NS) < 672);
}

#[test]
fn rare_errors_cost_about_a_span_each() {
    let rig = with_fault("plug", "{ bit-errors = { ratio = 1e-10 } }");
    let (mut world, mut calls) = (World::new(&rig, 9), 0);
    while world.now() < 600 * SECOND_NS {
        calls += 1;
        world.receive(&mut |_| {});
        match world.span(1514, 0, (600 * SECOND_NS - world.now()).div_ceil(12_304)) {
            Some(span) => world.carry(&span, 1514),
            None => match world.next_delivery_at() {
                Some(at) => world.advance_to(at),
                None => assert_eq!(world.send(&frame(0, 1514), &[]), Accept::Taken),
            },
        }
    }
    let errors = world.fault_counts()[0].bits;
    assert!(near(errors, world.counters().link.tx_packets * 1518 * 8, 1e-10), "{errors}");
    assert!(calls <= 3 * errors + 3, "{calls} calls for {errors} errors");
}

#[test]
fn no_span_where_the_next_frame_might_not_come_back() {
    let none = |rig: &Rig| World::new(rig, 1).span(300, 0, 10).is_none();
    for name in ["no-plug", "dead-port", "live-network", "slow-host", "gigabit-plug"] {
        assert!(none(&builtin(name).unwrap()), "{name}");
    }
    // Where all vanish, all fare alike, and none comes back.
    let deaf = World::new(&with_fault("port-host", "\"no-receive\""), 1).span(300, 0, 10).unwrap();
    assert_eq!((deaf.count, deaf.latency_ns), (10, None));
    for kind in ["{ stuck-bit = { bit = 1, level = 0 } }", "{ delay = { ns = 1, jitter_ns = 5 } }"] {
        assert!(none(&with_fault("port-host", kind)), "{kind}");
    }
    // Not while the line carries a frame, nor while one is under way that would come in after those of the span.
    let mut busy = World::new(&builtin("good").unwrap(), 1);
    busy.send(&frame(0, 60), &[]);
    assert!(busy.span(300, 0, 10).is_none());
    busy.advance_to(672);
    assert!(busy.span(300, 0, 10).is_some());
    let mut rig = with_fault("plug", "{ delay = { ns = 5000 } }");
    rig.faults[0].until_s = Some(Seconds(1e-6));
    let mut late = World::new(&rig, 1);
    late.send(&frame(0, 60), &[]);
    late.advance_to(1_000);
    assert!(late.span(60, 0, 10).is_none());
    late.advance_to(5_000);
    assert!(late.span(60, 0, 10).is_some());
}

/// Each way through a cable holds frames for itself: those of a burst come back as close together as they left.
#[test]
fn frames_held_on_both_ways_do_not_wait_for_each_other() {
    let echoes = run(&mut World::new(&with_fault("segment:duct", "{ delay = { ns = 5000000 } }"), 1), 9, 60);
    let at: Vec<u64> = echoes.iter().map(|(_, at, _)| *at).collect();
    assert_eq!(at.len(), 9);
    assert!(at[8] - at[0] < 100_000, "{at:?}");
}

#[test]
fn builtin_rigs_survive_being_written_and_read() {
    for (name, about) in BUILTIN {
        let rig = builtin(name).unwrap();
        assert_eq!((rig.name.as_str(), rig.about.as_str()), (name, about));
        assert_eq!(Rig::parse(&rig.to_toml()).unwrap(), rig, "{}", rig.to_toml());
    }
    assert!(builtin("nowhere").is_none());
    assert_eq!(builtin("fibre-good").unwrap().port.medium, Medium::Fibre);
}

#[test]
fn every_kind_of_fault_survives_too() {
    let kinds = [
        "{ swap = { ratio = 0.5 } }",
        "\"no-transmit\"",
        "{ delay = { ns = 5 } }",
        "{ stuck-bit = { bit = 7, level = 0 } }",
    ];
    for kind in kinds {
        let rig = with_fault("segment:duct", kind);
        assert_eq!(Rig::parse(&rig.to_toml()).unwrap(), rig);
    }
    let rig = with_fault("plug", "{ delay = { ns = 5 } }");
    assert_eq!(rig.faults[0].kind, FaultKind::Delay { ns: 5, jitter_ns: 0 });
    assert_eq!(rig.faults[0].place, FaultPlace::Plug);
    assert_eq!(rig.segments, [Segment { label: "duct".to_owned(), length_m: 40 }]);
}

#[test]
fn a_bad_rig_is_refused_with_line_and_what_is_allowed() {
    let cases = [
        ("name = \"a\"\nfoo = 1\n", 2, "placement"),
        ("\n\nplacement = \"beside\"\n", 3, "far-end"),
        ("placement = \"return-port\"\n", 1, "far-end"),
        ("[port]\nmedium = \"unknown\"\n", 2, "fibre"),
        ("[port]\n\nspeed_max_mbps = 0\n", 3, "1 to"),
        ("[plug]\nkind = \"cork\"\n", 2, "network"),
        ("[[faults]]\nplace = \"moon\"\nkind = \"no-receive\"\n", 2, "port-line"),
        ("[[faults]]\nplace = \"plug\"\nkind = \"gremlin\"\n", 3, "bit-errors"),
        ("[[faults]]\nplace = \"plug\"\nkind = { drop = { ratio = 1.5 } }\n", 3, "0 to 1"),
        ("[[faults]]\nplace = \"plug\"\nkind = { drop = { ration = 0.5 } }\n", 3, "ratio"),
        ("[[segments]]\nlabel = \"a\"\n[[faults]]\nplace = \"segment:b\"\nkind = \"no-receive\"\n", 4, "segments: a"),
        ("[[faults]]\nplace = \"plug\"\nkind = { memory = { ratio = 0.5 } }\n", 3, "host"),
        ("[[faults]]\nplace = \"plug\"\nkind = { flap = { every_s = 1, down_s = 2 } }\n", 3, "below every_s"),
        ("name = \n", 1, ""),
    ];
    for (text, line, allowed) in cases {
        let error = Rig::parse(text).unwrap_err();
        assert_eq!(error.line, line, "{text}: {error}");
        assert!(error.text.contains(allowed), "{text}: {error}");
    }
}
