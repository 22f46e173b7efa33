//! What a step on a simulated world sends and counts.

use turnback_core::{kind::ethernet::sim::Rig, signal::pattern::Pattern};

use super::*;

/// Sends frames of 1,514 bytes without FCS at line rate for so many seconds over a rig of 1 Gb/s with this fault.
fn flow(fault: &str, seconds: u64, settle: Duration) -> StepResult {
    let rig = Rig::parse(&format!("[[faults]]\nplace = \"plug\"\n{fault}\n")).unwrap();
    let mut runner = LockstepRunner::new(Arc::new(Mutex::new(World::new(&rig, 7))));
    let spec = StreamSpec {
        lane: 0,
        tag: 1,
        source: [0; 6],
        destination: [0; 6],
        pattern: Pattern::Prbs31,
        frame_bytes: 1514,
        first_sequence: 0,
    };
    let amount = StepAmount::Flow(Duration::from_secs(seconds));
    let order = StepOrder { spec, amount, probes_per_second: None, settle, origin: 0 };
    runner.run(order, &mut |_| None).unwrap()
}

/// 1,518 octets with FCS at 1 Gb/s (RFC 5180 A.1: 81,274 frames/s).
const FRAMES_PER_SECOND: u64 = 81_274;

#[test]
fn a_plug_that_is_dead_for_a_second_loses_the_frames_of_a_second() {
    let outage = "kind = { drop = { ratio = 1.0 } }\nfrom_s = 1.0\nuntil_s = 2.0";
    let counts = flow(outage, 4, Duration::from_secs(2)).tally.counts;
    assert!(counts.lost.abs_diff(FRAMES_PER_SECOND) <= FRAMES_PER_SECOND / 50, "{counts:?}");
}

#[test]
fn frames_that_are_hit_now_and_then_do_not_slow_the_rest() {
    for kind in ["drop", "truncate", "swap", "duplicate"] {
        let fault = format!("kind = {{ {kind} = {{ ratio = 1e-3 }} }}");
        let counts = flow(&fault, 4, Duration::from_secs(2)).tally.counts;
        assert!(counts.sent.abs_diff(4 * FRAMES_PER_SECOND) <= 4 * FRAMES_PER_SECOND / 50, "{kind}: {counts:?}");
    }
}
