//! What the readings of the modem lines say about each line.

use std::collections::BTreeMap;
use std::fmt;

use serde::{Deserialize, Serialize};

use crate::kind::serial::facts::{ModemReading, SerialFacts};
use crate::kind::serial::plug::{LineDriver, LinePlug, ModemLine};

/// What a modem line does, or must do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Behaviour {
    /// Always what RTS is.
    FollowsRts,
    /// Always what DTR is.
    FollowsDtr,
    /// Always what OUT1 is.
    FollowsOut1,
    /// Always what OUT2 is.
    FollowsOut2,
    /// Never asserted.
    Off,
    /// Always asserted.
    On,
    /// None of these: two outputs drive it, or it changes by itself.
    Unsteady,
}

impl Behaviour {
    fn follows(driver: LineDriver) -> Self {
        match driver {
            LineDriver::Rts => Self::FollowsRts,
            LineDriver::Dtr => Self::FollowsDtr,
            LineDriver::Out1 => Self::FollowsOut1,
            LineDriver::Out2 => Self::FollowsOut2,
        }
    }
}

impl Behaviour {
    /// What it should do: `follow RTS`.
    fn verb(self) -> String {
        let (verb, rest) = match self {
            Self::FollowsRts => ("follow", "RTS"),
            Self::FollowsDtr => ("follow", "DTR"),
            Self::FollowsOut1 => ("follow", "OUT1"),
            Self::FollowsOut2 => ("follow", "OUT2"),
            Self::Off => ("stay", "off"),
            Self::On => ("stay", "on"),
            Self::Unsteady => ("follow", "no line"),
        };
        format!("{verb} {rest}")
    }
}

impl fmt::Display for Behaviour {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::FollowsRts => "follows RTS",
            Self::FollowsDtr => "follows DTR",
            Self::FollowsOut1 => "follows OUT1",
            Self::FollowsOut2 => "follows OUT2",
            Self::Off => "stays off",
            Self::On => "stays on",
            Self::Unsteady => "follows no line",
        })
    }
}

/// One modem line in a report.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineState {
    /// What the fitted plug must make it do; none: the plug says nothing of it.
    pub expected: Option<Behaviour>,
    /// What it did.
    pub seen: Behaviour,
    /// Whether that is right; none where nothing is expected.
    pub ok: Option<bool>,
    /// Its contact on the connector, where the plug tells which connector it is.
    pub pin: Option<String>,
}

/// Every modem line by its name; empty where none could be read.
pub fn lines(e: &SerialFacts) -> BTreeMap<String, LineState> {
    if e.modem.is_empty() {
        return BTreeMap::new();
    }
    ModemLine::ALL.into_iter().map(|line| (line.name().to_owned(), state(e, line))).collect()
}

/// Expected and seen of one line.
pub fn state(e: &SerialFacts, line: ModemLine) -> LineState {
    let seen = seen(&e.modem, line);
    let expected = e.plug.has_modem_lines().then(|| e.plug.driver_of(line).map_or(Behaviour::Off, Behaviour::follows));
    // Plugs of either kind are about, and a wire more or less to the ring indicator says nothing against anybody.
    let ring_wired = line == ModemLine::Ri && expected == Some(Behaviour::Off) && seen == Behaviour::FollowsRts;
    let ok = expected.map(|expected| expected == seen || ring_wired);
    LineState { expected, seen, ok, pin: e.plug.pin_of(line).map(str::to_owned) }
}

fn seen(readings: &[ModemReading], line: ModemLine) -> Behaviour {
    let all = |test: &dyn Fn(&ModemReading) -> bool| readings.iter().all(test);
    if all(&|r| line.of(r.inputs)) {
        return Behaviour::On;
    }
    if all(&|r| !line.of(r.inputs)) {
        return Behaviour::Off;
    }
    let follows = |driver: &LineDriver| all(&|r| line.of(r.inputs) == driver.of(r.outputs));
    LineDriver::ALL.into_iter().find(follows).map_or(Behaviour::Unsteady, Behaviour::follows)
}

/// What is wrong, a line of text each with its pins; empty where all is as it must be.
pub fn faults(e: &SerialFacts) -> Vec<String> {
    let wrong: Vec<(ModemLine, LineState)> = ModemLine::ALL
        .into_iter()
        .map(|line| (line, state(e, line)))
        .filter(|(_, state)| state.ok == Some(false) && !e.modem.is_empty())
        .collect();
    let mut told = Vec::new();
    let mut left = wrong.clone();
    // Two lines that each do what the other must have changed places. None does so by itself, since it is wrong.
    for (i, (first, a)) in wrong.iter().enumerate() {
        for (second, b) in &wrong[i..] {
            if Some(a.seen) == b.expected && Some(b.seen) == a.expected {
                told.push(format!("{} and {} are crossed", named(e.plug, *first), named(e.plug, *second)));
                left.retain(|(line, _)| line != first && line != second);
            }
        }
    }
    // Every line of one output silent: the output is open rather than all of them.
    for driver in [LineDriver::Rts, LineDriver::Dtr] {
        let driven: Vec<ModemLine> =
            ModemLine::ALL.into_iter().filter(|line| e.plug.driver_of(*line) == Some(driver)).collect();
        let silent = |line: &ModemLine| left.iter().any(|(l, s)| l == line && s.seen == Behaviour::Off);
        if driven.len() > 1 && driven.iter().all(silent) {
            let lines: Vec<String> = driven.iter().map(|line| named(e.plug, *line)).collect();
            let pin = e.plug.pin_of_driver(driver).map_or(String::new(), |pin| format!(" (pin {pin})"));
            told.push(format!("{driver}{pin} drives nothing: {} stay off", lines.join(" and ")));
            left.retain(|(line, _)| !driven.contains(line));
        }
    }
    told.extend(left.iter().map(|(line, state)| {
        let name = named(e.plug, *line);
        let must =
            state.expected.map_or(String::new(), |expected| format!("; with this plug it should {}", expected.verb()));
        match state.seen {
            Behaviour::On => format!("{name} is stuck on{must}"),
            Behaviour::Off => format!("{name} is open or stuck off{must}"),
            seen => format!("{name} {seen}{must}"),
        }
    }));
    told
}

/// Readings of lines that did not do what they must.
pub fn wrong_readings(e: &SerialFacts) -> u64 {
    let wrong = |reading: &&(ModemReading, ModemLine)| {
        let (reading, line) = reading;
        state(e, *line).ok == Some(false)
            && e.plug.expects(*line, reading.outputs).is_some_and(|expected| expected != line.of(reading.inputs))
    };
    let all: Vec<_> = e.modem.iter().flat_map(|reading| ModemLine::ALL.map(|line| (*reading, line))).collect();
    all.iter().filter(wrong).count() as u64
}

/// Whether lines are expected to follow and not one moved: what a plug for data only looks like.
pub fn none_moved(e: &SerialFacts) -> bool {
    e.plug.has_modem_lines()
        && !e.modem.is_empty()
        && ModemLine::ALL.into_iter().all(|line| state(e, line).seen == Behaviour::Off)
}

fn named(plug: LinePlug, line: ModemLine) -> String {
    plug.pin_of(line).map_or_else(|| line.to_string(), |pin| format!("{line} (pin {pin})"))
}
