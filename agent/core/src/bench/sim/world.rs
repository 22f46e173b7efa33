//! What a simulated bench measures. Every test draws from a seed of its own, so that a test that was cut off and done
//! again measures the same.

use super::rig::{BenchRig, CardFault, PlugFault, SlotFault, TransceiverFault};
use crate::base::rng::Rng;
use crate::bench::card::BusLink;
use crate::bench::facts::{
    BusFacts, Facts, LINE_IS_LIMIT, LightFacts, LightSeen, LinkFacts, LoadFacts, LoadPort, LoadSample, ModuleFacts,
    OffloadItem, SelfTestItem, Slower,
};
use crate::bench::procedure::{LoadLimits, Procedure, TestName};
use crate::bench::queues::{JUDGED_LEAST, PortQueues, QueueFacts, Way};
use crate::kind::ethernet::link::{FALLBACK_MBPS, Medium};
use crate::kind::ethernet::sim::Rig;
use crate::kind::ethernet::sim::rig::{FaultKind, FaultSpec, RigPort};
use crate::sim::value::{FaultPlace, Seconds};

/// Where a card is, and what is fitted to it.
#[derive(Clone, Copy, Debug)]
pub struct Setup<'a> {
    /// Serial number of the card.
    pub serial: &'a str,
    /// Label of its slot.
    pub slot: &'a str,
    /// Label of the plug in each port; none for a port without one.
    pub plugs: &'a [Option<String>],
    /// Label of the transceiver in each port.
    pub transceivers: &'a [Option<String>],
    /// What the reference card reached on this bench.
    pub bench_share: f64,
    /// Which try this is.
    pub attempt: u64,
}

/// A simulated bench.
#[derive(Clone, Debug)]
pub struct SimulatedBench {
    /// What it is made of.
    pub rig: BenchRig,
    seed: u64,
}

impl SimulatedBench {
    /// A bench whose chances the seed decides.
    pub fn new(rig: BenchRig, seed: u64) -> Self {
        Self { rig, seed }
    }

    fn rng(&self, setup: &Setup<'_>, test: TestName) -> Rng {
        let word = |text: &str| text.bytes().fold(7u64, |sum, byte| sum.wrapping_mul(31).wrapping_add(byte.into()));
        Rng::new(self.seed).branch(word(setup.serial)).branch(setup.attempt * 16 + test as u64)
    }

    /// Seed of the run of a port, while this many ports send.
    pub fn seed(&self, setup: &Setup<'_>, port: u32, at_once: u32) -> u64 {
        let mut rng = self.rng(setup, TestName::Data).branch(port.into());
        if at_once > 1 { rng.branch(at_once.into()).draw() } else { rng.draw() }
    }

    /// What a test measures, and how long it takes, seconds. None for `data`, which is a run on the simulated port of
    /// [`SimulatedBench::port`].
    pub fn measure(&self, setup: &Setup<'_>, test: TestName, procedure: &Procedure) -> Option<(Facts, f64)> {
        let mut rng = self.rng(setup, test);
        Some(match test {
            TestName::Identity => {
                let asks = procedure.identity.as_ref().is_some_and(|limits| limits.ask_for_sticker);
                (Facts::Identity { sticker: asks.then(|| self.rig.sticker(setup.serial)) }, 3.0)
            }
            TestName::Light => {
                let own = |port| LightFacts { port, seen: LightSeen::At(port) };
                (Facts::Light { ports: self.ports().map(own).collect() }, 5.0)
            }
            TestName::SelfTest => (self.self_test(setup), 4.0),
            TestName::Links => self.links(setup, procedure, &mut rng),
            TestName::Data => return None,
            TestName::Offloads => (self.offloads(setup, procedure, &mut rng), 2.0),
            TestName::Queues => (self.queues(setup, procedure, &mut rng), 3.0),
            TestName::Transceiver => (self.transceivers(setup, &mut rng), 1.0),
            TestName::Load => {
                let limits = procedure.load.clone().unwrap_or_default();
                let seconds = limits.time.as_secs_f64();
                (Facts::Load(self.load(setup, &limits, seconds, &mut rng)), seconds)
            }
            TestName::Bus => {
                let watched_s = procedure.bus.clone().unwrap_or_default().watch.as_secs_f64();
                (Facts::Bus(self.bus(setup, watched_s, &mut rng)), watched_s)
            }
            TestName::BurnIn => {
                let (limits, load) =
                    (procedure.burn_in.clone().unwrap_or_default(), procedure.load.clone().unwrap_or_default());
                let seconds = limits.round.as_secs_f64();
                let rounds = (0..limits.rounds).map(|_| self.load(setup, &load, seconds, &mut rng)).collect();
                (Facts::BurnIn { rounds }, seconds * f64::from(limits.rounds))
            }
        })
    }

    fn plug_faults(&self, setup: &Setup<'_>, port: u32) -> &[PlugFault] {
        let label = setup.plugs.get(port as usize - 1).and_then(Option::as_ref);
        let plug = self.rig.plugs.iter().find(|plug| Some(&plug.label) == label);
        plug.map_or(&[PlugFault::Open], |plug| &plug.faults)
    }

    fn transceiver_faults(&self, setup: &Setup<'_>, port: u32) -> &[TransceiverFault] {
        let label = setup.transceivers.get(port as usize - 1).and_then(Option::as_ref);
        label.map_or(&[], |label| self.rig.transceiver_faults(label))
    }

    fn slot_faults(&self, setup: &Setup<'_>) -> &[SlotFault] {
        self.rig.slots.iter().find(|slot| slot.label == setup.slot).map_or(&[], |slot| &slot.faults)
    }

    fn ports(&self) -> std::ops::RangeInclusive<u32> {
        1..=self.rig.model.ports
    }

    /// Nothing comes through this port.
    fn is_dead(&self, setup: &Setup<'_>, port: u32) -> bool {
        self.plug_faults(setup, port).contains(&PlugFault::Open)
            || self.transceiver_faults(setup, port).contains(&TransceiverFault::DeadTransceiver)
            || self.rig.faults(setup.serial).contains(&CardFault::DeadPort { port })
    }

    /// Bit error ratio of a port with its plug, while all ports send.
    fn bit_errors(&self, setup: &Setup<'_>, port: u32) -> f64 {
        let of_plug = self.plug_faults(setup, port).iter().map(|fault| match fault {
            PlugFault::BitErrors { ratio } => ratio.value(),
            _ => 0.0,
        });
        let of_card = self.rig.faults(setup.serial).iter().map(|fault| match fault {
            CardFault::BitErrors { port: at, ratio } if *at == port => ratio.value(),
            CardFault::Crosstalk { port: at, ratio } if *at == port && self.rig.model.ports > 1 => ratio.value(),
            _ => 0.0,
        });
        let of_transceiver = self.transceiver_faults(setup, port).iter().map(|fault| match fault {
            TransceiverFault::TransceiverErrors { ratio } => ratio.value(),
            _ => 0.0,
        });
        of_plug.chain(of_card).chain(of_transceiver).sum()
    }

    /// Shortest time between drops of the link, seconds.
    fn drops_every_s(&self, setup: &Setup<'_>, port: u32) -> Option<f64> {
        let of_plug = self.plug_faults(setup, port).iter().filter_map(|fault| match fault {
            PlugFault::Drops { every_s } => Some(*every_s),
            _ => None,
        });
        let of_card = self.rig.faults(setup.serial).iter().filter_map(|fault| match fault {
            CardFault::Drops { port: at, every_s } if *at == port => Some(*every_s),
            _ => None,
        });
        of_plug.chain(of_card).min_by(f64::total_cmp)
    }

    /// The port with its plug as a rig, for a run while this many ports send, this one among them.
    pub fn port(&self, setup: &Setup<'_>, port: u32, at_once: u32) -> Rig {
        let (model, card) = (&self.rig.model, self.rig.faults(setup.serial));
        let mut faults = Vec::new();
        let mut add = |place, kind| faults.push(FaultSpec::always(place, kind));
        for fault in self.plug_faults(setup, port) {
            match *fault {
                PlugFault::BitErrors { ratio } => add(FaultPlace::Plug, FaultKind::BitErrors { ratio }),
                PlugFault::Drops { every_s } => {
                    add(FaultPlace::Plug, FaultKind::Flap { every_s: Seconds(every_s), down_s: Seconds(0.2) });
                }
                PlugFault::Open | PlugFault::Lossy { .. } => {}
            }
        }
        for fault in self.transceiver_faults(setup, port) {
            match *fault {
                TransceiverFault::TransceiverErrors { ratio } => {
                    add(FaultPlace::PortLine, FaultKind::BitErrors { ratio });
                }
                TransceiverFault::DeadTransceiver => add(FaultPlace::PortLine, FaultKind::NoTransmit),
                TransceiverFault::WeakTransceiver { .. } | TransceiverFault::DimReceiver { .. } => {}
            }
        }
        for fault in card {
            match *fault {
                CardFault::BitErrors { port: at, ratio } if at == port => {
                    add(FaultPlace::PortLine, FaultKind::BitErrors { ratio });
                }
                CardFault::Drops { port: at, every_s } if at == port => {
                    add(FaultPlace::PortLine, FaultKind::Flap { every_s: Seconds(every_s), down_s: Seconds(0.2) });
                }
                CardFault::DeadPort { port: at } if at == port => add(FaultPlace::PortLine, FaultKind::NoTransmit),
                CardFault::Crosstalk { port: at, ratio } if at == port && at_once > 1 => {
                    add(FaultPlace::PortLine, FaultKind::BitErrors { ratio });
                }
                CardFault::DamagedMemory { ratio } => add(FaultPlace::Host, FaultKind::Memory { ratio }),
                CardFault::SharedMemory { ratio } if at_once > 1 => {
                    add(FaultPlace::Host, FaultKind::Memory { ratio });
                }
                _ => {}
            }
        }
        let mut rig = Rig {
            name: format!("{}.{port}", setup.serial),
            port: RigPort {
                medium: model.medium,
                autonegotiation: model.medium == Medium::Copper,
                speed_max_mbps: model.speed_mbps,
                ..RigPort::default()
            },
            faults,
            ..Rig::default()
        };
        // One port alone is never more than this computer can do: what it loses then is the business of `load`.
        if at_once > 1 {
            let frames_per_second = f64::from(self.rig.host_mbps_max) * 1e6 / FRAME_BITS / f64::from(at_once);
            rig.host.frames_per_second_max = frames_per_second as u32;
        }
        rig.plug.fitted = !self.plug_faults(setup, port).contains(&PlugFault::Open);
        rig
    }

    fn self_test(&self, setup: &Setup<'_>) -> Facts {
        let damaged =
            self.rig.faults(setup.serial).iter().any(|fault| matches!(fault, CardFault::DamagedMemory { .. }));
        let item = |name: &str, passed| SelfTestItem { name: name.to_owned(), passed, excused: false };
        Facts::SelfTest {
            items: vec![item("registers", true), item("memory", !damaged), item("interrupt", true), item("loop", true)],
        }
    }

    fn links(&self, setup: &Setup<'_>, procedure: &Procedure, rng: &mut Rng) -> (Facts, f64) {
        let limits = procedure.links.clone().unwrap_or_default();
        let (rounds, hold_s) = (limits.rounds, limits.hold.as_secs_f64());
        let mut took_s = 0.0;
        let mut ports = Vec::new();
        for port in self.ports() {
            if self.is_dead(setup, port) {
                took_s += f64::from(rounds) * limits.time_max.as_secs_f64();
                ports.push(LinkFacts { port, rounds, ..LinkFacts::default() });
                continue;
            }
            let times: Vec<f64> = (0..rounds).map(|_| 1.9 + 0.9 * rng.fraction()).collect();
            let held_s = hold_s * f64::from(rounds);
            took_s += times.iter().sum::<f64>() + held_s;
            ports.push(LinkFacts {
                port,
                rounds,
                linked: rounds,
                slowest_s: times.into_iter().max_by(f64::total_cmp),
                drops: self.drops_every_s(setup, port).map_or(0, |every_s| (held_s / every_s) as u32),
                speed_mbps: Some(self.rig.model.speed_mbps),
                slower: self.slower(procedure),
            });
        }
        let slower_links: usize = ports.iter().map(|port| port.slower_mbps().len()).sum();
        (Facts::Links { ports }, took_s + slower_links as f64 * SLOWER_LINK_S)
    }

    /// Copper links at every slower speed.
    fn slower(&self, procedure: &Procedure) -> Option<Slower> {
        let model = &self.rig.model;
        let speeds = || FALLBACK_MBPS.into_iter().filter(|mbps| *mbps < model.speed_mbps).collect();
        (procedure.tests_each_speed() && model.medium == Medium::Copper).then(|| Slower::LinksAt(speeds()))
    }

    fn offloads(&self, setup: &Setup<'_>, procedure: &Procedure, rng: &mut Rng) -> Facts {
        let frames = u64::from(procedure.offloads.clone().unwrap_or_default().frames);
        let wrong_checksum = self.rig.faults(setup.serial).contains(&CardFault::WrongChecksum);
        let item = |name: &str, wrong| OffloadItem { name: name.to_owned(), frames, wrong };
        let wrong = if wrong_checksum { 1 + rng.below(frames) } else { 0 };
        Facts::Offloads {
            items: vec![
                item("transmit checksum", wrong),
                item("segmentation", 0),
                item("VLAN insertion", 0),
                item("receive checksum", 0),
            ],
        }
    }

    fn queues(&self, setup: &Setup<'_>, procedure: &Procedure, rng: &mut Rng) -> Facts {
        let ports = self.ports().filter(|port| !self.is_dead(setup, *port));
        let flows = procedure.queues.clone().unwrap_or_default().flows;
        Facts::Queues { ports: ports.map(|port| self.queues_of(setup, port, flows, rng)).collect() }
    }

    /// Each flow takes a transmit queue and a receive queue by chance. One that is lost is sent some times more.
    fn queues_of(&self, setup: &Setup<'_>, port: u32, flows: u32, rng: &mut Rng) -> PortQueues {
        let queues = self.rig.model.queues;
        let faults = self.rig.faults(setup.serial);
        let is_dead = |queue| faults.contains(&CardFault::DeadQueue { port, queue });
        let is_silent = |queue| faults.contains(&CardFault::SilentQueue { port, queue });
        let new = |way| (0..queues).map(move |number| QueueFacts { frames: Some(0), ..QueueFacts::new(way, number) });
        let (mut receive, mut transmit): (Vec<_>, Vec<_>) = (new(Way::Receive).collect(), new(Way::Transmit).collect());
        let mut facts = PortQueues { port, flows: u64::from(flows * queues), ..PortQueues::default() };
        // A link that drops loses flows that came back before.
        facts.unsteady = self.drops_every_s(setup, port).is_some();
        for _ in 0..facts.flows {
            let (out, into) = (rng.below(queues.into()) as usize, rng.below(queues.into()) as usize);
            let lost = is_dead(into as u32);
            facts.flows_lost += u64::from(lost);
            let times = if lost { JUDGED_LEAST } else { 1 };
            transmit[out].frames = transmit[out].frames.map(|frames| frames + times);
            transmit[out].returned = Some(transmit[out].returned.unwrap_or(0) + u64::from(!lost));
            receive[into].frames = receive[into].frames.map(|frames| frames + u64::from(!lost));
        }
        for queue in &mut receive {
            queue.interrupts = if is_silent(queue.number) { Some(0) } else { queue.frames };
        }
        facts.queues = receive.into_iter().chain(transmit).collect();
        facts
    }

    fn transceivers(&self, setup: &Setup<'_>, rng: &mut Rng) -> Facts {
        if self.rig.model.medium != Medium::Fibre {
            return Facts::Transceiver { modules: Vec::new() };
        }
        let module = |port: u32| {
            let of_card = self.rig.faults(setup.serial).iter().filter_map(|fault| match fault {
                CardFault::WeakTransmitter { port: at, sent_dbm } if *at == port => Some(*sent_dbm),
                _ => None,
            });
            let of_its_own = self.transceiver_faults(setup, port).iter().filter_map(|fault| match fault {
                TransceiverFault::WeakTransceiver { sent_dbm } => Some(*sent_dbm),
                _ => None,
            });
            let weak = of_card.chain(of_its_own).min_by(f64::total_cmp);
            let in_loop = self.plug_faults(setup, port).iter().map(|fault| match fault {
                PlugFault::Lossy { db } => *db,
                _ => 0.0,
            });
            let unseen = self.transceiver_faults(setup, port).iter().map(|fault| match fault {
                TransceiverFault::DimReceiver { db } => *db,
                _ => 0.0,
            });
            let lost = in_loop.chain(unseen);
            let sent_dbm = weak.unwrap_or(-5.6 + 0.8 * rng.fraction());
            let received_dbm = sent_dbm - 0.4 - 0.4 * rng.fraction() - lost.sum::<f64>();
            ModuleFacts { port, sent_dbm, received_dbm, sent_alarm_dbm: -10.0, received_alarm_dbm: -18.0 }
        };
        Facts::Transceiver { modules: self.ports().map(module).collect() }
    }

    fn agreed(&self, setup: &Setup<'_>) -> BusLink {
        let of_card = self.rig.faults(setup.serial).iter().filter_map(|fault| match fault {
            CardFault::NarrowBus { lanes } => Some(*lanes),
            _ => None,
        });
        let of_slot = self.slot_faults(setup).iter().filter_map(|fault| match fault {
            SlotFault::NarrowBus { lanes } => Some(*lanes),
            SlotFault::BusErrors { .. } => None,
        });
        let bus = self.rig.bus();
        BusLink { lanes: of_card.chain(of_slot).fold(bus.lanes, u32::min), ..bus }
    }

    fn bus(&self, setup: &Setup<'_>, watched_s: f64, rng: &mut Rng) -> BusFacts {
        let of_card = self.rig.faults(setup.serial).iter().filter_map(|fault| match fault {
            CardFault::BusErrors { per_hour } => Some(*per_hour),
            _ => None,
        });
        let of_slot = self.slot_faults(setup).iter().filter_map(|fault| match fault {
            SlotFault::BusErrors { per_hour } => Some(*per_hour),
            SlotFault::NarrowBus { .. } => None,
        });
        let per_second = of_card.chain(of_slot).sum::<f64>() / 3600.0;
        let mut correctable = 0;
        let mut at_s = 0.0;
        while per_second > 0.0 && correctable < ERRORS_MAX {
            at_s += rng.exponential(1.0 / per_second);
            if at_s > watched_s {
                break;
            }
            correctable += 1;
        }
        let slot = BusLink { gts: 8.0, lanes: 16 };
        BusFacts {
            card: self.rig.bus(),
            slot,
            agreed: self.agreed(setup),
            watched_s,
            correctable,
            nonfatal: 0,
            fatal: 0,
            uncounted: false,
        }
    }

    fn load(&self, setup: &Setup<'_>, limits: &LoadLimits, seconds: f64, rng: &mut Rng) -> LoadFacts {
        let model = &self.rig.model;
        // A port without a link moves nothing, and nothing is asked of it.
        let linked = self.ports().filter(|port| !self.is_dead(setup, *port)).count() as f64;
        let line_mbps = f64::from(model.speed_mbps) * linked * FRAME_SHARE;
        let allowed_mbps = line_mbps.min(self.agreed(setup).bits_per_second() / 1e6 * BUS_SHARE);
        let host_mbps = if self.rig.host_mbps_max == 0 { f64::INFINITY } else { f64::from(self.rig.host_mbps_max) };
        let overheats = self.rig.faults(setup.serial).iter().find_map(|fault| match fault {
            CardFault::Overheats { warm_c, slows_to } => Some((*warm_c, *slows_to)),
            _ => None,
        });
        let warm_c = overheats.map_or(model.warm_c, |(warm_c, _)| warm_c);
        let sample = |number: u32| {
            let at_s = seconds * f64::from(number) / f64::from(SAMPLES);
            let celsius = ROOM_C + (warm_c - ROOM_C) * (1.0 - (-at_s / WARMING_S).exp()) + rng.fraction();
            // A card that protects itself slows down once it is near the limit.
            let is_slowed = celsius > limits.temperature_max_c - 5.0;
            let share = overheats.filter(|_| is_slowed).map_or(1.0, |(_, slows_to)| slows_to);
            let mbps = (allowed_mbps * share).min(host_mbps) * (0.985 + 0.01 * rng.fraction());
            LoadSample { at_s, mbps, celsius: Some(celsius) }
        };
        let samples: Vec<LoadSample> = (1..=SAMPLES).map(sample).collect();
        let mean_mbps = samples.iter().map(|sample| sample.mbps).sum::<f64>() / f64::from(SAMPLES);
        let frames = (mean_mbps * 1e6 * seconds / linked.max(1.0) / FRAME_BITS) as u64;
        let port = |port: u32| {
            let share = 1.0 - (-self.bit_errors(setup, port) * FRAME_BITS).exp();
            let dark = self.drops_every_s(setup, port).map_or(0.0, |every_s| (0.2 / every_s).min(1.0));
            let without_link = self.is_dead(setup, port);
            let sent = if without_link { 0 } else { frames };
            let lost = (sent as f64 * (share + dark).min(1.0)) as u64;
            LoadPort { port, sent, lost, lost_in_host: 0, without_link }
        };
        let ports = self.ports().map(port).collect();
        let bench_share = setup.bench_share;
        LoadFacts { samples, allowed_mbps, bench_share, bench_is_limit: bench_share < LINE_IS_LIMIT, ports }
    }
}

/// More errors than this tell no more.
const ERRORS_MAX: u64 = 100_000;
/// Samples of a load test.
const SAMPLES: u32 = 24;
/// Temperature of the workshop, degrees Celsius.
const ROOM_C: f64 = 24.0;
/// Time in which a card gets two thirds of the way to its temperature under load, seconds.
const WARMING_S: f64 = 40.0;
/// Bits of the frames under load, FCS included.
const FRAME_BITS: f64 = 1518.0 * 8.0;
/// Share of the line that frames of 1518 bytes have: 20 bytes of preamble and gap go with each (RFC 5180 A.1).
const FRAME_SHARE: f64 = 1518.0 / 1538.0;
/// Share of the bus that is left for data (common practice, no source).
const BUS_SHARE: f64 = 0.85;
/// Until link at a slower speed, seconds.
const SLOWER_LINK_S: f64 = 2.0;
