//! What a configuration means on this machine: which ports each round chooses, when it is due, and what looks like a
//! mistake although it can be carried out.

use std::{
    collections::BTreeSet,
    fs,
    os::unix::fs::PermissionsExt,
    path::{Path, PathBuf},
};

use jiff::Timestamp;
use turnback_core::watch::selector::Selector;

use super::{
    bench::{paper, room::is_of_bench},
    host::PortFacts,
};
use crate::{
    config::{BenchConfig, Config, Way},
    error_chain::{plain, with_causes},
    ports::name::PortName,
    secret::{self, SecretError},
    show::label::Size,
    work::bench::{CardEntry, lot, names},
};

/// What a configuration means.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Review {
    /// Each round.
    pub rounds: Vec<RoundReview>,
    /// The bench and the cards that it would test now, in a line; none where the machine is none.
    pub bench: Option<String>,
    /// What looks like a mistake, each with its place.
    pub warnings: Vec<String>,
}

/// What a round does.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RoundReview {
    /// Its name.
    pub name: String,
    /// Ports that it chooses now.
    pub ports: Vec<String>,
    /// Its next times, before the jitter, in its time zone.
    pub times: Vec<String>,
}

/// Reviews a configuration on a machine with these ports and cards at a time. Looks at the files that it names.
pub fn review(config: &Config, ports: &[PortFacts], cards: &[CardEntry], now: Timestamp) -> Review {
    let named = |facts: &PortFacts| (facts.name.clone(), config.labels_and_rounds(&facts.traits()));
    let known: Vec<_> = ports.iter().map(named).collect();
    let rounds: Vec<RoundReview> = (0..config.rounds.len())
        .map(|number| {
            let round = &config.rounds[number];
            let chosen = known.iter().filter(|(_, (_, rounds))| rounds.contains(&number));
            RoundReview {
                name: round.name.clone(),
                ports: chosen.map(|(name, _)| name.clone()).collect(),
                times: round.schedule.next_times(now, TIMES_SHOWN),
            }
        })
        .collect();
    let mut warnings = Vec::new();
    if config.rounds.is_empty() && config.bench.is_none() {
        warnings.push("there is no [[round]]: nothing is tested on schedule".to_owned());
    }
    if config.targets.is_empty() {
        warnings.push("there is no [[announce]]: nobody is told when a port fails".to_owned());
    }
    let idle = rounds.iter().filter(|round| round.ports.is_empty());
    warnings.extend(idle.map(|round| format!("round {} chooses no port of this machine", round.name)));
    let unused = known.iter().filter(|(_, (labels, rounds))| labels.spare && rounds.is_empty());
    warnings.extend(unused.map(|(name, _)| format!("{name} is a spare and in no round: it is never tested")));
    warnings.extend(of_entries(config, ports));
    warnings.extend(of_files(config));
    let bench = config.bench.as_ref().map(|bench| {
        let (told, wrong) = of_bench(bench, cards, &rounds);
        warnings.extend(wrong);
        told
    });
    Review { rounds, bench, warnings }
}

/// The bench in a line, and what looks like a mistake.
fn of_bench(bench: &BenchConfig, cards: &[CardEntry], rounds: &[RoundReview]) -> (String, Vec<String>) {
    let lot = bench.lot.as_ref().map_or("its own lot".to_owned(), |lot| format!("lot {lot}"));
    if let Some(rig) = &bench.rig {
        return (format!("bench {rig}: {lot}"), Vec::new());
    }
    let mut warnings = Vec::new();
    let is_named = |entry: &&CardEntry, name: &String| names(entry).contains(name);
    let reference = bench.reference.as_ref().and_then(|name| cards.iter().find(|entry| is_named(entry, name)));
    match (&bench.reference, reference) {
        (None, _) => {
            warnings.push("[bench] names no reference card: no certificate says that the bench is proved".into())
        }
        (Some(name), None) => warnings.push(format!("[bench]: no card of this machine is called {name}")),
        (Some(_), Some(_)) => {}
    }
    let round_of = |entry: &CardEntry| {
        let watched = |port: &str| rounds.iter().find(|round| round.ports.iter().any(|known| known == port));
        entry.card.ports.iter().find_map(|port| Some((port.name.clone(), watched(&port.name)?.name.clone())))
    };
    let of_bench: Vec<&CardEntry> = cards.iter().filter(|entry| is_of_bench(bench, &entry.slot)).collect();
    for (entry, (port, round)) in of_bench.iter().chain(&reference).filter_map(|entry| Some((entry, round_of(entry)?)))
    {
        let slot = &entry.slot;
        warnings.push(format!("[bench]: round {round} chooses {port}, so that the card in {slot} is left alone"));
    }
    let others = of_bench.iter().filter(|entry| reference.is_none_or(|reference| reference.at != entry.at));
    let now = others.filter(|entry| entry.testable && round_of(entry).is_none()).map(|entry| entry.slot.clone());
    let now: Vec<String> = now.collect();
    let now = if now.is_empty() { "none".to_owned() } else { now.join(", ") };
    (format!("bench of this machine: {lot}\n  slots with a card to test now: {now}"), warnings)
}

/// Entries for ports that apply to none.
fn of_entries(config: &Config, ports: &[PortFacts]) -> Vec<String> {
    let mut warnings = Vec::new();
    let mut taken: BTreeSet<&str> = BTreeSet::new();
    for entry in &config.ports {
        let fits = |facts: &&PortFacts| entry.select.selects(&facts.traits());
        let matched: Vec<&str> = ports.iter().filter(fits).map(|facts| facts.name.as_str()).collect();
        let which = described(&entry.select);
        let rig = entry.select.name.as_deref().map(PortName::parse).and_then(|name| name.rig().err());
        match rig {
            Some(error) => warnings.push(format!("[[port]] {which}: {}", with_causes(&error))),
            None if matched.is_empty() => warnings.push(format!("[[port]] {which}: this machine has no such port")),
            None if matched.iter().all(|name| taken.contains(name)) => warnings.push(format!(
                "[[port]] {which} applies to no port: entries before it match {} already",
                matched.join(", ")
            )),
            None => {}
        }
        taken.extend(matched);
    }
    warnings
}

/// Programs, secrets and certificates that are not there or cannot be used.
fn of_files(config: &Config) -> Vec<String> {
    let mut warnings = Vec::new();
    for target in &config.targets {
        match &target.way {
            Way::Log | Way::Webhook { secret_file: None, .. } => {}
            Way::Command(words) => {
                let program = words.first().map(PathBuf::from).unwrap_or_default();
                let wrong = match fs::metadata(&program) {
                    Err(error) => Some(error.to_string()),
                    Ok(file) if !file.is_file() => Some("it is no file".to_owned()),
                    Ok(file) if file.permissions().mode() & 0o111 == 0 => Some("it may not be executed".to_owned()),
                    Ok(_) => None,
                };
                let told = |wrong| format!("target {}: cannot run {}: {wrong}", target.name, program.display());
                warnings.extend(wrong.map(told));
            }
            Way::Webhook { secret_file: Some(file), .. } => {
                warnings.extend(unusable(file).map(|wrong| format!("target {}: secret_file {wrong}", target.name)));
            }
        }
    }
    if let Some(broker) = config.fleet.as_ref().map(|fleet| &fleet.broker) {
        let ca = broker.ca_file.as_ref().and_then(|file| unusable(file));
        warnings.extend(ca.map(|wrong| format!("[fleet]: ca_file {wrong}")));
        let secret = broker.credentials_file.as_ref().and_then(|file| secret::read(file).err());
        warnings.extend(secret.map(|error| format!("[fleet]: credentials_file: {}", with_causes(&error))));
    }
    if let Some(bench) = &config.bench {
        let missing = paper::missing(bench);
        warnings.extend(missing.iter().map(|folder| format!("[bench]: there is no folder {}", folder.display())));
        warnings.extend(Size::parse(&bench.label_size).err().map(|wrong| format!("[bench]: label_{wrong}")));
        let rig = bench.rig.as_deref().and_then(|rig| lot::rig(rig).err());
        warnings.extend(rig.map(|error| format!("[bench]: {}", with_causes(&error))));
        if bench.ask && !config.http.enabled {
            warnings.push("[bench]: nobody can answer it while the page is off; see ask and [http]".to_owned());
        }
    }
    if let Some((certificate, key)) = config.http.tls.as_ref().filter(|_| config.http.enabled) {
        for file in [certificate, key] {
            warnings.extend(unusable(file).map(|wrong| format!("[http]: {wrong}")));
        }
    }
    warnings
}

/// Why a file cannot be used, if it cannot.
fn unusable(file: &Path) -> Option<String> {
    match fs::read(file) {
        Err(error) => Some(format!("{} cannot be read: {}", file.display(), plain(&error))),
        Ok(bytes) if bytes.trim_ascii().is_empty() => Some(format!("{} is empty", file.display())),
        Ok(_) => match secret::read(file) {
            Err(SecretError::TooOpen { path, mode }) => Some(format!(
                "{} can be read by others (mode {mode:04o}): chmod 600 {0}, and draw another secret",
                path.display()
            )),
            _ => None,
        },
    }
}

/// A selector of an entry, as it is written.
fn described(select: &Selector) -> String {
    let parts = [("name", &select.name), ("bus", &select.bus), ("driver", &select.driver)];
    let parts = parts.iter().filter_map(|(key, value)| value.as_ref().map(|value| format!("{key} = \"{value}\"")));
    parts.collect::<Vec<_>>().join(", ")
}

const TIMES_SHOWN: usize = 3;

#[cfg(test)]
mod tests {
    use turnback_core::bench::card::{Card, CardPort};

    use super::*;

    fn facts(name: &str) -> PortFacts {
        PortFacts { name: name.into(), driver: Some("harbour".into()), ..PortFacts::default() }
    }

    /// A card with one port in each of three slots.
    fn cards() -> Vec<CardEntry> {
        let card = |slot: &str, port: &str| CardEntry {
            card: Card { ports: vec![CardPort { name: port.into(), ..CardPort::default() }], ..Card::default() },
            slot: slot.into(),
            at: format!("at {slot}"),
            bus: None,
            bus_errors: None,
            temperature_c: None,
            lines: Vec::new(),
            testable: true,
            why_not: Vec::new(),
        };
        vec![card("slot-1", "quay0"), card("slot-2", "quay1"), card("slot-3", "quay2"), card("board-1", "lock0")]
    }

    fn reviewed(text: &str) -> Review {
        let config = Config::parse("agent.toml", text).unwrap();
        review(&config, &[facts("quay0"), facts("quay1")], &cards(), "2026-03-28T12:00:00Z".parse().unwrap())
    }

    #[test]
    fn a_round_is_shown_with_its_ports_and_times() {
        let text = "[[port]]\nselect = { name = 'quay*' }\nspare = true\n[[round]]\nname = 'night'\n\
            select = [{ spare = true }]\nschedule = '30 2 * * *'\nzone = 'Europe/Berlin'\n\
            [[announce]]\nname = 'journal'\nlog = true\n";
        let review = reviewed(text);
        assert_eq!(review.warnings, Vec::<String>::new());
        // Clocks went from 2:00 to 3:00 on 2026-03-29 (Directive 2000/84/EC, articles 2 and 3).
        let times = ["2026-03-29 03:00", "2026-03-30 02:30", "2026-03-31 02:30"];
        let times = times.map(|time| format!("{time} Europe/Berlin")).to_vec();
        let ports = vec!["quay0".to_owned(), "quay1".to_owned()];
        assert_eq!(review.rounds, [RoundReview { name: "night".into(), ports, times }]);
        assert_eq!(review.bench, None);
    }

    #[test]
    fn a_bench_is_shown_with_its_cards_and_those_of_a_round_are_left_alone() {
        let announced = "[[announce]]\nname = 'journal'\nlog = true\n";
        let bench = "[bench]\nlot = 'quay-7'\nreference = 'slot-3'\n";
        let fine = reviewed(&format!("{announced}{bench}"));
        assert_eq!(fine.warnings, Vec::<String>::new());
        let told = "bench of this machine: lot quay-7\n  slots with a card to test now: slot-1, slot-2";
        assert_eq!(fine.bench.as_deref(), Some(told));
        let round = "[[round]]\nname = 'night'\nselect = [{ name = 'quay1' }]\nschedule = '30 2 * * *'\n";
        let bench =
            "[bench]\nlot = 'quay-7'\nreference = 'slot-9'\nlabels = '/nonexistent/labels'\nlabel_size = 'wide'\n";
        let wrong = reviewed(&format!("{announced}{round}{bench}"));
        assert!(wrong.bench.unwrap().ends_with("now: slot-1, slot-3"));
        let told = wrong.warnings.join("\n");
        for part in [
            "no folder /nonexistent/labels",
            "label_size `wide`",
            "no card of this machine is called slot-9",
            "round night chooses quay1, so that the card in slot-2 is left alone",
        ] {
            assert!(told.contains(part), "{part:?} in\n{told}");
        }
        assert_eq!(told.lines().count(), 4, "{told}");
    }

    #[test]
    fn what_looks_like_a_mistake_is_told() {
        let empty = reviewed("");
        assert_eq!(empty.warnings.len(), 2, "{empty:?}");
        let folder = tempfile::tempdir().unwrap();
        let file = |name: &str, text: &str| {
            let path = folder.path().join(name);
            fs::write(&path, text).unwrap();
            path.display().to_string()
        };
        let (plain, blank) = (file("tell", "#!/bin/sh\n"), file("secret", "\n"));
        let (told_to_all, owned) = (file("open-secret", "0123\n"), file("own-secret", "0123\n"));
        fs::set_permissions(&told_to_all, fs::Permissions::from_mode(0o644)).unwrap();
        fs::set_permissions(&owned, fs::Permissions::from_mode(0o600)).unwrap();
        let text = format!(
            "[[port]]\nselect = {{ name = 'quay?' }}\nspare = true\n\
             [[port]]\nselect = {{ name = 'quay1' }}\ncabinet = 'quay cabinet 3'\n\
             [[port]]\nselect = {{ name = 'lock0' }}\n\
             [[port]]\nselect = {{ name = 'sim:goood' }}\n\
             [[round]]\nname = 'night'\nselect = [{{ cabinet = 'quay cabinet 3' }}]\nschedule = '0 1 * * *'\n\
             [[announce]]\nname = 'radio'\ncommand = ['{plain}']\n\
             [[announce]]\nname = 'bell'\ncommand = ['/nonexistent/bell']\n\
             [[announce]]\nname = 'office'\nwebhook = 'https://office.example/'\nsecret_file = '{blank}'\n\
             [[announce]]\nname = 'gate'\nwebhook = 'https://gate.example/'\nsecret_file = '{told_to_all}'\n\
             [[announce]]\nname = 'tower'\nwebhook = 'https://tower.example/'\nsecret_file = '{owned}'\n"
        );
        let told = reviewed(&text).warnings.join("\n");
        for part in [
            "round night chooses no port",
            "quay0 is a spare and in no round",
            "name = \"quay1\" applies to no port: entries before it match quay1",
            "name = \"lock0\": this machine has no such port",
            "name = \"sim:goood\": ",
            "tell: it may not be executed",
            "/nonexistent/bell: ",
            "secret is empty",
            "open-secret can be read by others (mode 0644)",
        ] {
            assert!(told.contains(part), "{part:?} in\n{told}");
        }
        assert_eq!(told.lines().count(), 10, "{told}");
    }
}
