//! What a step on a simulated world sends and counts.

use turnback_core::{
    kind::ethernet::{sim::Rig, stream::tally::FrameCounts},
    signal::pattern::Pattern,
};

use super::*;

/// Sends frames of 1,514 bytes without FCS for so many seconds over a rig with this port and these faults.
fn flow(rig: &str, probes_per_second: Option<f64>, seconds: u64, watch: &mut dyn FnMut() -> bool) -> StepResult {
    flow_of(1514, rig, probes_per_second, seconds, watch)
}

fn flow_of(
    frame_bytes: usize,
    rig: &str,
    probes_per_second: Option<f64>,
    seconds: u64,
    watch: &mut dyn FnMut() -> bool,
) -> StepResult {
    let rig = Rig::parse(rig).unwrap();
    let mut runner = LockstepRunner::new(Arc::new(Mutex::new(World::new(&rig, 7))));
    let spec = StreamSpec {
        lane: 0,
        tag: 1,
        source: [0; 6],
        destination: [0; 6],
        pattern: Pattern::Prbs31,
        frame_bytes,
        first_sequence: 0,
    };
    let amount = StepAmount::Flow(Duration::from_secs(seconds));
    let settle = Duration::from_secs(2);
    let order = StepOrder { spec, amount, probes_per_second, settle, origin: 0 };
    runner.run(order, &mut |_| watch().then_some(Stopped::ByUser)).unwrap()
}

fn counts(fault: &str, probes_per_second: Option<f64>) -> FrameCounts {
    let rig = format!("[[faults]]\nplace = \"plug\"\n{fault}\n");
    flow(&rig, probes_per_second, 4, &mut || false).tally.counts
}

/// 1,518 octets with FCS at 1 Gb/s (RFC 5180 A.1: 81,274 frames/s).
const FRAMES_PER_SECOND: u64 = 81_274;

/// A frame of `size` octets with FCS has 8 octets of preamble before it and 12 of gap after it, so a line of IEEE Std
/// 802.3 carries `bits per second / (8 (size + 20))` frames a second (RFC 5180 A.1).
#[test]
fn every_speed_carries_as_many_frames_as_its_standard_allows() {
    for mbps in [1000, 2500, 5000, 10_000, 25_000, 40_000, 100_000, 400_000_u64] {
        for size in [64, 512, 1518, 9018_u64] {
            let rig = format!("[port]\nspeed_max_mbps = {mbps}\nmedium = \"fibre\"\nframe_bytes_max = 9014\n");
            let most = mbps * 1_000_000 * 2 / (8 * (size + 20));
            // At full rate, at the rate that the plan asks for, and with a frame in a thousand million sent by itself.
            let share = Some(mbps as f64 * 1e6 / (8.0 * (size + 20) as f64));
            let hit = format!("{rig}[[faults]]\nplace = \"plug\"\nkind = {{ drop = {{ ratio = 1e-9 }} }}\n");
            for (rig, rate) in [(&rig, None), (&rig, share), (&hit, None)] {
                let sent = flow_of(size as usize - 4, rig, rate, 2, &mut || false).tally.counts.sent;
                assert!(sent.abs_diff(most) <= 2, "{mbps} Mb/s, {size} octets at {rate:?}: {sent}, {most}");
            }
        }
    }
}

#[test]
fn a_plug_that_is_dead_for_a_while_loses_the_frames_of_that_time() {
    let dead = "kind = { drop = { ratio = 1.0 } }\nfrom_s = 1.0";
    let second = counts(&format!("{dead}\nuntil_s = 2.0"), None);
    assert!(second.lost.abs_diff(FRAMES_PER_SECOND) <= 2, "{second:?}");
    // Nearly dead: each frame is looked at by itself.
    let nearly = counts("kind = { drop = { ratio = 0.999 } }\nfrom_s = 1.0\nuntil_s = 2.0", None);
    assert!(nearly.lost.abs_diff(FRAMES_PER_SECOND * 999 / 1000) <= 100, "{nearly:?}");
    // As a TAP device loses them: 900 of 3,000 a second in 0.3 s.
    let paced = counts(&format!("{dead}\nuntil_s = 1.3"), Some(3000.0));
    assert!(paced.lost.abs_diff(900) <= 1, "{paced:?}");
    assert!(paced.sent.abs_diff(12_000) <= 1, "{paced:?}");
}

#[test]
fn frames_that_are_hit_now_and_then_do_not_slow_the_rest() {
    for kind in ["drop", "truncate", "swap", "duplicate"] {
        // A long delay keeps frames in flight while others are hit.
        for delay in ["", "[[faults]]\nplace = \"plug\"\nkind = { delay = { ns = 300000000 } }\n"] {
            let counts = counts(&format!("kind = {{ {kind} = {{ ratio = 1e-3 }} }}\n{delay}"), None);
            assert!(counts.sent.abs_diff(4 * FRAMES_PER_SECOND) <= 4, "{kind}: {counts:?}");
            let hit = counts.lost + counts.duplicated + counts.reordered;
            // 325 are expected; five standard deviations are 90 (binomial).
            assert!(hit.abs_diff(325) <= 90, "{kind}: {counts:?}");
        }
    }
}

#[test]
fn echoes_later_than_the_step_waits_are_not_taken_for_returned() {
    let counts = counts("kind = { delay = { ns = 3500000000 } }\nfrom_s = 3.0", None);
    // What left in the last second comes back half a second and more after the wait of two is over.
    assert!(counts.lost > 0 && counts.returned < counts.sent, "{counts:?}");
    assert_eq!(counts.lost + counts.returned, counts.sent);
}

#[test]
fn a_rig_however_fast_and_odd_is_soon_done_and_can_be_stopped() {
    let fast = "[port]\nspeed_max_mbps = 400000\nmedium = \"fibre\"\n";
    for kind in ["delay = { ns = 1, jitter_ns = 9 }", "drop = { ratio = 0.5 }", "stuck-bit = { bit = 1, level = 1 }"] {
        let rig = format!("{fast}[[faults]]\nplace = \"plug\"\nkind = {{ {kind} }}\n");
        let mut looks = 0;
        let all = flow(&rig, None, 2, &mut || {
            looks += 1;
            false
        });
        // No more frames by themselves than a slow computer sends.
        let sent = all.tally.counts.sent;
        assert!((190_000..230_000).contains(&sent) && looks >= 4, "{kind}: {sent} {looks}");
        let mut looks = 0;
        let cut = flow(&rig, None, 2, &mut || {
            looks += 1;
            looks == 2
        });
        assert!(cut.tally.counts.sent < 60_000 && cut.stopped == Some(Stopped::ByUser), "{kind}");
    }
}
