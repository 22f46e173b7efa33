//! Packet sockets on a virtual cable in a namespace of the test's own.

use std::{
    process::Command,
    time::{Duration, Instant},
};

use turnback::ports::clock::now_ns;
use turnback::ports::ethernet::{
    device::ethtool::{self, timestamp::Timestamping},
    socket::{
        Addressee, BLOCK_BYTES, Clock, EVERY_ETHERTYPE, FrameRing, FrameSender, HEADER_BYTES, Outgoing,
        PROBE_ETHERTYPE, Queue, RawFrame, Reception, Refusal, RingOptions, SenderOptions, SocketError, Stamped,
        VlanTag, interface_index,
    },
};

#[allow(dead_code, reason = "the bench shows figures that the test does not need")]
#[path = "../agent/benches/bare_loop/measure.rs"]
mod bare_loop;

use crate::harness::netns::{add_cable, fit_plug, in_fresh_namespace, run};

#[test]
fn a_frame_comes_back_with_equal_bytes_and_stamps_in_order() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        let Port { mut ring, mut sender, address, .. } = Port::open();
        assert_eq!(sender.queue(), Queue::Bypass);
        let payload: Vec<u8> = (0..=255).cycle().take(1458).collect();
        let before = now_ns();
        let batch: Vec<_> = (0..200).map(|i| outgoing(address, i, &payload[..4 + 7 * i as usize])).collect();
        let sent = sender.send(&batch).unwrap();
        assert_eq!((sent.accepted, sent.refusal), (200, None));

        let echoes = collect(&mut ring, 200);
        for (echo, frame) in echoes.iter().zip(&batch) {
            assert_eq!(echo.bytes, [&frame.header, frame.payload].concat());
            assert_eq!(echo.wire_length, frame.length_bytes());
            assert_eq!((echo.clock, echo.addressee, echo.vlan), (Clock::Kernel, Addressee::Host, None));
        }
        assert!(echoes.is_sorted_by_key(|echo| echo.at_ns));
        assert!(before <= echoes[0].at_ns && echoes[199].at_ns <= now_ns());
        assert_eq!(ring.drops().unwrap().frames, 0);
    });
}

#[test]
fn without_a_plug_nothing_comes_back() {
    in_fresh_namespace(|| {
        add_cable(1500);
        for queue in [Queue::Bypass, Queue::Discipline] {
            let Port { mut ring, mut sender, address, .. } = Port::open_with(queue, 4 * BLOCK_BYTES);
            assert_eq!(sender.queue(), queue);
            let batch = [outgoing(address, 1, &[0; 4]); 10];
            assert_eq!(sender.send(&batch).unwrap().accepted, 10);
            // Nor does a frame that another socket of this host sends: the kernel would show it to a ring for all.
            let mut other = outgoing(address, 2, &[0; 4]);
            other.header[12..14].copy_from_slice(&OTHER_ETHERTYPE.to_be_bytes());
            assert_eq!(sender.send(&[other]).unwrap().accepted, 1);
            // A virtual cable delivers inside the send, so what is not there now never comes.
            let received = ring.receive(Duration::from_millis(20), &mut |frame| panic!("{frame:?}")).unwrap();
            assert_eq!((received.frames, received.empty), (0, true));
        }
    });
}

#[test]
fn a_ring_for_every_ethertype_hears_all_but_our_own_copies() {
    in_fresh_namespace(|| {
        add_cable(1500);
        let ifindex = interface_index("near").unwrap();
        let options = RingOptions { ethertype: EVERY_ETHERTYPE, ..RingOptions::default() };
        let mut ring = FrameRing::open(ifindex, options).unwrap();
        let probe = outgoing([0xFF; 6], 1, &[7; 60]);
        let (mut tagged, mut foreign) = (probe, probe);
        tagged.header[12..18].copy_from_slice(&[0x81, 0x00, 0xA0, 0x2A, 0x88, 0xB5]);
        foreign.header[12..14].copy_from_slice(&OTHER_ETHERTYPE.to_be_bytes());
        for queue in [Queue::Bypass, Queue::Discipline] {
            let mut sender = FrameSender::open(ifindex, SenderOptions { queue, ..SenderOptions::default() }).unwrap();
            assert_eq!(sender.send(&[probe, tagged, foreign]).unwrap().accepted, 3);
            let received = ring.receive(Duration::from_millis(20), &mut |frame| panic!("{frame:?}")).unwrap();
            assert_eq!(received.frames, 0);
        }
        fit_plug();
        let mut sender = FrameSender::open(ifindex, SenderOptions::default()).unwrap();
        assert_eq!(sender.send(&[probe, tagged, foreign]).unwrap().accepted, 3);
        let echoes = collect(&mut ring, 3);
        let tags: Vec<_> = echoes.iter().map(|echo| echo.vlan).collect();
        assert_eq!(tags, [None, Some(VlanTag { protocol: 0x8100, control: 0xA02A }), None]);
        assert_eq!(echoes[2].bytes[12..14], OTHER_ETHERTYPE.to_be_bytes());
    });
}

#[test]
fn jumbo_frames_arrive_uncut_and_longer_ones_are_named() {
    for mtu in [9000, 65_521, 65_535] {
        in_fresh_namespace(|| {
            add_cable(mtu);
            fit_plug();
            let Port { mut ring, mut sender, address, .. } = Port::open();
            let payload: Vec<u8> = (0..70_000u32).map(|i| (i / 251) as u8 ^ i as u8).collect();
            let longest = mtu + 14;
            let frame = outgoing(address, 1, &payload[..longest - HEADER_BYTES]);
            for _ in 0..20 {
                assert_eq!(sender.send(&[frame]).unwrap().accepted, 1);
                let echo = collect(&mut ring, 1).remove(0);
                assert_eq!(echo.wire_length, longest);
                assert!(echo.bytes == [&frame.header, frame.payload].concat(), "MTU {mtu}");
            }
            let too_long = outgoing(address, 1, &payload[..longest + 1 - HEADER_BYTES]);
            match sender.send(&[too_long]) {
                Err(SocketError::FrameTooLong { interface, length_bytes }) => {
                    assert_eq!((interface.as_str(), length_bytes), ("near", longest + 1));
                }
                other => panic!("{other:?}"),
            }
            assert_eq!(ring.drops().unwrap().frames, 0);
        });
    }
}

#[test]
fn an_unread_ring_counts_what_it_drops_and_keeps_its_capacity() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        let Port { mut ring, mut sender, address, .. } = Port::open_with(Queue::Bypass, 4 * BLOCK_BYTES);
        let capacity = ring.capacity_frames(1514);
        let payload = [0; 1458];
        let sent = 4 * capacity;
        for sequence in 0..sent {
            assert_eq!(sender.send(&[outgoing(address, sequence as u64, &payload)]).unwrap().accepted, 1);
        }
        let (mut returned, mut next) = (0, None);
        loop {
            let received = ring
                .receive(Duration::from_millis(20), &mut |frame| {
                    let sequence = sequence(frame.bytes);
                    assert!(next.is_none_or(|next| sequence >= next), "{sequence} after {next:?}");
                    next = Some(sequence + 1);
                })
                .unwrap();
            returned += received.frames;
            if received.frames == 0 {
                break;
            }
        }
        let drops = ring.drops().unwrap();
        assert_eq!(returned as u64 + drops.frames, sent as u64);
        assert!(drops.frames > 0 && drops.freezes > 0, "{drops:?}");
        assert_eq!(ring.drops().unwrap(), drops, "a second read must not lose the first");
        // Read again, the ring works again.
        assert_eq!(sender.send(&[outgoing(address, 7, &payload)]).unwrap().accepted, 1);
        assert_eq!(sequence(&collect(&mut ring, 1)[0].bytes), 7);
    });
}

#[test]
fn a_stamped_frame_says_when_it_left_and_by_which_clock() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        let Port { ifindex, mut ring, sender, address, .. } = Port::open();
        drop(sender);
        // A virtual cable has no adapter's clock: after three misses it is asked no more.
        for (asked, by_kernel) in [(Clock::Kernel, true), (Clock::Adapter, true), (Clock::Program, false)] {
            let options = SenderOptions { clock: asked, ..SenderOptions::default() };
            let mut sender = FrameSender::open(ifindex, options).unwrap();
            let mut last = 0;
            for sequence in 0..50 {
                // Batches in between are not stamped and must not upset the numbering.
                sender.send(&[outgoing(address, 1000, &[0; 4]); 3]).unwrap();
                let before = now_ns();
                let patience = if asked == Clock::Adapter { Duration::from_millis(20) } else { PATIENCE };
                let sent = sender.send_stamped(&outgoing(address, sequence, &[0; 4]), patience).unwrap();
                let Stamped::Sent(departure) = sent else { panic!("{sent:?}") };
                assert_eq!((departure.kernel.is_some(), departure.adapter), (by_kernel, None), "asked for {asked}");
                assert_eq!(sender.asks_adapter(), asked == Clock::Adapter && sequence < 2);
                let at_ns = departure.kernel.unwrap_or(departure.program);
                assert!(before <= at_ns && at_ns <= now_ns() && last < at_ns);
                last = at_ns;
                let echo = collect(&mut ring, 4).remove(3);
                assert!(echo.at_ns >= at_ns, "an echo before its frame");
            }
        }
    });
}

#[test]
fn a_refused_stamped_frame_does_not_shift_later_stamps() {
    in_fresh_namespace(|| {
        add_cable(1500);
        let Port { mut sender, address, .. } = Port::open();
        let frame = outgoing(address, 1, &[0; 4]);
        run("ip link set far down");
        for _ in 0..3 {
            let refused = sender.send_stamped(&frame, PATIENCE).unwrap();
            assert!(matches!(refused, Stamped::Refused(_)), "{refused:?}");
        }
        run("ip link set far up");
        for _ in 0..5 {
            let sent = sender.send_stamped(&frame, PATIENCE).unwrap();
            assert!(matches!(sent, Stamped::Sent(departure) if departure.kernel.is_some()), "{sent:?}");
        }
    });
}

#[test]
fn a_link_without_carrier_refuses_and_an_interface_down_is_named() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        let Port { ifindex, mut ring, mut sender, address, .. } = Port::open();
        let frame = outgoing(address, 1, &[0; 4]);

        run("ip link set far down");
        // The kernel makes the lost carrier known a little later; until then the queue counts as full.
        let deadline = Instant::now() + PATIENCE;
        loop {
            let sent = sender.send(&[frame; 3]).unwrap();
            assert_eq!(sent.accepted, 0);
            if sent.refusal == Some(Refusal::NoCarrier) {
                break;
            }
            assert!(sent.refusal == Some(Refusal::QueueFull) && Instant::now() < deadline, "{sent:?}");
        }
        assert_eq!(ring.receive(Duration::from_millis(20), &mut |_| {}).unwrap().frames, 0);

        run("ip link set near down");
        for _ in 0..2 {
            assert_down(sender.send(&[frame]));
            assert_down(ring.receive(Duration::from_millis(20), &mut |_| {}));
        }
        assert_down(FrameRing::open(ifindex, RingOptions::default()));

        // Up again, the same sockets go on.
        run("ip link set near up");
        run("ip link set far up");
        assert_eq!(sender.send(&[frame]).unwrap().accepted, 1);
        assert_eq!(collect(&mut ring, 1).len(), 1);
    });
}

#[test]
fn an_interface_that_goes_away_is_named_and_what_came_before_is_kept() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        let Port { ifindex, mut ring, mut sender, address, .. } = Port::open();
        let frame = outgoing(address, 1, &[0; 4]);
        assert_eq!(sender.send(&[frame; 5]).unwrap().accepted, 5);
        run("ip link del near");
        assert_gone(sender.send(&[frame]));
        assert_gone(sender.send_stamped(&frame, PATIENCE));
        let mut returned = 0;
        let gone = loop {
            match ring.receive(Duration::from_millis(20), &mut |_| {}) {
                Ok(received) => returned += received.frames,
                error => break error,
            }
        };
        assert_gone(gone);
        assert_eq!(returned, 5);
        assert_gone(ring.receive(Duration::from_millis(20), &mut |_| {}));
        assert!(ring.drops().is_ok());
        assert_gone(FrameSender::open(ifindex, SenderOptions::default()));
        assert_gone(interface_index("near"));
    });
}

#[test]
fn a_receiver_that_waits_wakes_when_its_interface_goes_away() {
    in_fresh_namespace(|| {
        add_cable(1500);
        let Port { mut ring, .. } = Port::open();
        std::thread::scope(|scope| {
            let waiting = scope.spawn(move || {
                let deadline = Instant::now() + PATIENCE;
                loop {
                    match ring.receive(Duration::from_secs(5), &mut |_| {}) {
                        Err(error @ SocketError::InterfaceGone { .. }) => return error.to_string(),
                        // While it is being taken away it may be seen down first.
                        Err(SocketError::InterfaceDown { .. }) | Ok(_) if Instant::now() < deadline => {}
                        other => panic!("{other:?}"),
                    }
                }
            });
            run("ip link del near");
            assert_eq!(waiting.join().unwrap(), "near is gone: removed or moved away");
        });
    });
}

#[test]
fn promiscuous_reception_lasts_as_long_as_the_ring() {
    in_fresh_namespace(|| {
        add_cable(1500);
        let ifindex = interface_index("near").unwrap();
        let promiscuity = |count| {
            let shown = Command::new("ip").args(["-d", "link", "show", "near"]).output().unwrap();
            String::from_utf8_lossy(&shown.stdout).contains(&format!("promiscuity {count}"))
        };
        let options = RingOptions { reception: Reception::Promiscuous, ..RingOptions::default() };
        let ring = FrameRing::open(ifindex, options).unwrap();
        assert!(promiscuity(1));
        drop(ring);
        // Another test's thread may just be starting a program, which holds a copy of every socket for a moment.
        let deadline = Instant::now() + PATIENCE;
        while !promiscuity(0) {
            assert!(Instant::now() < deadline, "still promiscuous");
        }
    });
}

#[test]
fn a_ring_asked_for_the_adapters_clock_falls_back_to_the_kernels_and_says_so() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        // A virtual cable stamps nothing by itself.
        let device = ethtool::Interface::open("near").unwrap();
        assert_eq!(device.set_timestamping(Timestamping::ALL).unwrap(), None);
        let Port { mut ring, mut sender, address, .. } = Port::open();
        for clock in [Clock::Adapter, Clock::Kernel, Clock::Adapter] {
            ring.stamp_by(clock).unwrap();
            let before = now_ns();
            assert_eq!(sender.send(&[outgoing(address, 1, &[0; 4])]).unwrap().accepted, 1);
            let echo = collect(&mut ring, 1).remove(0);
            assert_eq!(echo.clock, Clock::Kernel, "asked for {clock}");
            assert!(before <= echo.at_ns && echo.at_ns <= now_ns());
        }
    });
}

#[test]
fn what_the_kernel_holds_and_has_not_handed_over_is_known() {
    in_fresh_namespace(|| {
        add_cable(1500);
        fit_plug();
        let Port { mut ring, mut sender, address, .. } = Port::open();
        assert_eq!(ring.waiting().unwrap(), 0);
        // A virtual cable delivers inside the send, so all are in the ring now, handed over or not.
        assert_eq!(sender.send(&[outgoing(address, 1, &[0; 4]); 7]).unwrap().accepted, 7);
        assert_eq!(ring.waiting().unwrap(), 7);
        collect(&mut ring, 7);
        assert_eq!((ring.waiting().unwrap(), ring.drops().unwrap().frames), (0, 0));
    });
}

#[test]
fn a_ring_that_is_too_small_is_refused() {
    let options = RingOptions { ring_bytes: BLOCK_BYTES, ..RingOptions::default() };
    assert!(matches!(FrameRing::open(1, options), Err(SocketError::RingTooSmall { .. })));
}

#[test]
fn a_bare_loop_returns_what_it_sends_and_ends_without_a_plug() {
    in_fresh_namespace(|| {
        add_cable(1500);
        let open = bare_loop::run("near", 64, Duration::from_millis(250)).unwrap();
        assert_eq!(open.frames_returned, 0);
        assert!(open.frames_sent > 0);
        fit_plug();
        let closed = bare_loop::run("near", 1518, Duration::from_millis(100)).unwrap();
        assert_eq!(closed.frames_returned + closed.drops.frames, closed.frames_sent);
        assert!(closed.frames_returned > 0);
    });
}

/// Both sockets on `near`.
struct Port {
    ifindex: u32,
    ring: FrameRing,
    sender: FrameSender,
    address: [u8; 6],
}

impl Port {
    fn open() -> Self {
        Self::open_with(Queue::Bypass, RingOptions::default().ring_bytes)
    }

    fn open_with(queue: Queue, ring_bytes: usize) -> Self {
        let ifindex = interface_index("near").unwrap();
        let ring = FrameRing::open(ifindex, RingOptions { ring_bytes, ..RingOptions::default() }).unwrap();
        let sender = FrameSender::open(ifindex, SenderOptions { queue, ..SenderOptions::default() }).unwrap();
        let address = sender.address().unwrap();
        Self { ifindex, ring, sender, address }
    }
}

struct Echo {
    bytes: Vec<u8>,
    wire_length: usize,
    at_ns: u64,
    clock: Clock,
    addressee: Addressee,
    vlan: Option<VlanTag>,
}

impl From<RawFrame<'_>> for Echo {
    fn from(frame: RawFrame<'_>) -> Self {
        Self {
            bytes: frame.bytes.to_vec(),
            wire_length: frame.wire_length,
            at_ns: frame.at_ns,
            clock: frame.clock,
            addressee: frame.addressee,
            vlan: frame.vlan,
        }
    }
}

/// Receives exactly `count` frames, or panics when they do not come.
fn collect(ring: &mut FrameRing, count: usize) -> Vec<Echo> {
    let mut echoes = Vec::new();
    let deadline = Instant::now() + PATIENCE;
    while echoes.len() < count {
        ring.receive(Duration::from_millis(100), &mut |frame| echoes.push(Echo::from(frame))).unwrap();
        assert!(Instant::now() < deadline, "{} of {count} frames", echoes.len());
    }
    assert_eq!(echoes.len(), count);
    echoes
}

fn outgoing(destination: [u8; 6], sequence: u64, payload: &[u8]) -> Outgoing<'_> {
    let mut header = [0; HEADER_BYTES];
    header[..6].copy_from_slice(&destination);
    header[6..12].copy_from_slice(&[0x02, 0, 0, 0, 0, 1]);
    header[12..14].copy_from_slice(&PROBE_ETHERTYPE.to_be_bytes());
    header[24..32].copy_from_slice(&sequence.to_be_bytes());
    Outgoing { header, payload }
}

fn sequence(bytes: &[u8]) -> u64 {
    u64::from_be_bytes(bytes[24..32].try_into().unwrap())
}

fn assert_down<T: std::fmt::Debug>(result: Result<T, SocketError>) {
    assert!(matches!(&result, Err(SocketError::InterfaceDown { interface }) if interface == "near"), "{result:?}");
}

fn assert_gone<T: std::fmt::Debug>(result: Result<T, SocketError>) {
    assert!(matches!(&result, Err(SocketError::InterfaceGone { .. })), "{result:?}");
}

/// IEEE Std 802: 88-B6, "Local Experimental Ethertype 2".
const OTHER_ETHERTYPE: u16 = 0x88B6;

/// How long a test waits before it calls something missing.
const PATIENCE: Duration = Duration::from_secs(30);
