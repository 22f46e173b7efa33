//! What an adapter computes in place of the host, held bit by bit against what comes back through a plug.
//!
//! A frame is handed over half done, and must come back as its [`Sample`] says. A frame that does not come back is put
//! on the adapter only if frames that need none of its help do: those a plug would lose as well. Merging of what comes
//! in is switched off meanwhile. Limits: Linux has the adapter insert VLAN tags only for a VLAN interface, so that is
//! not tested; a kernel that does the work in the adapter's place is not told from the adapter.

use std::time::{Duration, Instant};

use turnback_core::{bench::facts::OffloadItem, kind::ethernet::probe::Address};

use super::{
    device::ethtool::{Interface, feature::Feature},
    sample::{Family, Inside, Sample, ends},
    settings::EthernetSetting,
    socket::{Asks, Came, OffloadSocket, SocketError, VlanTag},
};
use crate::ports::{PortError, port::Applied};

/// Changes a setting of the port, noted beforehand.
pub(super) type Make<'a> = &'a mut dyn FnMut(&EthernetSetting) -> Result<Applied, PortError>;

/// Tests every offload that the port has on or can switch on. The settings that it changes are restored with the port's
/// others.
pub(super) fn test(
    device: &Interface,
    address: Address,
    make: Make<'_>,
    frames: u32,
    is_ended: &mut dyn FnMut() -> bool,
) -> Result<Option<Vec<OffloadItem>>, PortError> {
    let features = device.features().map_err(|error| PortError::Device(error.to_string()))?;
    for merging in ["rx-gro", "rx-gro-hw", "rx-lro", "rx-gro-list"] {
        let _ = switch(make, &features, merging, false)?;
    }
    let mut items = Vec::new();
    let index = device.index().map_err(|error| PortError::Device(error.to_string()))?;
    let mut bench = Bench { socket: OffloadSocket::open(index)?, ends: ends(address), number: 0 };
    for (name, kind, needs) in offloads() {
        // One of these makes the adapter compute checksums, whichever way its driver names it.
        let mut is_on = true;
        for any in needs {
            let mut one = false;
            for feature in *any {
                one |= switch(make, &features, feature, true)?;
            }
            is_on &= one;
        }
        if is_ended() {
            break;
        }
        if !is_on {
            tracing::info!("{name}: the adapter does not do it");
            continue;
        }
        // A change may restart the adapter, which then takes some time to listen again.
        if !bench.comes_back_without_help(SETTLES_IN)? {
            return Ok(None);
        }
        items.extend(bench.item(name, kind, frames, is_ended)?);
    }
    Ok(Some(items))
}

/// What an offload does to a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Checksum(Family),
    Segments(Family),
    ReceiveChecksum,
    VlanStripping,
}

type Needs = &'static [&'static [&'static str]];

/// Name, kind, and the features that it needs: of each list one. Names: netdev-features of the kernel.
fn offloads() -> [(&'static str, Kind, Needs); 6] {
    [
        ("transmit checksum IPv4", Kind::Checksum(Family::V4), &[&["tx-checksum-ip-generic", "tx-checksum-ipv4"]]),
        ("transmit checksum IPv6", Kind::Checksum(Family::V6), &[&["tx-checksum-ip-generic", "tx-checksum-ipv6"]]),
        (
            "segmentation IPv4",
            Kind::Segments(Family::V4),
            &[&["tx-checksum-ip-generic", "tx-checksum-ipv4"], &["tx-scatter-gather"], &["tx-tcp-segmentation"]],
        ),
        (
            "segmentation IPv6",
            Kind::Segments(Family::V6),
            &[&["tx-checksum-ip-generic", "tx-checksum-ipv6"], &["tx-scatter-gather"], &["tx-tcp6-segmentation"]],
        ),
        ("receive checksum", Kind::ReceiveChecksum, &[&["rx-checksum"]]),
        ("VLAN stripping", Kind::VlanStripping, &[&["rx-vlan-hw-parse"]]),
    ]
}

/// Switches a feature; whether it is then as wanted.
fn switch(make: Make<'_>, features: &[Feature], name: &str, on: bool) -> Result<bool, PortError> {
    let Some(feature) = features.iter().find(|feature| feature.name == name) else { return Ok(false) };
    if feature.on == on {
        return Ok(true);
    }
    let wanted = EthernetSetting::Feature { name: name.to_owned(), on };
    Ok(feature.changeable && make(&wanted)? != Applied::NotOffered)
}

struct Bench {
    socket: OffloadSocket,
    ends: (Address, Address),
    number: u32,
}

/// What came of one frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Outcome {
    Right,
    Wrong,
    /// It did not come back.
    Lost,
}

impl Bench {
    fn item(
        &mut self,
        name: &str,
        kind: Kind,
        frames: u32,
        is_ended: &mut dyn FnMut() -> bool,
    ) -> Result<Option<OffloadItem>, PortError> {
        let mut item = OffloadItem { name: name.to_owned(), frames: 0, wrong: 0 };
        // Lost in a row, of TCP and of UDP: an adapter may fail at one of them.
        let (mut called_valid, mut lost) = (0, [0_u64; 2]);
        for turn in 0..frames {
            if is_ended() || item.wrong >= WRONG_ENOUGH {
                break;
            }
            let outcome = match kind {
                Kind::ReceiveChecksum => self.receive_checksum(turn, &mut called_valid)?,
                _ => self.help(kind, turn)?,
            };
            match outcome {
                Outcome::Right => (item.frames, lost) = (item.frames + 1, lost_of(turn, lost, 0)),
                Outcome::Wrong => {
                    (item.frames, item.wrong) = (item.frames + 1, item.wrong + 1);
                    lost = lost_of(turn, lost, 0);
                }
                // What the line loses says nothing about what the adapter computes.
                Outcome::Lost if !self.comes_back_without_help(Duration::ZERO)? => break,
                Outcome::Lost => lost = lost_of(turn, lost, lost[turn as usize % 2] + 1),
            }
            let most = lost[0].max(lost[1]);
            if most >= LOST_ENOUGH {
                // Frames that the adapter has nothing to do with come back every time, and these do not. An adapter
                // that keeps tags of unknown networks out does no harm by it.
                if kind != Kind::VlanStripping && kind != Kind::ReceiveChecksum {
                    (item.frames, item.wrong) = (item.frames + most, item.wrong + most);
                }
                break;
            }
        }
        // An adapter that never calls a checksum right leaves it to the host.
        let is_silent = kind == Kind::ReceiveChecksum && called_valid == 0;
        Ok((item.frames > 0 && !is_silent).then_some(item))
    }

    fn next(&mut self, family: Family, inside: Inside, bytes: usize) -> Sample {
        self.number += 1;
        Sample::number(self.number, family, inside, self.ends, bytes)
    }

    /// One frame that the adapter helps with.
    fn help(&mut self, kind: Kind, turn: u32) -> Result<Outcome, PortError> {
        let inside = inside(turn);
        // Odd and even lengths, from the shortest that needs no padding.
        let bytes = BYTES_MIN + (self.number as usize * 37) % (BYTES_MAX - BYTES_MIN);
        let (frame, asks, expected, tag) = match kind {
            Kind::Checksum(family) => {
                let sample = self.next(family, inside, bytes);
                let (frame, asks) = sample.half_done();
                (frame, asks, vec![sample.whole()], None)
            }
            Kind::Segments(family) => {
                let sample = self.next(family, Inside::Tcp, SEGMENT_BYTES * 3 + bytes);
                let (frame, asks, pieces) = sample.to_cut(SEGMENT_BYTES);
                (frame, asks, pieces, None)
            }
            Kind::VlanStripping | Kind::ReceiveChecksum => {
                let sample = self.next(Family::V4, inside, bytes.min(BYTES_MAX - 4));
                let control = PRIORITY | (1 + self.number % 4094) as u16;
                (sample.tagged(control), Asks::default(), vec![sample.whole()], Some(control))
            }
        };
        let came = self.exchange(&frame, asks, expected.len())?;
        let outcome = outcome(&came, &expected, tag);
        if outcome == Outcome::Wrong {
            tracing::debug!("{kind:?}: expected {expected:02x?}, came {came:02x?}");
        }
        Ok(outcome)
    }

    /// A good frame and a damaged one: the damaged one must not be called right.
    fn receive_checksum(&mut self, turn: u32, called_valid: &mut u64) -> Result<Outcome, PortError> {
        let family = if turn % 4 < 2 { Family::V4 } else { Family::V6 };
        let inside = inside(turn);
        let sample = self.next(family, inside, BYTES_MIN + (self.number as usize * 37) % (BYTES_MAX - BYTES_MIN));
        let good = self.exchange(&sample.whole(), Asks::default(), 1)?;
        *called_valid += u64::from(good.iter().any(|came| came.called_valid));
        let damaged = self.exchange(&sample.damaged(), Asks::default(), 1)?;
        Ok(match (good.first(), damaged.first()) {
            (Some(good), Some(damaged)) => {
                let is_as_sent = good.bytes == sample.whole() && damaged.bytes == sample.damaged();
                if is_as_sent && !damaged.called_valid { Outcome::Right } else { Outcome::Wrong }
            }
            _ => Outcome::Lost,
        })
    }

    /// Whether frames that need no help come back as they left.
    fn comes_back_without_help(&mut self, patience: Duration) -> Result<bool, PortError> {
        let until = Instant::now() + patience;
        let sample = self.next(Family::V4, Inside::Udp, 300);
        for number in 0.. {
            let came = self.exchange(&sample.whole(), Asks::default(), 1)?;
            if outcome(&came, &[sample.whole()], None) == Outcome::Right {
                return Ok(true);
            }
            if number >= 2 && Instant::now() >= until {
                break;
            }
        }
        Ok(false)
    }

    /// Sends a frame and gathers what comes back of it: so many frames, or what there is in time.
    fn exchange(&mut self, frame: &[u8], asks: Asks, expected: usize) -> Result<Vec<Came>, SocketError> {
        // Nothing of an earlier frame may be taken for this one's. Others may go on sending.
        let drained_by = Instant::now() + PATIENCE;
        while self.socket.receive(Duration::ZERO)?.is_some() && Instant::now() < drained_by {}
        if !self.socket.send(frame, asks)? {
            return Ok(Vec::new());
        }
        let mut all = Vec::new();
        let until = Instant::now() + PATIENCE;
        while all.len() < expected && Instant::now() < until {
            match self.socket.receive(until.saturating_duration_since(Instant::now()))? {
                Some(came) if came.bytes.get(6..12) == Some(&self.ends.0[..]) => all.push(came),
                // Somebody else's.
                Some(_) => {}
                None => break,
            }
        }
        Ok(all)
    }
}

/// TCP and UDP take turns.
fn inside(turn: u32) -> Inside {
    if turn.is_multiple_of(2) { Inside::Tcp } else { Inside::Udp }
}

/// The losses in a row of both, with those of this turn's set.
fn lost_of(turn: u32, mut lost: [u64; 2], now: u64) -> [u64; 2] {
    lost[turn as usize % 2] = now;
    lost
}

/// All came and all are right; some are not what was expected; or some are missing and the rest are right. Of a tag
/// only the network's number counts: some drivers drop the priority, whatever the adapter hands them.
fn outcome(came: &[Came], expected: &[Vec<u8>], tag: Option<u16>) -> Outcome {
    let number = |control: u16| control & VLAN_NUMBER;
    let is_right = |came: &Came| {
        let vlan = came.vlan.map(|VlanTag { control, .. }| number(control));
        expected.contains(&came.bytes) && vlan == tag.map(number)
    };
    if !came.iter().all(is_right) {
        Outcome::Wrong
    } else if came.len() == expected.len() {
        let in_order = came.iter().zip(expected).all(|(came, expected)| came.bytes == *expected);
        if in_order { Outcome::Right } else { Outcome::Wrong }
    } else {
        Outcome::Lost
    }
}

/// How long a frame may take, out and back.
const PATIENCE: Duration = Duration::from_millis(200);
/// How long an adapter may take until it listens again after a change, with its link gone meanwhile.
const SETTLES_IN: Duration = Duration::from_secs(8);
/// Payload without padding to the shortest frame, and within every MTU.
const BYTES_MIN: usize = 18;
const BYTES_MAX: usize = 1400;
/// IEEE Std 802.1Q: priority in the upper three bits, the number in the lower twelve.
const PRIORITY: u16 = 0x2000;
const VLAN_NUMBER: u16 = 0x0fff;
/// Payload of a piece.
const SEGMENT_BYTES: usize = 1000;
/// More wrong frames than this tell no more.
const WRONG_ENOUGH: u64 = 20;
/// So many in a row that are lost, while frames without help come back, are no accident of the line.
const LOST_ENOUGH: u64 = 5;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing;

    #[test]
    fn losses_in_a_row_are_those_of_tcp_or_of_udp() {
        // All segments of TCP are lost, and those of UDP between them come back.
        let mut lost = [0, 0];
        for turn in 0..4 {
            let now = if turn % 2 == 0 { lost[0] + 1 } else { 0 };
            lost = lost_of(turn, lost, now);
        }
        assert_eq!(lost, [2, 0]);
        assert_eq!((inside(2), inside(3)), (Inside::Tcp, Inside::Udp));
    }

    /// The kernel does by itself what an adapter is asked for and cannot do: an answer that is not ours.
    #[test]
    fn what_the_kernel_makes_of_half_done_frames_is_what_is_expected() {
        testing::in_namespace(|| {
            let commands = ["link add quay1 type veth peer name quay2", "link set quay1 up", "link set quay2 up"];
            if !commands.into_iter().all(testing::ip) {
                return;
            }
            let sending = Interface::open("quay1").unwrap();
            for feature in ["tx-tcp-segmentation", "tx-tcp6-segmentation", "tx-checksum-ip-generic"] {
                let _ = sending.set_feature(feature, false).unwrap();
                assert!(!sending.feature(feature).unwrap().unwrap().on, "{feature}");
            }
            let mut out = OffloadSocket::open(sending.index().unwrap()).unwrap();
            let receiving = Interface::open("quay2").unwrap();
            let mut into = OffloadSocket::open(receiving.index().unwrap()).unwrap();
            // A pair that was just switched on drops frames until the kernel has got round to it.
            let began = Instant::now();
            while !(sending.is_running().unwrap() && receiving.is_running().unwrap()) {
                assert!(began.elapsed() < Duration::from_secs(60), "no link");
                std::thread::sleep(Duration::from_millis(10));
            }
            let both_ends = ends([2, 0, 0x5e, 0, 0x53, 0x10]);
            let mut exchange = |frame: &[u8], asks: Asks, count: usize| {
                assert!(out.send(frame, asks).unwrap());
                let mut all = Vec::new();
                while all.len() < count {
                    let came = into.receive(Duration::from_secs(5)).unwrap().expect("it comes");
                    // The kernel greets its neighbours meanwhile.
                    all.extend((came.bytes[6..12] == both_ends.0).then_some(came));
                }
                all
            };
            for family in [Family::V4, Family::V6] {
                for (number, inside) in (1..).zip([Inside::Tcp, Inside::Udp]) {
                    let sample = Sample::number(number, family, inside, both_ends, 777);
                    let (frame, asks) = sample.half_done();
                    assert_eq!(
                        outcome(&exchange(&frame, asks, 1), &[sample.whole()], None),
                        Outcome::Right,
                        "{sample:?}"
                    );
                    let tagged = exchange(&sample.tagged(0x2007), Asks::default(), 1);
                    assert_eq!(outcome(&tagged, &[sample.whole()], Some(7)), Outcome::Right, "{tagged:02x?}");
                }
                let sample = Sample::number(9, family, Inside::Tcp, both_ends, 3 * SEGMENT_BYTES + 55);
                let (frame, asks, pieces) = sample.to_cut(SEGMENT_BYTES);
                let came = exchange(&frame, asks, pieces.len());
                assert_eq!((outcome(&came, &pieces, None), pieces.len()), (Outcome::Right, 4), "{came:02x?}");
            }
        });
    }

    #[test]
    fn what_came_back_is_held_against_what_must_come() {
        let came = |bytes: &[u8], control: Option<u16>| Came {
            bytes: bytes.to_vec(),
            called_valid: false,
            vlan: control.map(|control| VlanTag { protocol: 0x8100, control }),
        };
        let expected = [vec![1, 2], vec![3, 4]];
        let (a, b) = (came(&[1, 2], None), came(&[3, 4], None));
        for (got, told) in [
            (vec![a.clone(), b.clone()], Outcome::Right),
            (vec![b.clone(), a.clone()], Outcome::Wrong),
            (vec![a.clone()], Outcome::Lost),
            (vec![], Outcome::Lost),
            (vec![a.clone(), came(&[3, 5], None)], Outcome::Wrong),
            (vec![came(&[9], None)], Outcome::Wrong),
        ] {
            assert_eq!(outcome(&got, &expected, None), told, "{got:?}");
        }
        assert_eq!(outcome(&[came(&[1, 2], Some(5))], &expected[..1], Some(5)), Outcome::Right);
        assert_eq!(outcome(&[came(&[1, 2], Some(6))], &expected[..1], Some(5)), Outcome::Wrong);
        assert_eq!(outcome(&[a], &expected[..1], Some(5)), Outcome::Wrong, "the tag is lost");
    }
}
