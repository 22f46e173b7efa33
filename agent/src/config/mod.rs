//! The daemon's configuration: a TOML file to a [`Config`] that holds only what can be carried out.
//!
//! [`mod@file`] is the text as people write it, every key of it; here it becomes typed values, or an error that names
//! file and line. `docs/config.md` describes each key.

pub mod announce;
pub mod bench;
pub mod error;
pub mod file;
pub mod fleet;
pub mod http;
pub mod labels;
pub mod schedule;

#[cfg(test)]
mod tests;

use std::{
    path::{Path, PathBuf},
    str::FromStr,
    time::Duration,
};

use jiff::tz::TimeZone;
use toml::Spanned;
use turnback_core::{
    base::placement::Placement,
    plan::{Profile, ProfileKind, parse_duration},
    watch::{
        selector::{Selector, Traits},
        standing::Hysteresis,
    },
};

use crate::error_chain::plain;
pub use bench::BenchConfig;
pub use error::ConfigError;
use error::Lines;
use fleet::FleetMember;
pub use http::HttpConfig;
use labels::PortLabels;
use schedule::{Hours, Schedule};

/// Everything the daemon is told.
#[derive(Clone, Debug)]
pub struct Config {
    /// The file it came from; none in the demo.
    pub file: Option<PathBuf>,
    /// Where records are kept; none: the usual place.
    pub store: Option<PathBuf>,
    /// Time zone in which times are shown, by name.
    pub zone: String,
    /// Limits on all runs together.
    pub limits: Limits,
    /// What is known of ports, in order: the first entry that fits a port is its own.
    pub ports: Vec<PortEntry>,
    /// What is done when.
    pub rounds: Vec<Round>,
    /// Whom to tell of changes.
    pub targets: Vec<Target>,
    /// Web page and API.
    pub http: HttpConfig,
    /// The fleet that this machine belongs to, if it belongs to one.
    pub fleet: Option<FleetMember>,
    /// The bench that this machine is, if it is one.
    pub bench: Option<BenchConfig>,
}

/// Limits on all runs together.
#[derive(Clone, Debug, PartialEq)]
pub struct Limits {
    /// Runs side by side, at most; 1 or more.
    pub runs_at_once: u32,
    /// Share of all processors that the daemon may use in the long run, over 0 to 1.
    pub cpu_share: f64,
    /// What a run may take beyond its plan before it is ended.
    pub overtime: Duration,
    /// Records older than this are removed; none: kept.
    pub keep_records: Option<Duration>,
    /// An open case in which nobody does anything for so long releases its port.
    pub case_idle: Duration,
}

/// What is known of the ports that a selector fits.
#[derive(Clone, Debug)]
pub struct PortEntry {
    /// Which.
    pub select: Selector,
    /// What they are called.
    pub labels: PortLabels,
}

/// One scheduled pass over ports.
#[derive(Clone, Debug)]
pub struct Round {
    /// Name.
    pub name: String,
    /// A port belongs to it if one of these fits.
    pub select: Vec<Selector>,
    /// When.
    pub schedule: Schedule,
    /// What is sent and what a pass must prove.
    pub profile: Profile,
    /// Where the plug is.
    pub placement: Option<Placement>,
    /// How many findings it takes to believe one.
    pub hysteresis: Hysteresis,
    /// How soon something found is looked at again.
    pub repeat_after: Duration,
    /// A proof older than this proves nothing.
    pub proof_lasts: Duration,
    /// Missed times are caught up, once.
    pub catch_up: bool,
    /// Ports of one adapter may be tested side by side.
    pub side_by_side: bool,
    /// Names of the targets that are told of changes; all when empty.
    pub announce: Vec<String>,
}

/// Whom to tell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Target {
    /// Name.
    pub name: String,
    /// How.
    pub way: Way,
    /// Time limit of one attempt.
    pub time_limit: Duration,
}

/// How a target is told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Way {
    /// A line in the daemon's log.
    Log,
    /// A program with its arguments, run without a shell.
    Command(Vec<String>),
    /// An HTTP POST.
    Webhook {
        /// Where to.
        url: String,
        /// File with the secret that signs it.
        secret_file: Option<PathBuf>,
    },
}

impl Config {
    /// Reads and checks a file.
    ///
    /// # Errors
    /// The first thing wrong, with file and line, and what is allowed there.
    pub fn read(path: &Path) -> Result<Self, ConfigError> {
        let file = path.display().to_string();
        let bytes = std::fs::read(path).map_err(|source| ConfigError::Unreadable { file: file.clone(), source })?;
        let mut config = Self::parse(&file, Lines::of(&file, &bytes)?.text)?;
        config.file = Some(path.to_owned());
        Ok(config)
    }

    /// Checks a text; `file` names it in errors, and its folder is where relative profile files are looked for.
    ///
    /// # Errors
    /// As for [`Config::read`].
    pub fn parse(file: &str, text: &str) -> Result<Self, ConfigError> {
        let lines = Lines { file, text };
        let raw: file::File = toml::from_str(text).map_err(|error| lines.toml(&error))?;
        let targets = raw.announce.iter().map(|t| target(t, &lines)).collect::<Result<Vec<_>, _>>()?;
        for (n, target) in targets.iter().enumerate() {
            if targets[..n].iter().any(|t| t.name == target.name) {
                return Err(
                    lines.at(raw.announce[n].name.span(), format!("a second target is named `{}`", target.name))
                );
            }
        }
        let mut rounds: Vec<Round> = Vec::new();
        for raw_round in &raw.round {
            let round = round(raw_round, &raw, &targets, &lines)?;
            if rounds.iter().any(|r| r.name == round.name) {
                return Err(lines.at(raw_round.name.span(), format!("a second round is named `{}`", round.name)));
            }
            rounds.push(round);
        }
        let bench = raw.bench.as_ref().map(|bench| bench::check(bench, &targets, &lines)).transpose()?;
        Ok(Self {
            file: None,
            store: raw.store.clone(),
            zone: zone(raw.zone.as_ref(), &lines)?.0,
            limits: limits(&raw.limits, &lines)?,
            ports: raw.port.iter().map(|p| port(p, &lines)).collect::<Result<_, _>>()?,
            rounds,
            targets,
            http: http::check(&raw.http, &lines)?,
            fleet: raw.fleet.as_ref().map(|fleet| fleet::member(fleet, &host_name(), &lines)).transpose()?,
            bench,
        })
    }

    /// What a port is called, and the numbers of its rounds.
    pub fn labels_and_rounds(&self, port: &Traits<'_>) -> (PortLabels, Vec<usize>) {
        let entry = self.ports.iter().find(|entry| entry.select.selects(port));
        let labels = entry.map(|entry| entry.labels.clone()).unwrap_or_default();
        let traits =
            Traits { label: labels.label.as_deref(), cabinet: labels.cabinet.as_deref(), spare: labels.spare, ..*port };
        let belongs = |number: &usize| self.rounds[*number].select.iter().any(|select| select.selects(&traits));
        let rounds = (0..self.rounds.len()).filter(belongs).collect();
        (labels, rounds)
    }

    /// Names of ports that are named outright, which need not be in any list of the machine's: simulated ones, serial
    /// lines by a link.
    pub fn named_ports(&self) -> impl Iterator<Item = &str> {
        self.ports.iter().filter_map(|p| p.select.name.as_deref()).filter(|name| !name.contains(['*', '?']))
    }
}

/// The machine's own name; empty where the kernel does not say.
fn host_name() -> String {
    std::fs::read_to_string("/proc/sys/kernel/hostname").map(|name| name.trim().to_owned()).unwrap_or_default()
}

fn limits(raw: &file::Limits, lines: &Lines<'_>) -> Result<Limits, ConfigError> {
    let processors = std::thread::available_parallelism().map_or(1, usize::from) as u32;
    // A run sends on one processor and receives on another.
    let runs_at_once = match &raw.runs_at_once {
        None => (processors / 2).max(1),
        Some(n) if (1..=64).contains(n.get_ref()) => *n.get_ref(),
        Some(n) => return Err(lines.value(n, "runs_at_once", "1 to 64")),
    };
    let cpu_share = match &raw.cpu_share {
        None => 0.5,
        Some(share) if *share.get_ref() > 0.0 && *share.get_ref() <= 1.0 => *share.get_ref(),
        Some(share) => return Err(lines.value(share, "cpu_share", "over 0 to 1, a share of all processors")),
    };
    Ok(Limits {
        runs_at_once,
        cpu_share,
        overtime: time(&raw.overtime, lines)?.unwrap_or(Duration::from_secs(60)),
        keep_records: time(&raw.keep_records, lines)?,
        case_idle: time(&raw.case_idle, lines)?.unwrap_or(Duration::from_secs(2 * 3600)),
    })
}

fn port(raw: &file::Port, lines: &Lines<'_>) -> Result<PortEntry, ConfigError> {
    if raw.select.get_ref().is_empty() {
        return Err(lines.at(raw.select.span(), EMPTY_SELECTOR));
    }
    // Labels are what is given here: a selector that asked for them would choose ports by themselves.
    let select = raw.select.get_ref();
    if select.label.is_some() || select.cabinet.is_some() || select.spare.is_some() {
        return Err(lines.at(
            raw.select.span(),
            "a port's entry is chosen by name, bus or driver; label, cabinet and spare are what the entry gives it",
        ));
    }
    for text in [&raw.label, &raw.cable, &raw.cabinet].into_iter().flatten() {
        if text.get_ref().is_empty() || text.get_ref().len() > 100 || text.get_ref().contains(char::is_control) {
            return Err(lines.value(text, "label", "1 to 100 characters, none of them a control character"));
        }
    }
    let taken = |text: &Option<Spanned<String>>| text.as_ref().map(|t| t.get_ref().clone());
    let labels = PortLabels {
        label: taken(&raw.label),
        cable: taken(&raw.cable),
        cabinet: taken(&raw.cabinet),
        spare: raw.spare,
        line: parsed(&raw.line, lines)?,
        wiring: parsed(&raw.wiring, lines)?,
    };
    Ok(PortEntry { select: select.clone(), labels })
}

fn round(raw: &file::Round, whole: &file::File, targets: &[Target], lines: &Lines<'_>) -> Result<Round, ConfigError> {
    let name = name(&raw.name, lines)?;
    if raw.select.get_ref().is_empty() {
        return Err(lines.at(raw.select.span(), "a round needs a selector, such as select = [{ spare = true }]"));
    }
    if raw.select.get_ref().iter().any(Selector::is_empty) {
        return Err(lines.at(raw.select.span(), EMPTY_SELECTOR));
    }
    let (_, zone) = zone(raw.zone.as_ref().or(whole.zone.as_ref()), lines)?;
    let hours = raw
        .hours
        .iter()
        .map(|text| Hours::parse(text.get_ref()).map_err(|allowed| lines.value(text, "hours", &allowed)))
        .collect::<Result<Vec<_>, _>>()?;
    let jitter = time_or_zero(&raw.jitter, lines)?;
    let schedule = Schedule::new(raw.schedule.get_ref(), zone, jitter, hours)
        .map_err(|allowed| lines.value(&raw.schedule, "schedule", &allowed))?;
    let profile = profile(raw, lines)?;
    let planned = planned_time(&profile);
    if let Some(longest) = schedule.longest_window()
        && planned > longest
    {
        let at = raw.hours.first().map_or(raw.schedule.span(), Spanned::span);
        let text = format!(
            "a run of profile `{}` takes up to {} s, more than the longest of the allowed hours, {} s",
            profile.name,
            planned.as_secs(),
            longest.as_secs()
        );
        return Err(lines.at(at, text));
    }
    let placement = match &raw.placement {
        None => None,
        Some(text) => match text.get_ref().parse::<Placement>() {
            Ok(place) if place != Placement::ReturnPort => Some(place),
            _ => return Err(lines.value(text, "placement", "internal, at-port or far-end")),
        },
    };
    let default = Hysteresis::default();
    let count = |given: &Option<Spanned<u32>>, name: &str, default: u32| match given {
        None => Ok(default),
        Some(n) if (1..=20).contains(n.get_ref()) => Ok(*n.get_ref()),
        Some(n) => Err(lines.value(n, name, "1 to 20")),
    };
    Ok(Round {
        name,
        select: raw.select.get_ref().clone(),
        schedule,
        profile,
        placement,
        hysteresis: Hysteresis {
            faults_to_fail: count(&raw.faults_to_fail, "faults_to_fail", default.faults_to_fail)?,
            passes_to_clear: count(&raw.passes_to_clear, "passes_to_clear", default.passes_to_clear)?,
            inconclusive_to_doubt: count(
                &raw.inconclusive_to_doubt,
                "inconclusive_to_doubt",
                default.inconclusive_to_doubt,
            )?,
        },
        repeat_after: time(&raw.repeat_after, lines)?.unwrap_or(Duration::from_secs(300)),
        proof_lasts: time(&raw.proof_lasts, lines)?.unwrap_or(Duration::from_secs(31 * 86_400)),
        catch_up: raw.catch_up,
        side_by_side: raw.side_by_side,
        announce: announced_to(&raw.announce, targets, lines)?,
    })
}

/// Names of targets, each of which is there.
fn announced_to(raw: &[Spanned<String>], targets: &[Target], lines: &Lines<'_>) -> Result<Vec<String>, ConfigError> {
    let known = |wanted: &Spanned<String>| targets.iter().any(|t| t.name == *wanted.get_ref());
    if let Some(wanted) = raw.iter().find(|wanted| !known(wanted)) {
        let names: Vec<_> = targets.iter().map(|t| t.name.as_str()).collect();
        let allowed = if names.is_empty() {
            "no [[announce]] target is defined".to_owned()
        } else {
            format!("a target defined by [[announce]]: {}", names.join(", "))
        };
        return Err(lines.value(wanted, "announce", &allowed));
    }
    Ok(raw.iter().map(|target| target.get_ref().clone()).collect())
}

/// A time zone and its name.
fn zone(raw: Option<&Spanned<String>>, lines: &Lines<'_>) -> Result<(String, TimeZone), ConfigError> {
    let Some(text) = raw else { return Ok(("UTC".to_owned(), TimeZone::UTC)) };
    let zone = TimeZone::get(text.get_ref())
        .map_err(|_| lines.value(text, "zone", "a time zone of this machine, such as `UTC` or `Etc/GMT-1`"))?;
    Ok((text.get_ref().clone(), zone))
}

/// How long a run of this profile takes at most, by its plan.
pub fn planned_time(profile: &Profile) -> Duration {
    let sizes = profile.sizes_bytes.len() as u32;
    let steps = sizes * profile.patterns.len() as u32;
    // Link, listening and the handful come before; confirming a fault may come after.
    let around = profile.listen + Duration::from_secs(30) + (profile.settle + Duration::from_secs(2)) * steps;
    around
        + match profile.kind {
            ProfileKind::Steps => profile.time * steps,
            ProfileKind::Soak | ProfileKind::Proof => profile.time,
            // A search tries some twenty rates for each size.
            ProfileKind::RateSearch => (profile.time + profile.settle) * 20 * sizes,
        }
}

fn profile(raw: &file::Round, lines: &Lines<'_>) -> Result<Profile, ConfigError> {
    let given = raw.profile.get_ref();
    let mut profile = match Profile::named(given) {
        Ok(profile) => profile,
        Err(unknown) => {
            let path = match Path::new(lines.file).parent() {
                Some(folder) => folder.join(given),
                None => PathBuf::from(given),
            };
            let text = std::fs::read_to_string(&path).map_err(|error| match error.kind() {
                std::io::ErrorKind::NotFound => lines.at(raw.profile.span(), unknown.to_string()),
                _ => lines.at(raw.profile.span(), format!("{} cannot be read: {}", path.display(), plain(&error))),
            })?;
            Profile::parse(&path.display().to_string(), &text)
                .map_err(|error| lines.at(raw.profile.span(), error.to_string()))?
        }
    };
    if let Some(time) = time(&raw.time, lines)? {
        profile.time = time;
    }
    if let Some(rate) = &raw.rate {
        profile.rate = rate.get_ref().parse().map_err(|e| lines.at(rate.span(), format!("{e}")))?;
    }
    if let Some(ratio) = &raw.target_ber {
        profile.target_ber = *ratio.get_ref();
        profile.validate().map_err(|e| lines.at(ratio.span(), e.to_string()))?;
    }
    Ok(profile)
}

fn target(raw: &announce::Announce, lines: &Lines<'_>) -> Result<Target, ConfigError> {
    let name = name(&raw.name, lines)?;
    let way = match (raw.log, &raw.command, &raw.webhook) {
        (true, None, None) => Way::Log,
        (false, Some(words), None) => {
            let Some(program) = words.get_ref().first() else {
                return Err(lines.at(words.span(), "a command needs a program"));
            };
            if !program.starts_with('/') {
                return Err(lines.at(
                    words.span(),
                    format!("program `{program}` is no absolute path: no shell and no search path is used"),
                ));
            }
            Way::Command(words.get_ref().clone())
        }
        (false, None, Some(url)) => {
            let text = url.get_ref();
            let parsed = text.parse::<ureq::http::Uri>().ok().filter(|uri| {
                matches!(uri.scheme_str(), Some("http" | "https")) && uri.host().is_some_and(|host| !host.is_empty())
            });
            if parsed.is_none() {
                // What is written there may be a secret, and this goes to the log.
                return Err(lines.at(url.span(), "webhook is no address that begins with http:// or https://"));
            }
            Way::Webhook { url: text.clone(), secret_file: raw.secret_file.clone() }
        }
        _ => {
            return Err(
                lines.at(raw.name.span(), format!("target `{name}` needs exactly one of log = true, command, webhook"))
            );
        }
    };
    if raw.secret_file.is_some() && !matches!(way, Way::Webhook { .. }) {
        return Err(lines.at(raw.name.span(), format!("target `{name}`: secret_file goes with webhook only")));
    }
    let time_limit = time(&raw.time_limit, lines)?.unwrap_or(Duration::from_secs(20));
    Ok(Target { name, way, time_limit })
}

fn name(raw: &Spanned<String>, lines: &Lines<'_>) -> Result<String, ConfigError> {
    let text = raw.get_ref();
    let fine = (1..=40).contains(&text.len())
        && text.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
        && text != "asked";
    if fine { Ok(text.clone()) } else { Err(lines.value(raw, "name", "1 to 40 of a-z, 0-9 and -, and not `asked`")) }
}

fn time(raw: &Option<Spanned<String>>, lines: &Lines<'_>) -> Result<Option<Duration>, ConfigError> {
    raw.as_ref().map(|text| long_time(text.get_ref()).map_err(|error| lines.at(text.span(), error))).transpose()
}

/// As [`parse_duration`], and whole days beyond its month.
fn long_time(text: &str) -> Result<Duration, String> {
    match text.strip_suffix('d').map(str::parse::<u32>) {
        Some(Ok(days @ 1..=36_500)) => Ok(Duration::from_secs(u64::from(days) * 86_400)),
        _ => parse_duration(text).map_err(|error| error.to_string()),
    }
}

fn time_or_zero(raw: &Option<Spanned<String>>, lines: &Lines<'_>) -> Result<Duration, ConfigError> {
    Ok(time(raw, lines)?.unwrap_or(Duration::ZERO))
}

/// A value that says by itself what is allowed.
fn parsed<T>(raw: &Option<Spanned<String>>, lines: &Lines<'_>) -> Result<Option<T>, ConfigError>
where
    T: FromStr<Err: std::fmt::Display>,
{
    let parsed =
        |text: &Spanned<String>| text.get_ref().parse().map_err(|e: T::Err| lines.at(text.span(), e.to_string()));
    raw.as_ref().map(parsed).transpose()
}

const EMPTY_SELECTOR: &str =
    "an empty selector would mean every port; name one of name, bus, driver, label, cabinet, spare";
