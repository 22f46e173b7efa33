//! A port of some machine in one line, and other words that several views show.

use std::collections::BTreeMap;

use turnback_core::{judge::in_list, watch::standing::State};

use crate::{
    fleet::view::{
        machines::Machine,
        overview::rank,
        ports::{Port, SILENT},
        runs::Run,
    },
    http::page::words,
    show::figure,
};

/// A port as a line in the book.
pub struct PortLine {
    /// Machine and port.
    pub name: String,
    /// Its page.
    pub href: String,
    /// Its state, for the look.
    pub state: &'static str,
    /// The word for that.
    pub word: String,
    /// Where it is: site, cabinet, cable, label.
    pub place: String,
    /// What to do about it.
    pub action: String,
    /// How long it has been so.
    pub since: String,
    /// What people know about it, and whether its machine is silent.
    pub note: String,
    /// Nothing to explain.
    pub is_proven: bool,
}

impl PortLine {
    /// Of a port, with the name of its machine, at a time in ms since 1970.
    pub fn new(port: &Port, now_ms: i64) -> Self {
        let silent =
            port.silent.then(|| format!("its machine was not heard for {}", words::age(now_ms - port.heard_ms)));
        let short = Self::short(port, now_ms);
        let note = silent.into_iter().chain((!short.note.is_empty()).then_some(short.note));
        Self {
            name: format!("{} {}", port.machine, port.port),
            note: note.collect::<Vec<_>>().join("; "),
            ..Self::short(port, now_ms)
        }
    }

    /// The same where the machine is named above, and how long it has been silent.
    pub fn short(port: &Port, now_ms: i64) -> Self {
        let cable = port.cable.as_ref().map(|cable| format!("cable {cable}"));
        let place = std::iter::once(port.site.clone()).chain(port.cabinet.clone()).chain(cable);
        Self {
            name: port.port.clone(),
            href: port_href(&port.site, &port.machine, &port.port),
            state: look(&port.state),
            word: word(&port.state),
            place: place.chain(port.label.clone()).collect::<Vec<_>>().join(", "),
            action: action(port, now_ms),
            since: port.since_ms.map_or(String::new(), |ms| words::age(now_ms - ms)),
            note: note(port),
            is_proven: port.state == State::Proven.name(),
        }
    }
}

fn note(port: &Port) -> String {
    let known = port.acknowledged_by.as_ref().map(|by| format!("{by} knows"));
    let case = port.case.as_ref().map(|_| "under diagnosis".to_owned());
    [case, known].into_iter().flatten().collect::<Vec<_>>().join("; ")
}

/// What to do about a port, in one line, beginning with where the fault may lie.
fn action(port: &Port, now_ms: i64) -> String {
    if port.state == SILENT {
        return format!("It was {} when its machine was last heard. Nobody knows how it stands now.", word(&port.told));
    }
    let Some(state) = known(&port.state) else { return words::sentence(&port.why) };
    match state {
        State::Failed | State::Suspect | State::Undecided => {
            let next = port.next_action.as_deref().unwrap_or_default();
            let first = words::sentence(next.split_inclusive(". ").next().unwrap_or_default());
            let places = port.location.iter().map(|place| place.replace('-', " ")).collect::<Vec<_>>().join(" or ");
            // The last run of a failed port may have passed: then its advice is not for what failed before.
            let is_of_this = !places.is_empty() || state == State::Undecided;
            match (is_of_this, first.is_empty()) {
                (false, _) | (true, true) if port.why.is_empty() => words::sentence(words::meaning(state)),
                (false, _) | (true, true) => words::sentence(words::plainly(&port.why)),
                (true, false) if places.is_empty() => first,
                (true, false) => format!("{}. {first}", words::upper(&places)),
            }
        }
        State::Gone => "The machine does not have it any more.".into(),
        State::Expired => "The proof ended. Test it again.".into(),
        State::NeverTested => "Not tested yet.".into(),
        State::ChipProven => "Only the loop inside the chip passed.".into(),
        State::Skipped => "In service: left alone.".into(),
        State::Proven => match port.proof_ends_ms {
            Some(ends) if ends > now_ms => format!("The proof holds for {}.", words::age(ends - now_ms)),
            _ => String::new(),
        },
    }
}

/// All that the run said to do about a port, or what a list says.
pub fn advice(port: &Port, now_ms: i64) -> String {
    let line = action(port, now_ms);
    if port.state == SILENT {
        return format!("Look at its machine first: its power, its network, its agent. {line}");
    }
    match (known(&port.state), &port.next_action) {
        (Some(State::Proven), _) => format!("Nothing. {line}").trim().to_owned(),
        (Some(State::Failed | State::Suspect), Some(next)) if !port.location.is_empty() => next.clone(),
        (Some(State::Undecided), Some(next)) => next.clone(),
        (Some(State::Failed | State::Suspect), _) => format!("{line} Find out where, in a case at the machine."),
        _ => line,
    }
}

/// The state of this name, if this program knows it.
pub fn known(state: &str) -> Option<State> {
    State::ALL.into_iter().find(|known| known.name() == state)
}

/// The word for a state; of a newer program, its own.
pub fn word(state: &str) -> String {
    known(state).map_or_else(|| state.replace('-', " "), |state| words::state(state).to_owned())
}

/// The look of a state.
pub fn look(state: &str) -> &'static str {
    if state == SILENT {
        // As that of its machine.
        return State::Gone.name();
    }
    known(state).unwrap_or(State::Undecided).name()
}

/// `1 failed, 3 proven`, the worst first.
pub fn summary(states: &BTreeMap<String, i64>) -> String {
    let mut some: Vec<_> = states.iter().filter(|(_, n)| **n > 0).collect();
    some.sort_by_key(|(state, _)| (rank(state), state.as_str()));
    some.iter().map(|(state, n)| format!("{} {}", count(**n), word(state))).collect::<Vec<_>>().join(", ")
}

/// A count as every outlet writes it.
pub fn count(n: i64) -> String {
    figure::count(n.unsigned_abs())
}

/// `1 port`, `2 ports`.
pub fn plural(n: i64, one: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{} {one}s", count(n)) }
}

/// A port's page.
pub fn port_href(site: &str, machine: &str, port: &str) -> String {
    format!("{}/{}", machine_href(site, machine), words::encoded(port))
}

/// A machine's page.
pub fn machine_href(site: &str, machine: &str) -> String {
    format!("/machines/{}/{}", words::encoded(site), words::encoded(machine))
}

/// A site's page.
pub fn site_href(site: &str) -> String {
    format!("/sites/{}", words::encoded(site))
}

/// A machine as a line.
pub struct MachineLine {
    /// Its name.
    pub name: String,
    /// Its page.
    pub href: String,
    /// Its site.
    pub site: String,
    /// `silent` or `heard`.
    pub word: &'static str,
    /// The look of that.
    pub look: &'static str,
    /// What is to be said about it.
    pub says: String,
    /// How long ago it was heard.
    pub heard: String,
}

impl MachineLine {
    /// Of a machine, at a time in ms since 1970.
    pub fn new(machine: &Machine, now_ms: i64) -> Self {
        let heard = words::age(now_ms - machine.heard_ms);
        let ports = machine.ports.map(|n| plural(n.into(), "port"));
        let need = machine.needs_attention.filter(|n| *n > 0).map(|n| format!("{n} need attention"));
        let behind = machine.waiting.filter(|n| *n > 0).map(|n| {
            let oldest =
                machine.oldest_ms.map_or(String::new(), |ms| format!(" for up to {}", words::age(now_ms - ms)));
            format!("{} not sent{oldest}", plural(n, "document"))
        });
        let lost = machine.given_up.filter(|n| *n > 0).map(|n| format!("{} given up", plural(n, "document")));
        let first = machine.silent.then(|| format!("not heard for {heard}: look at its power, network and agent"));
        let said = first.into_iter().chain(ports).chain(need).chain(behind).chain(lost);
        Self {
            name: machine.machine.clone(),
            href: machine_href(&machine.site, &machine.machine),
            site: machine.site.clone(),
            word: if machine.silent { "silent" } else { "heard" },
            look: if machine.silent { "gone" } else { "proven" },
            says: words::sentence(said.chain(machine.troubles.clone()).collect::<Vec<_>>().join("; ")),
            heard,
        }
    }
}

/// A run as a row.
pub struct RunRow {
    /// Its page.
    pub href: String,
    /// When it began.
    pub when: String,
    /// Machine and port.
    pub port: String,
    /// Their page.
    pub port_href: String,
    /// The site.
    pub site: String,
    /// Cable.
    pub cable: String,
    /// Where the plug was.
    pub placement: String,
    /// Profile.
    pub profile: String,
    /// Outcome, with its location if it is a fault.
    pub outcome: String,
    /// Word for the outcome's look.
    pub tone: String,
    /// Bit error ratio.
    pub ratio: String,
    /// Median round trip.
    pub trip: String,
    /// Compares it with another; empty: there is none.
    pub compare: String,
}

impl RunRow {
    /// Of runs, in their order. `other`: the run to compare each with.
    pub fn all(runs: &[Run], other: Option<&str>, zone: &jiff::tz::TimeZone) -> Vec<Self> {
        let began: Vec<i64> = runs.iter().map(|run| run.started_ms).collect();
        runs.iter().zip(words::moments(&began, zone)).map(|(run, when)| Self::new(run, when, other)).collect()
    }

    fn new(run: &Run, when: String, other: Option<&str>) -> Self {
        let outcome = in_list(&run.outcome.replace('-', " "), &run.location.join(" or "), run.scope.as_deref());
        let ratio = figure::ratio_or_below(run.error_ratio, run.error_ratio_upper);
        let other = other.filter(|other| *other != run.run);
        Self {
            href: words::run_href(&run.run),
            when,
            port: format!("{} {}", run.machine, run.port),
            port_href: port_href(&run.site, &run.machine, &run.port),
            site: run.site.clone(),
            cable: run.cable.clone().unwrap_or_else(|| "-".into()),
            placement: words::place_of_plug(&run.placement, None),
            profile: run.profile.clone(),
            outcome,
            tone: run.outcome.clone(),
            ratio,
            trip: run.latency_ns_p50.and_then(|ns| u64::try_from(ns).ok()).map_or("-".into(), figure::time_ns),
            compare: other.map_or(String::new(), |other| format!("/compare?a={}&b={other}", run.run)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_state_of_a_newer_program_is_shown_by_its_own_word() {
        assert_eq!((word("half-proven").as_str(), look("half-proven")), ("half proven", "undecided"));
        assert_eq!((word("silent").as_str(), look("silent")), ("silent", "gone"));
        assert_eq!((word("never-tested").as_str(), look("failed")), ("never tested", "failed"));
        let states = BTreeMap::from([("proven".into(), 12_000), ("failed".into(), 1), ("gone".into(), 0)]);
        assert_eq!(summary(&states), "1 failed, 12\u{a0}000 proven".replace('\u{a0}', &thousands()));
    }

    /// The separator that every outlet uses.
    fn thousands() -> String {
        figure::count(1000).trim_start_matches('1').trim_end_matches("000").to_owned()
    }
}
