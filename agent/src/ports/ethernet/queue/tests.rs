//! Which flows are lost, and the queues of a virtual cable whose far end sends back what it is given.

use std::{
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread,
};

use turnback_core::base::rng::Rng;

use super::*;
use crate::{
    ports::ethernet::socket::{Asks, OffloadSocket},
    testing,
};

/// Flows of which those come back that `returns` says, at this turn.
fn sent(count: u32, mut returns: impl FnMut(u32, u32) -> bool) -> Option<PortQueues> {
    let mut turn = 0;
    let mut trip = |flow| {
        turn += 1;
        Ok(if returns(flow, turn) { Trip::Returned } else { Trip::Lost })
    };
    flows(count, &mut trip, &mut || false).unwrap()
}

#[test]
fn a_flow_that_is_lost_each_time_is_told_from_a_line_that_loses_frames() {
    let facts = sent(64, |flow, _| flow % 4 != 1).unwrap();
    assert_eq!((facts.flows_lost, facts.unsteady), (8, false), "of the sixteen, eight are sent again");
    assert_eq!(sent(64, |flow, turn| flow != 5 || turn > 6).unwrap().lost(), None, "lost once");
    let falls_silent = sent(64, |_, turn| turn < 30).unwrap();
    assert_eq!((falls_silent.unsteady, falls_silent.lost()), (true, None));
    assert_eq!(sent(64, |_, _| false), None);
    // A line that loses frames of any flow, however many.
    for seed in 0..2000 {
        let mut rng = Rng::new(seed);
        let share = rng.fraction();
        let facts = sent(32, |_, _| !rng.chance(share));
        assert_eq!(facts.and_then(|facts| facts.lost()), None, "seed {seed}: {share} are lost");
    }
}

#[test]
fn frames_that_the_host_keeps_are_no_lost_flows() {
    let mut trip = |flow| Ok(if flow % 2 == 0 { Trip::Returned } else { Trip::NotSent });
    let facts = flows(64, &mut trip, &mut || false).unwrap().unwrap();
    assert_eq!((facts.flows, facts.flows_lost, facts.lost()), (32, 0, None));
}

/// As many as the cable was made with, and all of them are used: the kernel's answer, not ours.
#[test]
fn frames_are_seen_on_every_queue_of_a_cable() {
    testing::in_namespace(|| {
        let ends = "numrxqueues 3 numtxqueues 3";
        let commands = [
            format!("link add quay1 {ends} type veth peer name quay2 {ends}"),
            "link set quay1 up".into(),
            "link set quay2 up".into(),
        ];
        if !commands.iter().all(|command| testing::ip(command)) {
            return;
        }
        let index = |name: &str| Interface::open(name).unwrap().index().unwrap();
        // The kernel takes frames some time after the link has come.
        for name in ["quay1", "quay2"] {
            let mut end = SpreadSockets::open(index(name), 1, 1).unwrap();
            while !end.send(&[0; 60]).unwrap() {
                thread::yield_now();
            }
        }
        let ended = Arc::new(AtomicBool::new(false));
        let ends = Arc::clone(&ended);
        let mut far = OffloadSocket::open(index("quay2")).unwrap();
        let far = thread::spawn(move || {
            while !ends.load(Ordering::Relaxed) {
                if let Some(came) = far.receive(Duration::from_millis(20)).unwrap()
                    && came.bytes.get(12..14) == Some(&[8, 0])
                {
                    far.send(&came.bytes, Asks::default()).unwrap();
                }
            }
        });
        let (device, address) = (Interface::open("quay1").unwrap(), [2, 0, 0x5e, 0, 0x53, 0x10]);
        let facts = test_with(&device, address, 32, Duration::from_secs(60), &mut || false).unwrap().unwrap();
        ended.store(true, Ordering::Relaxed);
        far.join().unwrap();
        assert_eq!((facts.flows, facts.flows_lost, facts.unsteady), (96, 0, false));
        let numbers: Vec<(Way, u32)> = facts.queues.iter().map(|queue| (queue.way, queue.number)).collect();
        let all = [Way::Receive, Way::Transmit].into_iter().flat_map(|way| (0..3).map(move |number| (way, number)));
        assert_eq!(numbers, all.collect::<Vec<_>>());
        // Whether such a cable notes the queue that a frame came in on depends on the kernel.
        let (receive, transmit) = facts.queues.split_at(3);
        let told: Option<u64> = receive.iter().map(|queue| queue.frames).sum();
        assert!(told.is_none_or(|sum| sum == 96), "{facts:?}");
        assert!(transmit.iter().all(|queue| queue.frames > Some(0) && queue.returned == queue.frames), "{facts:?}");
        let sent: Option<u64> = transmit.iter().map(|queue| queue.frames).sum();
        assert_eq!(sent, Some(96), "{facts:?}");
    });
}
