//! What the tests of a procedure measured. Ports are numbered from 1, in the order of the card.

use serde::{Deserialize, Serialize};

use super::card::BusLink;
use super::procedure::TestName;
use super::queues::PortQueues;
use crate::judge::{Location, Outcome, RuleId};

/// The facts of one test.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "test", rename_all = "kebab-case")]
pub enum Facts {
    /// The card's identity stands in the card test; here is what a person read off it.
    Identity {
        /// Address on the sticker, where somebody scanned it.
        sticker: Option<String>,
    },
    /// The light of each port, as a person saw it.
    Light {
        /// Each port.
        ports: Vec<LightFacts>,
    },
    /// The driver's own self-test; empty where it has none.
    SelfTest {
        /// Each item.
        items: Vec<SelfTestItem>,
    },
    /// Link, one entry for each port.
    Links {
        /// Each port.
        ports: Vec<LinkFacts>,
    },
    /// Data.
    Data {
        /// Each run: of each port alone at each speed, then of each port while all send.
        runs: Vec<DataRun>,
        /// Slower speeds at which nothing was measured.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        left_out: Vec<LeftOut>,
    },
    /// Offloads; empty where the card has none.
    Offloads {
        /// Each offload.
        items: Vec<OffloadItem>,
    },
    /// Queues, one entry for each port whose frames come back.
    Queues {
        /// Each port.
        ports: Vec<PortQueues>,
    },
    /// Plug-in transceivers; empty where the card has none.
    Transceiver {
        /// Each module.
        modules: Vec<ModuleFacts>,
    },
    /// Load.
    Load(LoadFacts),
    /// Bus.
    Bus(BusFacts),
    /// Load for hours.
    BurnIn {
        /// Each round.
        rounds: Vec<LoadFacts>,
    },
}

impl Facts {
    /// Which test they are of.
    pub fn test(&self) -> TestName {
        match self {
            Self::Identity { .. } => TestName::Identity,
            Self::Light { .. } => TestName::Light,
            Self::SelfTest { .. } => TestName::SelfTest,
            Self::Links { .. } => TestName::Links,
            Self::Data { .. } => TestName::Data,
            Self::Offloads { .. } => TestName::Offloads,
            Self::Queues { .. } => TestName::Queues,
            Self::Transceiver { .. } => TestName::Transceiver,
            Self::Load(_) => TestName::Load,
            Self::Bus(_) => TestName::Bus,
            Self::BurnIn { .. } => TestName::BurnIn,
        }
    }
}

impl Facts {
    /// The same facts of a reference card that is the measure of its bench: what it reaches is what the bench allows.
    pub fn measuring_the_bench(mut self) -> Self {
        let loads: &mut [LoadFacts] = match &mut self {
            Self::Load(load) => std::slice::from_mut(load),
            Self::BurnIn { rounds } => rounds,
            _ => &mut [],
        };
        loads.iter_mut().for_each(LoadFacts::measure_the_bench);
        self
    }
}

/// What became of the light of one port when it was asked to blink.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LightFacts {
    /// The port.
    pub port: u32,
    /// What was seen.
    pub seen: LightSeen,
}

/// A light that was asked to blink, as a person saw it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LightSeen {
    /// The light of this port blinked.
    At(u32),
    /// No light of the card blinked.
    Dark,
    /// Nobody looked.
    NotLookedAt,
    /// The driver cannot blink it.
    CannotBlink,
}

/// One item of a driver's self-test.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SelfTestItem {
    /// As the driver names it.
    pub name: String,
    /// It passed.
    pub passed: bool,
    /// No failure here is put on the card: the item needs a link, and so the plug, which `links` and `data` judge; or
    /// the reference card fails it too, which is known to be good.
    #[serde(default)]
    pub excused: bool,
}

/// Link of one port.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LinkFacts {
    /// The port.
    pub port: u32,
    /// How often link was asked for.
    pub rounds: u32,
    /// How often it came.
    pub linked: u32,
    /// Longest time until it came, seconds; none where it never did.
    pub slowest_s: Option<f64>,
    /// How often it dropped while it was held.
    pub drops: u32,
    /// Speed agreed on, Mb/s.
    pub speed_mbps: Option<u32>,
    /// What becomes of slower speeds; none where none was tried.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slower: Option<Slower>,
}

/// Slower speeds that a port of copper was set to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Slower {
    /// Its driver sets none.
    NotOffered,
    /// It links at these, Mb/s.
    LinksAt(Vec<u32>),
}

impl LinkFacts {
    /// Slower speeds at which the port links, Mb/s.
    pub fn slower_mbps(&self) -> &[u32] {
        match &self.slower {
            Some(Slower::LinksAt(speeds)) => speeds,
            Some(Slower::NotOffered) | None => &[],
        }
    }
}

/// A slower speed at which a port was not tested, though it linked at it before.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LeftOut {
    /// The port.
    pub port: u32,
    /// The speed, Mb/s.
    pub set_mbps: u32,
    /// Why.
    pub why: String,
}

/// What the reference card says of a failure with all ports on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AllPorts {
    /// Driver and computer can do it: the failure counts.
    Counts,
    /// The reference card fails in the same way: driver or computer cannot do it, and nobody is blamed.
    Excused,
    /// No reference card of this kind, with as many ports, was tested so: the failure puts nothing on anybody.
    Unproved,
}

/// One run of the error ratio test. The run is in the records under its id.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DataRun {
    /// The port.
    pub port: u32,
    /// Id of the run.
    pub run: String,
    /// The speed that the port was set to, Mb/s; none where it had its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub set_mbps: Option<u32>,
    /// All ports of the card that pass alone sent at the same time, and what a failure says then; none where it was
    /// alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub all_ports: Option<AllPorts>,
    /// At the full rate frames were lost, and at this lower one no longer: this computer lost them where nobody counts.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub is_slower: bool,
    /// Not one frame came through, so that it says nothing of what becomes of frames behind the frame check.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub is_empty: bool,
    /// Its outcome.
    pub outcome: Outcome,
    /// The things among which a fault lies.
    pub location: Vec<Location>,
    /// The rule that decided.
    pub rule: Option<RuleId>,
    /// What it found.
    pub text: String,
    /// The bit error ratio is proved to be at or below this.
    pub proved_below: Option<f64>,
    /// The limit that it is held against.
    pub limit: f64,
}

impl DataRun {
    /// What went over the line failed. Frames damaged in this computer or the card say nothing of the line.
    pub fn fails_on_line(&self) -> bool {
        self.fails() && !self.is_damaged_in_host()
    }

    /// Frames were damaged behind the frame check.
    pub fn fails_in_host(&self) -> bool {
        self.fails() && self.is_damaged_in_host()
    }

    /// It was not decided, or nobody knows whether driver and computer can do what failed.
    pub fn is_open(&self) -> bool {
        match self.all_ports {
            Some(AllPorts::Excused) => false,
            Some(AllPorts::Unproved) => self.outcome != Outcome::Pass,
            Some(AllPorts::Counts) | None => matches!(self.outcome, Outcome::Undecided | Outcome::NotTested),
        }
    }

    /// What was special about the run, before what it measured; empty if nothing was.
    pub fn in_words(&self) -> String {
        let speed = self.set_mbps.map_or(String::new(), |mbps| format!("at {mbps} Mb/s: "));
        let all = match (self.all_ports, self.is_slower) {
            (None, _) => "",
            (Some(_), false) => "with all ports on: ",
            (Some(_), true) => "with all ports on, at a lower rate that this computer can do: ",
        };
        format!("{speed}{all}")
    }

    /// Why what it found speaks against nobody, after what it found; empty if it does, or found nothing.
    pub fn held_in_words(&self) -> &'static str {
        match self.all_ports.filter(|_| self.outcome != Outcome::Pass) {
            Some(AllPorts::Excused) => "; the reference card does no better: it is held against nobody",
            Some(AllPorts::Unproved) => "; no reference card like it shows that driver and computer can do it",
            Some(AllPorts::Counts) | None => "",
        }
    }

    fn fails(&self) -> bool {
        self.outcome == Outcome::Fault && self.all_ports.is_none_or(|all_ports| all_ports == AllPorts::Counts)
    }

    /// A run names the loop as well, because a device in it that stores frames looks the same. On the bench it is a
    /// bare plug.
    pub(super) fn is_damaged_in_host(&self) -> bool {
        self.rule == Some(RuleId::DamagedAfterCheck) || self.location == [Location::Host]
    }
}

/// One thing that the card computes in place of the host.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OffloadItem {
    /// Its name, such as `transmit checksum`.
    pub name: String,
    /// Frames sent.
    pub frames: u64,
    /// Of those, what came back was wrong.
    pub wrong: u64,
}

/// What a plug-in transceiver measures of itself.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ModuleFacts {
    /// The port.
    pub port: u32,
    /// Light sent, dBm.
    pub sent_dbm: f64,
    /// Light received, dBm.
    pub received_dbm: f64,
    /// The module's own low alarm for light sent, dBm.
    pub sent_alarm_dbm: f64,
    /// Its own low alarm for light received, dBm.
    pub received_alarm_dbm: f64,
}

/// All ports at their highest rate for a time.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LoadFacts {
    /// The series, in the order of time.
    pub samples: Vec<LoadSample>,
    /// What line and bus allow all ports together, Mb/s.
    pub allowed_mbps: f64,
    /// What the reference card reached on this bench, as a share of what its line and bus allow, `0.0..=1.0`; 1 where
    /// it was not measured.
    pub bench_share: f64,
    /// This computer is the limit, and not line or bus: the reference card did not reach what these allow.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub bench_is_limit: bool,
    /// Each port.
    pub ports: Vec<LoadPort>,
}

/// From this share of what line and bus allow, these are the limit; below it, it is this computer. Our own choice.
pub const LINE_IS_LIMIT: f64 = 0.9;

/// A moment of a load test.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LoadSample {
    /// Seconds since its beginning.
    pub at_s: f64,
    /// Throughput of all ports together, Mb/s.
    pub mbps: f64,
    /// Temperature of the card, degrees Celsius; none where it has no sensor.
    pub celsius: Option<f64>,
}

/// Frames of one port under load.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LoadPort {
    /// The port.
    pub port: u32,
    /// Frames sent.
    pub sent: u64,
    /// Of those, lost on the line.
    pub lost: u64,
    /// Of those, lost in this computer. Nobody is blamed for them.
    pub lost_in_host: u64,
    /// It got no link, so that nothing could be sent.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub without_link: bool,
}

impl LoadFacts {
    /// Highest temperature, degrees Celsius.
    pub fn hottest_c(&self) -> Option<f64> {
        self.samples.iter().filter_map(|sample| sample.celsius).max_by(f64::total_cmp)
    }

    /// Takes what the card reached for what the bench allows: of the reference card, or where there is none.
    pub fn measure_the_bench(&mut self) {
        self.bench_share = self.share().unwrap_or(1.0);
        self.bench_is_limit = self.bench_share < LINE_IS_LIMIT;
    }

    /// Throughput at the beginning, as a share of what line and bus allow, `0.0..=1.0`.
    pub fn share(&self) -> Option<f64> {
        let (first, _) = self.first_and_last_mbps()?;
        (self.allowed_mbps > 0.0).then(|| (first / self.allowed_mbps).min(1.0))
    }

    /// Mean throughput of the first and of the last quarter of the samples, Mb/s.
    pub fn first_and_last_mbps(&self) -> Option<(f64, f64)> {
        let quarter = self.samples.len().div_ceil(4);
        let mean = |part: &[LoadSample]| part.iter().map(|sample| sample.mbps).sum::<f64>() / part.len() as f64;
        let (first, last) = (self.samples.get(..quarter)?, self.samples.get(self.samples.len() - quarter..)?);
        (quarter > 0).then(|| (mean(first), mean(last)))
    }
}

/// The bus between card and host.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BusFacts {
    /// The most that the card can do.
    pub card: BusLink,
    /// The most that the slot can do.
    pub slot: BusLink,
    /// What they agreed on.
    pub agreed: BusLink,
    /// How long errors were counted, seconds.
    pub watched_s: f64,
    /// Errors that were corrected.
    pub correctable: u64,
    /// Errors that lost something.
    pub nonfatal: u64,
    /// Errors after which the link cannot be trusted.
    pub fatal: u64,
    /// Nobody counts errors on this bus.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub uncounted: bool,
}
