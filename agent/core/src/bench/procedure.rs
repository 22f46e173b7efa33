//! Procedures: which tests a card must pass, with which limits, as people write them in TOML.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::light::TransceiverLimits;
use crate::plan::{PlanError, duration_text};
use crate::sim::file::{RigError, read};

/// A test of a procedure. The order of the variants is the order in which tests are done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TestName {
    /// Who the card is, against the claim.
    Identity,
    /// The light of each port, as a person sees it.
    Light,
    /// The driver's own offline self-test.
    SelfTest,
    /// Link at each speed, again and again.
    Links,
    /// The error ratio of each port, proved.
    Data,
    /// What the card computes in place of the host.
    Offloads,
    /// Every queue that the driver claims carries frames.
    Queues,
    /// What plug-in transceivers measure of themselves.
    Transceiver,
    /// All ports at their highest rate, while the card warms.
    Load,
    /// Width, speed and errors of the bus.
    Bus,
    /// Load for hours, in rounds.
    BurnIn,
}

impl TestName {
    /// Every test, in the order in which they are done.
    pub const ALL: [Self; 11] = [
        Self::Identity,
        Self::Light,
        Self::SelfTest,
        Self::Links,
        Self::Data,
        Self::Offloads,
        Self::Queues,
        Self::Transceiver,
        Self::Load,
        Self::Bus,
        Self::BurnIn,
    ];

    /// The word used in documents.
    pub fn name(self) -> &'static str {
        match self {
            Self::Identity => "identity",
            Self::Light => "light",
            Self::SelfTest => "self-test",
            Self::Links => "links",
            Self::Data => "data",
            Self::Offloads => "offloads",
            Self::Queues => "queues",
            Self::Transceiver => "transceiver",
            Self::Load => "load",
            Self::Bus => "bus",
            Self::BurnIn => "burn-in",
        }
    }
}

/// On how many cards at once a test can be made, so that none takes from another what it measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SideBySide {
    /// On all: it sends next to nothing.
    All,
    /// On as many as this computer has processors for: it sends as fast as it can, and sorts out what this computer
    /// loses.
    Processors,
    /// On as many as a trial shows: what a card moves beside others is held against what it moved alone.
    Trial,
    /// On one: somebody looks at that card, or what it moves alone is what it is held against later.
    One,
}

impl TestName {
    /// On how many cards at once it can be made.
    pub fn side_by_side(self) -> SideBySide {
        match self {
            Self::SelfTest | Self::Links | Self::Offloads | Self::Queues | Self::Transceiver => SideBySide::All,
            Self::Data | Self::Bus => SideBySide::Processors,
            Self::BurnIn => SideBySide::Trial,
            Self::Identity | Self::Light | Self::Load => SideBySide::One,
        }
    }

    /// It takes hours, and needs neither hands nor eyes: whoever carries it out need not wait for it.
    pub fn goes_on_by_itself(self) -> bool {
        self == Self::BurnIn
    }

    /// It sends nothing and changes no setting of a port, so that it disturbs no test of another card.
    pub fn is_quiet(self) -> bool {
        matches!(self, Self::Identity | Self::Light)
    }
}

/// What a card may lack and still be fit for a named use.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MayLack {
    /// One or more of its ports, as long as one is good.
    Ports,
    /// What it computes in place of the host.
    Offloads,
    /// The light of a port, or its right place.
    Lights,
}

/// A named list of tests with limits. A test that has no table is not done.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Procedure {
    /// Name, as given to `--procedure`.
    pub name: String,
    /// One line on what it is for.
    #[serde(default)]
    pub about: String,
    /// What a card may lack and be `limited` instead of `rejected`.
    #[serde(default)]
    pub may_lack: Vec<MayLack>,
    /// How long a test of the bench with the reference card holds.
    #[serde(default = "a_day", with = "duration_text")]
    pub bench_proof_lasts: Duration,
    /// Who the card is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub identity: Option<IdentityLimits>,
    /// The light of each port.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub light: Option<NoLimits>,
    /// The driver's own self-test.
    #[serde(default, skip_serializing_if = "Option::is_none", rename = "self-test")]
    pub self_test: Option<NoLimits>,
    /// Link.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub links: Option<LinkLimits>,
    /// Error ratio.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub data: Option<DataLimits>,
    /// Offloads.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offloads: Option<OffloadLimits>,
    /// Queues.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub queues: Option<QueueLimits>,
    /// Plug-in transceivers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub transceiver: Option<TransceiverLimits>,
    /// Load.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub load: Option<LoadLimits>,
    /// Bus.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bus: Option<BusLimits>,
    /// Load for hours.
    #[serde(default, skip_serializing_if = "Option::is_none", rename = "burn-in")]
    pub burn_in: Option<BurnInLimits>,
}

fn a_day() -> Duration {
    Duration::from_secs(24 * 3600)
}

/// Limits of `identity`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct IdentityLimits {
    /// The ports of a card must have addresses that follow each other.
    pub addresses_in_a_row: bool,
    /// Ask for the address on the card's sticker.
    pub ask_for_sticker: bool,
}

/// A test whose limits are not ours to set.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NoLimits {}

/// Limits of `links`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct LinkLimits {
    /// How often the link is taken off and on, 1 to 1000.
    pub rounds: u32,
    /// Longest time to link.
    #[serde(with = "duration_text")]
    pub time_max: Duration,
    /// How long each link is held, in which it must not drop.
    #[serde(with = "duration_text")]
    pub hold: Duration,
}

impl Default for LinkLimits {
    fn default() -> Self {
        Self { rounds: 3, time_max: Duration::from_secs(6), hold: Duration::from_secs(2) }
    }
}

/// Limits of `data`. The profile has its own: target error ratio and confidence.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DataLimits {
    /// Profile of each run, by name.
    pub profile: String,
    /// Copper is tested at each slower speed too that `links` found with its plug, with profile `quick`.
    pub each_speed: bool,
    /// After that all ports send at once, with the same profile.
    pub all_ports: bool,
}

impl Default for DataLimits {
    fn default() -> Self {
        Self { profile: "quick".to_owned(), each_speed: false, all_ports: false }
    }
}

/// Limits of `offloads`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct OffloadLimits {
    /// Frames sent for each offload, 1 to 100000. None may come back wrong.
    pub frames: u32,
}

impl Default for OffloadLimits {
    fn default() -> Self {
        Self { frames: 200 }
    }
}

/// Limits of `queues`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct QueueLimits {
    /// Flows of frames for each queue that the driver claims, 8 to 1000. None may be lost each time.
    pub flows: u32,
}

impl Default for QueueLimits {
    fn default() -> Self {
        // Spread evenly, so many pass a queue by with a chance of one in 10^13: (1 - 1/n)^(32 n) is about e^-32.
        Self { flows: 32 }
    }
}

/// Limits of `load`, and of each round of `burn-in`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct LoadLimits {
    /// How long all ports send at once.
    #[serde(with = "duration_text")]
    pub time: Duration,
    /// Highest temperature of the card, degrees Celsius, 20 to 150.
    pub temperature_max_c: f64,
    /// Least throughput, as a share of what line, bus and this bench allow, over 0 to 1.
    pub throughput_min: f64,
    /// Least throughput at the end, as a share of that at the beginning, over 0 to 1.
    pub throughput_held_min: f64,
    /// Most frames lost on the line, as a share of those sent, 0 to 0.1.
    pub loss_max: f64,
}

impl Default for LoadLimits {
    fn default() -> Self {
        Self {
            time: Duration::from_secs(60),
            temperature_max_c: 95.0,
            throughput_min: 0.9,
            throughput_held_min: 0.97,
            loss_max: 1e-4,
        }
    }
}

/// Limits of `bus`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct BusLimits {
    /// How long frames go over the bus while its errors are counted.
    #[serde(with = "duration_text")]
    pub watch: Duration,
    /// Correctable errors allowed in that time. Errors that are not correctable are never allowed.
    pub correctable_max: u64,
}

impl Default for BusLimits {
    fn default() -> Self {
        Self { watch: Duration::from_secs(30), correctable_max: 0 }
    }
}

/// Limits of `burn-in`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct BurnInLimits {
    /// Rounds of load, 1 to 1000.
    pub rounds: u32,
    /// Length of a round.
    #[serde(with = "duration_text")]
    pub round: Duration,
    /// Confidence of the mean time between failures that the hours prove, over 0 to under 1.
    pub confidence: f64,
}

impl Default for BurnInLimits {
    fn default() -> Self {
        Self { rounds: 4, round: Duration::from_secs(3600), confidence: 0.6 }
    }
}

impl Procedure {
    /// Whether ports are tested at each speed that they link at.
    pub fn tests_each_speed(&self) -> bool {
        self.data.as_ref().is_some_and(|data| data.each_speed)
    }

    /// The procedures that come with the program.
    pub fn builtin() -> Vec<Self> {
        let base = |name: &str, about: &str| Self {
            name: name.to_owned(),
            about: about.to_owned(),
            may_lack: vec![MayLack::Ports, MayLack::Offloads, MayLack::Lights],
            bench_proof_lasts: a_day(),
            identity: Some(IdentityLimits { addresses_in_a_row: true, ask_for_sticker: true }),
            light: None,
            self_test: Some(NoLimits {}),
            links: Some(LinkLimits::default()),
            data: Some(DataLimits::default()),
            offloads: Some(OffloadLimits::default()),
            queues: Some(QueueLimits::default()),
            transceiver: Some(TransceiverLimits::default()),
            load: Some(LoadLimits::default()),
            bus: Some(BusLimits::default()),
            burn_in: None,
        };
        let minutes = |n: u64| Duration::from_secs(60 * n);
        let standard = Self {
            light: Some(NoLimits {}),
            links: Some(LinkLimits { rounds: 10, ..LinkLimits::default() }),
            data: Some(DataLimits { profile: "standard".to_owned(), each_speed: true, all_ports: true }),
            load: Some(LoadLimits { time: minutes(8), ..LoadLimits::default() }),
            bus: Some(BusLimits { watch: minutes(2), ..BusLimits::default() }),
            ..base("standard", "A quarter of an hour: every test, and long enough under load to warm up")
        };
        vec![
            base("intake", "Two to three minutes: which cards of a new lot are worth more time?"),
            standard.clone(),
            Self {
                name: "burn-in".to_owned(),
                about: "Hours: every test, then load in rounds, with the time between failures that they prove"
                    .to_owned(),
                burn_in: Some(BurnInLimits::default()),
                ..standard
            },
        ]
    }

    /// The built-in procedure of this name.
    pub fn named(name: &str) -> Option<Self> {
        Self::builtin().into_iter().find(|procedure| procedure.name == name)
    }

    /// Reads a procedure from TOML.
    ///
    /// # Errors
    /// The line, what is wrong there, and what is allowed.
    pub fn parse(text: &str) -> Result<Self, RigError> {
        read(text, |procedure: &Self| procedure.validate())
    }

    /// The procedure as TOML, to start from.
    pub fn to_toml(&self) -> String {
        crate::sim::file::write(self)
    }

    /// The tests it asks for, in their order.
    pub fn tests(&self) -> Vec<TestName> {
        TestName::ALL.into_iter().filter(|test| self.asks_for(*test)).collect()
    }

    fn asks_for(&self, test: TestName) -> bool {
        match test {
            TestName::Identity => self.identity.is_some(),
            TestName::Light => self.light.is_some(),
            TestName::SelfTest => self.self_test.is_some(),
            TestName::Links => self.links.is_some(),
            TestName::Data => self.data.is_some(),
            TestName::Offloads => self.offloads.is_some(),
            TestName::Queues => self.queues.is_some(),
            TestName::Transceiver => self.transceiver.is_some(),
            TestName::Load => self.load.is_some(),
            TestName::Bus => self.bus.is_some(),
            TestName::BurnIn => self.burn_in.is_some(),
        }
    }

    fn validate(&self) -> Result<(), (String, String)> {
        let inside = |name: &str, value: f64, low: f64, high: f64| {
            let is_inside = value >= low && value <= high;
            if is_inside { Ok(()) } else { Err((name.to_owned(), format!("{name} {value} must be {low} to {high}"))) }
        };
        if self.tests().is_empty() {
            let known = TestName::ALL.map(TestName::name).join(", ");
            return Err(("name".to_owned(), format!("a procedure needs a table of at least one test: {known}")));
        }
        if let Some(links) = &self.links {
            inside("rounds", links.rounds.into(), 1.0, 1000.0)?;
        }
        if let Some(data) = &self.data {
            crate::plan::Profile::named(&data.profile)
                .map_err(|error: PlanError| ("profile".to_owned(), error.to_string()))?;
            if data.each_speed && self.links.is_none() {
                let says = "each_speed needs a table `links`, which finds the speeds";
                return Err(("each_speed".to_owned(), says.to_owned()));
            }
        }
        if let Some(offloads) = &self.offloads {
            inside("frames", offloads.frames.into(), 1.0, 1e5)?;
        }
        if let Some(queues) = &self.queues {
            inside("flows", queues.flows.into(), 8.0, 1000.0)?;
        }
        if let Some(transceiver) = &self.transceiver {
            for (name, value, high) in transceiver.numbers() {
                inside(name, value, 0.0, high)?;
            }
        }
        if let Some(load) = &self.load {
            inside("temperature_max_c", load.temperature_max_c, 20.0, 150.0)?;
            inside("throughput_min", load.throughput_min, 0.01, 1.0)?;
            inside("throughput_held_min", load.throughput_held_min, 0.01, 1.0)?;
            inside("loss_max", load.loss_max, 0.0, 0.1)?;
        }
        if let Some(burn_in) = &self.burn_in {
            inside("rounds", burn_in.rounds.into(), 1.0, 1000.0)?;
            inside("confidence", burn_in.confidence, 0.01, 0.999)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_procedure_is_read_as_it_is_printed() {
        for procedure in Procedure::builtin() {
            assert_eq!(Procedure::parse(&procedure.to_toml()), Ok(procedure.clone()), "{}", procedure.to_toml());
        }
        assert_eq!(Procedure::named("standard").unwrap().tests().len(), 10);
        assert!(Procedure::named("burn-in").unwrap().tests().contains(&TestName::BurnIn));
        assert_eq!(Procedure::named("quay"), None);
    }

    #[test]
    fn a_bad_procedure_is_refused_with_line_and_allowed_values() {
        for (text, line, says) in [
            ("name = \"a\"\n", 1, "identity, light, self-test"),
            ("name = \"a\"\n[links]\nrounds = 0\n", 3, "1 to 1000"),
            ("name = \"a\"\n[links]\nturns = 3\n", 3, "`rounds`"),
            ("name = \"a\"\n[data]\nprofile = \"fast\"\n", 3, "quick, standard"),
            ("name = \"a\"\n[data]\neach_speed = true\n", 3, "a table `links`"),
            ("name = \"a\"\nmay_lack = [\"paint\"]\n[bus]\n", 2, "`ports`"),
            ("name = \"a\"\n[queues]\nflows = 7\n", 3, "8 to 1000"),
            ("name = \"a\"\n[load]\ntime = \"soon\"\n", 3, "such as `4s`"),
            ("name = \"a\"\n[load]\n\nthroughput_min = 2.0\n", 4, "0.01 to 1"),
            ("name = \"a\"\n[burn-in]\nconfidence = 1.0\n", 3, "0.999"),
        ] {
            let error = Procedure::parse(text).unwrap_err();
            assert!(error.line == line && error.text.contains(says), "{text}: {error}");
        }
    }
}
