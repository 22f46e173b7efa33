//! A rig at work: frames in, frames out, time and counters.

mod receive;

use std::cmp::Reverse;
use std::collections::{BinaryHeap, VecDeque};

use super::fault::{Fault, FaultCount, Passing, uses_pair};
use super::frame::Accept;
use super::link::{Destination, Settings, destination, state};
use super::rig::{FaultKind, LINE_NS_PER_M, Plug, Rig};
use crate::base::placement::Placement;
use crate::base::rng::Rng;
use crate::base::time::{NANO_PS, Nanos, Pace, SECOND_NS, whole_ns};
use crate::kind::ethernet::cable_test::{CableTest, Pair, PairResult, PairStatus};
use crate::kind::ethernet::counters::{CarrierCounters, Counters, LinkCounters};
use crate::kind::ethernet::link::{Capabilities, LinkState, Medium, PortSetting};
use crate::kind::ethernet::probe::{Address, FCS_BYTES, FRAME_BYTES_MIN, LINE_OVERHEAD_BYTES};
use crate::sim::cable::{self, Segment};
use crate::sim::setup::Setup;
use crate::sim::value::FaultPlace;

/// How long a swapped frame waits for the next one: at 100 frames a second and more it is overtaken, as the rig says.
const SWAP_NS_MAX: Nanos = 10_000_000;

/// A frame between the transmitter and the host, in order of arrival.
#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Flight {
    at: Nanos,
    serial: u64,
    wrong: bool,
    host_lost: bool,
    bytes: Vec<u8>,
}

/// A frame that the host has.
#[derive(Debug)]
struct Ready {
    /// When the host is done with it.
    ready_at: Nanos,
    at: Nanos,
    fcs_right: Option<bool>,
    bytes: Vec<u8>,
}

/// A [`Rig`] in virtual time: frames out, frames in, link and counters.
#[derive(Debug)]
pub struct World {
    rig: Rig,
    now: Nanos,
    settings: Settings,
    setup: Setup,
    /// Times the plug was seated again.
    seatings: u32,
    faults: Vec<Fault>,
    /// Indices into `faults` in the order in which a frame meets them, with those of the host last.
    visits: Vec<usize>,
    passing: Passing,
    /// When each frame in the transmit queue will have left.
    departures: VecDeque<Nanos>,
    /// When the line has carried everything that was handed over, ps.
    line_free_ps: u128,
    flying: BinaryHeap<Reverse<Flight>>,
    /// A swapped frame that waits for the next one, at most until its `at`.
    held: Option<Flight>,
    /// When the last of all frames that flew so far arrives.
    last_arrival: Nanos,
    serial: u64,
    host_free_at: Nanos,
    ready: VecDeque<Ready>,
    spare: Vec<Vec<u8>>,
    foreign_rng: Rng,
    foreign_at: Option<Nanos>,
    link: LinkCounters,
    carrier: CarrierCounters,
    ring_drops: u64,
    absorbed: u64,
}

impl World {
    /// A fresh world, at time 0 with the plug where the rig says; all chance comes from `seed`.
    pub fn new(rig: &Rig, seed: u64) -> Self {
        let rng = Rng::new(seed);
        let fault = |(spec, purpose): (_, u64)| Fault::new(spec, rng.branch(purpose));
        let mut world = Self {
            faults: rig.faults.iter().cloned().zip(2..).map(fault).collect(),
            setup: Setup { placement: rig.placement, ..Setup::default() },
            seatings: 0,
            rig: rig.clone(),
            now: 0,
            settings: Settings { up: true, forced_mbps: None, internal_loop: false, bad_frames: false },
            visits: Vec::new(),
            passing: Passing::default(),
            departures: VecDeque::new(),
            line_free_ps: 0,
            flying: BinaryHeap::new(),
            held: None,
            last_arrival: 0,
            serial: 0,
            host_free_at: 0,
            ready: VecDeque::new(),
            spare: Vec::new(),
            foreign_rng: rng.branch(1),
            foreign_at: None,
            link: LinkCounters::default(),
            carrier: CarrierCounters::default(),
            ring_drops: 0,
            absorbed: 0,
        };
        world.let_faults_show();
        world.lay_path();
        world
    }

    /// The rig this world was made from.
    pub fn rig(&self) -> &Rig {
        &self.rig
    }

    /// The time.
    pub fn now(&self) -> Nanos {
        self.now
    }

    /// The port's own address.
    pub fn address(&self) -> Address {
        self.rig.port.address
    }

    /// What the port can do.
    pub fn capabilities(&self) -> Capabilities {
        let port = &self.rig.port;
        Capabilities {
            checks_frames: port.checks_frames,
            delivers_bad_frames: port.checks_frames && port.delivers_bad_frames,
            delivers_check: false,
            internal_loop: port.internal_loop,
            forces_speed: port.medium == Medium::Copper,
            speed_max_mbps: Some(port.speed_max_mbps),
            moves_plug: true,
            has_line_rate: true,
            frame_bytes_max: port.frame_bytes_max as usize,
        }
    }

    /// The link now.
    pub fn link(&self) -> LinkState {
        LinkState { carrier_changes: Some(self.carrier.changes), ..self.link_at(self.now) }
    }

    fn link_at(&self, at: Nanos) -> LinkState {
        let mbps = self.settings.forced_mbps.unwrap_or(self.rig.port.speed_max_mbps);
        let broken = self.faults_on_path().any(|(fault, _)| fault.breaks_link(at, mbps));
        state(&self.rig, self.destination(), &self.settings, broken)
    }

    pub(super) fn destination(&self) -> Destination {
        let plug = if self.setup.other_plug { Plug::default() } else { self.rig.plug.clone() };
        destination(&self.rig.port, &plug, self.setup.placement, &self.settings)
    }

    /// Changes a setting of the port; false when the port cannot.
    pub fn apply(&mut self, setting: PortSetting) -> bool {
        let can = self.capabilities();
        let mut settings = self.settings;
        match setting {
            PortSetting::ForcedSpeed(mbps) => {
                let offered =
                    [10, 100, 1000, 2500, 5000, 10_000].contains(&mbps) && mbps <= self.rig.port.speed_max_mbps;
                if !can.forces_speed || !offered {
                    return false;
                }
                settings.forced_mbps = Some(mbps);
            }
            PortSetting::InternalLoop(on) if can.internal_loop => settings.internal_loop = on,
            PortSetting::DeliverBadFrames(on) if can.delivers_bad_frames => settings.bad_frames = on,
            PortSetting::Up(on) => settings.up = on,
            PortSetting::InternalLoop(on) | PortSetting::DeliverBadFrames(on) | PortSetting::DeliverCheck(on) => {
                return !on;
            }
        }
        self.change(|world| world.settings = settings);
        true
    }

    /// Takes back a forced speed: the port is as the rig describes it again.
    pub fn negotiate_speed(&mut self) {
        self.change(|world| world.settings.forced_mbps = None);
    }

    /// Moves the plug. `internal` takes it away and, where the port has one, closes the loop in the chip. False, and
    /// nothing moved, for a return port: a rig has one port.
    pub fn place(&mut self, placement: Placement) -> bool {
        if placement == Placement::ReturnPort {
            return false;
        }
        self.change(|world| world.setup.placement = placement);
        true
    }

    /// Does what a person does at the rig; the plug is seated again. False, and nothing done, for a segment that the
    /// rig does not have, or a return port.
    pub fn arrange(&mut self, setup: &Setup) -> bool {
        if !cable::allows(&self.rig.segments, setup) {
            return false;
        }
        self.change(|world| {
            world.setup = setup.clone();
            world.seatings += u32::from(setup.placement != Placement::Internal);
        });
        true
    }

    /// Decides which faults can show: that depends on the speed and on what a person did.
    fn let_faults_show(&mut self) {
        let mbps = self.settings.forced_mbps.unwrap_or(self.rig.port.speed_max_mbps);
        let (moved, seatings) = (self.setup.cable_moved, self.seatings);
        for fault in &mut self.faults {
            let spec = &fault.spec;
            fault.enabled = (moved || !spec.when_moved)
                && spec.cured_by_seatings.is_none_or(|cured| seatings < cured)
                && spec.pair.is_none_or(|pair| uses_pair(mbps, pair));
        }
    }

    fn segments_in_use(&self) -> &[Segment] {
        cable::in_use(&self.rig.segments, &self.setup)
    }

    /// What the transceiver finds on each pair of the whole cable, the plug taken off; `None` where it cannot. A whole
    /// pair reads open at the far end.
    pub fn cable_test(&self) -> Option<CableTest> {
        if !self.rig.port.cable_test || self.rig.port.medium != Medium::Copper {
            return None;
        }
        let length = |segments: &[Segment]| segments.iter().map(|s| f64::from(s.length_m)).sum::<f64>();
        let all = &self.rig.segments;
        let ends_at = |pair: u8| {
            let broken = self.faults.iter().filter(|f| f.active(self.now));
            let broken = broken.filter(|f| matches!(f.spec.kind, FaultKind::PairOpen { pair: open } if open == pair));
            let distance = broken.filter_map(|f| match &f.spec.place {
                FaultPlace::PortLine => Some(0.0),
                FaultPlace::Segment(label) => {
                    let at = all.iter().position(|s| s.label == *label)?;
                    Some(length(&all[..at]) + f64::from(all[at].length_m) / 2.0)
                }
                _ => None,
            });
            distance.chain([length(all)]).min_by(f64::total_cmp)
        };
        // By the usual colours: orange is on contacts 1-2, green on 3-6, blue on 4-5, brown on 7-8.
        let pairs = [(Pair::A, 2), (Pair::B, 3), (Pair::C, 1), (Pair::D, 4)];
        let found = |(pair, number)| PairResult { pair, status: PairStatus::Open, fault_distance_m: ends_at(number) };
        Some(CableTest { pairs: pairs.into_iter().map(found).collect() })
    }

    /// Where the plug is.
    pub fn placement(&self) -> Placement {
        self.setup.placement
    }

    fn change(&mut self, what: impl FnOnce(&mut Self)) {
        let before = self.link_at(self.now).up;
        what(self);
        self.let_faults_show();
        self.lay_path();
        self.note_carrier(before, self.link_at(self.now).up);
    }

    fn note_carrier(&mut self, before: bool, after: bool) {
        self.carrier.changes += u64::from(before != after);
        self.carrier.up += u64::from(!before && after);
        self.carrier.down += u64::from(before && !after);
    }

    /// Puts the faults in the order in which a frame meets them now.
    fn lay_path(&mut self) {
        let mut places = Vec::new();
        let destination = self.destination();
        if !self.setup.known_good_port {
            places.push(FaultPlace::PortHost);
        }
        if destination != Destination::Internal {
            if !self.setup.known_good_port {
                places.push(FaultPlace::PortLine);
            }
            let segments = self.segments_in_use().iter().map(|segment| FaultPlace::Segment(segment.label.clone()));
            let segments: Vec<FaultPlace> = segments.collect();
            places.extend(segments.iter().cloned());
            places.push(if self.setup.other_plug { FaultPlace::OtherPlug } else { FaultPlace::Plug });
            places.extend(segments.into_iter().rev());
        }
        places.push(FaultPlace::Host);
        let at = |place: &FaultPlace| {
            let place = place.clone();
            self.faults.iter().enumerate().filter(move |(_, fault)| fault.spec.place == place).map(|(index, _)| index)
        };
        self.visits = places.iter().flat_map(at).collect();
        self.foreign_at = match (destination, self.rig.network.frames_per_second) {
            (Destination::Network, 1..) => self.foreign_at.or_else(|| Some(self.next_foreign(self.now))),
            _ => None,
        };
    }

    fn next_foreign(&mut self, after: Nanos) -> Nanos {
        let mean = SECOND_NS as f64 / f64::from(self.rig.network.frames_per_second.max(1));
        after + 1 + self.foreign_rng.exponential(mean) as Nanos
    }

    /// The faults on the frame's path, each with how often the frame passes it.
    fn faults_on_path(&self) -> impl Iterator<Item = (&Fault, u64)> {
        self.faults_before(self.visits.len())
    }

    /// Of the path, the faults that a frame passes before its visit number `end`.
    pub(super) fn faults_before(&self, end: usize) -> impl Iterator<Item = (&Fault, u64)> {
        let visits = &self.visits[..end];
        self.faults.iter().enumerate().filter_map(move |(index, fault)| Some((fault, passes(visits, index)?)))
    }

    pub(super) fn faults_before_mut(&mut self, end: usize) -> impl Iterator<Item = (&mut Fault, u64)> {
        let visits = &self.visits[..end];
        self.faults.iter_mut().enumerate().filter_map(move |(index, fault)| Some((fault, passes(visits, index)?)))
    }

    /// The visit at which every frame vanishes now, if there is one; else the end of the path.
    pub(super) fn path_end(&self) -> usize {
        let loses = |index: &usize| self.faults[*index].loses_all(self.now);
        self.visits.iter().position(loses).unwrap_or(self.visits.len())
    }

    /// The fault at this visit.
    pub(super) fn fault_at(&self, visit: usize) -> Option<&Fault> {
        self.visits.get(visit).map(|index| &self.faults[*index])
    }

    pub(super) fn fault_at_mut(&mut self, visit: usize) -> Option<&mut Fault> {
        self.visits.get(visit).map(|index| &mut self.faults[*index])
    }

    /// Time on the line for one frame with all that goes around it, ps; `None` without a link. Whole at every speed of
    /// IEEE Std 802.3 up to 400 Gb/s.
    pub fn line_ps(&self, frame_bytes: usize) -> Option<u64> {
        let bits = (frame_bytes.max(FRAME_BYTES_MIN) + FCS_BYTES + LINE_OVERHEAD_BYTES) as u64 * 8;
        let link = self.link_at(self.now);
        link.up.then(|| (bits * 1_000_000).div_ceil(u64::from(link.speed_mbps.unwrap_or(1))))
    }

    /// When a frame that is handed over now begins on the line, ps. Within the nanosecond of the clock one follows the
    /// other without a pause.
    pub(super) fn next_start_ps(&self) -> u128 {
        let now_ps = u128::from(self.now) * u128::from(NANO_PS);
        if self.line_free_ps + u128::from(NANO_PS) > now_ps { self.line_free_ps } else { now_ps }
    }

    /// Notes that the line carries `count` frames at this pace.
    pub(super) fn keep_line_until(&mut self, pace: Pace, count: u64, frame_bytes: usize) {
        let last_ps = pace.first_ps + u128::from(count.saturating_sub(1)) * u128::from(pace.every_ps);
        self.line_free_ps = last_ps + u128::from(self.line_ps(frame_bytes).unwrap_or(0));
    }

    /// From the end of a frame at the transmitter until it is back, without faults.
    pub(super) fn path_latency_ns(&self) -> u64 {
        let length_m: u64 = match self.destination() {
            Destination::Plug => self.segments_in_use().iter().map(|segment| u64::from(segment.length_m)).sum(),
            _ => 0,
        };
        u64::from(self.rig.port.latency_ns) + (2.0 * length_m as f64 * LINE_NS_PER_M).round() as u64
    }

    pub(super) fn link_edge(&self) -> Nanos {
        self.faults_on_path().map(|(fault, _)| fault.link_edge(self.now)).min().unwrap_or(Nanos::MAX)
    }

    /// When the line has carried everything that was handed over.
    pub fn line_free_at(&self) -> Nanos {
        whole_ns(self.line_free_ps)
    }

    /// Frames on their way: sent, and not received yet.
    pub fn in_flight(&self) -> usize {
        self.flying.len() + self.ready.len()
    }

    /// Whether the next frame may begin now, and changes places with none before it.
    pub(super) fn is_line_free(&self) -> bool {
        self.held.is_none() && self.line_free_at() <= self.now
    }

    /// When the host is done with every frame sent so far.
    pub(super) fn takes_in_by(&self) -> Nanos {
        self.host_free_at.max(self.last_arrival + self.host_interval_ns())
    }

    pub(super) fn host_interval_ns(&self) -> u64 {
        SECOND_NS.checked_div(u64::from(self.rig.host.frames_per_second_max)).unwrap_or(0)
    }

    pub(super) fn count_span(&mut self, count: u64, frame_bytes: usize, arrives: bool) {
        let bytes = frame_bytes.max(FRAME_BYTES_MIN) as u64 * count;
        self.link.tx_packets += count;
        self.link.tx_bytes += bytes;
        if arrives {
            self.link.rx_packets += count;
            self.link.rx_bytes += bytes;
        }
    }

    /// Hands a frame (header, then payload, without FCS) to the port. A short one is padded with zeros, one that is too
    /// long is taken and dropped by the kernel.
    pub fn send(&mut self, header: &[u8], payload: &[u8]) -> Accept {
        let length = (header.len() + payload.len()).max(FRAME_BYTES_MIN);
        let Some(line_ps) = self.line_ps(length) else { return Accept::LinkDown };
        if length > self.rig.port.frame_bytes_max as usize {
            self.link.tx_dropped += 1;
            return Accept::Taken;
        }
        if self.departures.len() >= self.rig.port.transmit_queue_frames as usize {
            return Accept::Full;
        }
        let start_ps = self.next_start_ps();
        let start = whole_ns(start_ps);
        let mut frame = std::mem::take(&mut self.passing);
        frame = Passing { bytes: std::mem::take(&mut frame.bytes), ..Passing::default() };
        frame.bytes.clear();
        frame.bytes.extend_from_slice(header);
        frame.bytes.extend_from_slice(payload);
        frame.bytes.resize(length, 0);
        if self.kept_in_adapter(&mut frame, start) {
            self.passing = frame;
            return Accept::Taken;
        }
        self.line_free_ps = start_ps + u128::from(line_ps);
        let end = self.line_free_at();
        self.departures.push_back(end);
        self.link.tx_packets += 1;
        self.link.tx_bytes += length as u64;
        // Carrier that goes away under a frame takes it along.
        if !(self.link_at(start).up && self.link_at(end).up) {
            self.link.tx_carrier_errors += 1;
            self.link.tx_errors += 1;
        } else if matches!(self.destination(), Destination::Network | Destination::Nowhere) {
            self.absorbed += 1;
        } else {
            self.travel(&mut frame, [header, payload], start, end);
        }
        self.passing = frame;
        Accept::Taken
    }

    /// An adapter that never sends swallows the frame before anything is counted.
    fn kept_in_adapter(&mut self, frame: &mut Passing, at: Nanos) -> bool {
        use super::rig::FaultKind::NoTransmit;
        let dead = self
            .faults
            .iter_mut()
            .filter(|_| !self.setup.known_good_port)
            .find(|fault| fault.spec.kind == NoTransmit && !fault.spec.place.is_line() && fault.active(at));
        dead.map(|fault| fault.pass(frame, at, false)).is_some()
    }

    /// Takes a frame past every fault on its way and lets it fly.
    fn travel(&mut self, frame: &mut Passing, sent: [&[u8]; 2], start: Nanos, end: Nanos) {
        let mut wrong = false;
        let mut checked = false;
        for (nth, &index) in self.visits.iter().enumerate() {
            let is_back = self.visits[..nth].contains(&index);
            let fault = &mut self.faults[index];
            if fault.spec.place == FaultPlace::Host && !checked {
                checked = true;
                wrong = is_wrong(frame, sent);
                if wrong && self.rig.port.checks_frames && !self.settings.bad_frames {
                    break;
                }
            }
            fault.pass(frame, start, is_back);
            if frame.lost {
                return;
            }
        }
        if !checked {
            wrong = is_wrong(frame, sent);
        }
        let at = end + self.path_latency_ns() + frame.late_ns;
        for copy in 0..=u64::from(frame.copies) {
            let mut bytes = self.spare.pop().unwrap_or_default();
            bytes.clear();
            bytes.extend_from_slice(&frame.bytes);
            let flight =
                Flight { at: at + copy * (end - start), serial: self.serial, wrong, host_lost: frame.host_lost, bytes };
            self.serial += 1;
            self.last_arrival = self.last_arrival.max(flight.at);
            if frame.swap && copy == 0 && self.held.is_none() {
                self.held = Some(Flight { at: flight.at + SWAP_NS_MAX, ..flight });
                continue;
            }
            if let Some(held) = self.held.take_if(|_| !frame.swap) {
                let held_at = held.at.min(flight.at + 1);
                self.flying.push(Reverse(Flight { at: held_at, ..held }));
            }
            self.flying.push(Reverse(flight));
        }
    }

    /// When the transmit queue has room again: now, if it has.
    pub fn next_free_at(&self) -> Nanos {
        match self.departures.front() {
            Some(&at) if self.departures.len() >= self.rig.port.transmit_queue_frames as usize => at,
            _ => self.now,
        }
    }

    /// The earliest moment, not before now, when something may be there to receive; `None` if nothing is on its way.
    pub fn next_delivery_at(&self) -> Option<Nanos> {
        let flying = self.flying.peek().map(|Reverse(flight)| flight.at);
        let held = self.held.as_ref().map(|flight| flight.at);
        let ready = self.ready.front().map(|ready| ready.ready_at);
        [flying, held, ready, self.foreign_at].into_iter().flatten().min().map(|at| at.max(self.now))
    }

    /// Lets time pass; a moment in the past changes nothing.
    pub fn advance_to(&mut self, to: Nanos) {
        loop {
            let edge = self.link_edge();
            let (at, is_edge) = if edge <= to { (edge, true) } else { (to, false) };
            self.arrive_until(at);
            if !is_edge {
                break;
            }
            let before = self.link_at(self.now).up;
            self.now = edge;
            self.note_carrier(before, self.link_at(edge).up);
        }
        self.now = self.now.max(to);
        while self.departures.front().is_some_and(|at| *at <= self.now) {
            self.departures.pop_front();
        }
    }

    /// Frames lost in the ring between kernel and program, since the world began.
    pub fn ring_drops(&self) -> u64 {
        self.ring_drops
    }

    /// Frames that left the port and that a network took, since the world began.
    pub fn absorbed(&self) -> u64 {
        self.absorbed
    }

    /// Every counter of the host, since the world began.
    pub fn counters(&self) -> Counters {
        Counters { link: self.link, carrier: Some(self.carrier), ..Counters::default() }
    }

    /// What each fault of the rig really did, in the rig's order: the truth to hold a report against.
    pub fn fault_counts(&self) -> Vec<FaultCount> {
        self.faults.iter().map(|fault| fault.count.clone()).collect()
    }
}

/// How often a frame with these visits passes this fault; none if never.
fn passes(visits: &[usize], fault: usize) -> Option<u64> {
    let times = visits.iter().filter(|visit| **visit == fault).count() as u64;
    (times > 0).then_some(times)
}

/// Whether the frame check fails: damage of two passes may have cancelled out.
///
/// A real check sequence misses one damaged frame in about 2^32; this one misses none.
fn is_wrong(frame: &Passing, sent: [&[u8]; 2]) -> bool {
    let [header, payload] = sent;
    let padding = frame.bytes.get(header.len() + payload.len()..).unwrap_or(&[]);
    let same = frame.bytes.starts_with(header)
        && frame.bytes[header.len()..].starts_with(payload)
        && padding.iter().all(|byte| *byte == 0);
    frame.cut || frame.fcs != 0 || !same
}
