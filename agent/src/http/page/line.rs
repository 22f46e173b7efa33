//! A port in one line: its state, its place, what to do about it.

use turnback_core::{
    judge::Location,
    watch::{care::Traced, observation::Ground, standing::State},
};

use super::words;
use crate::daemon::agent::{PortView, Watch};

/// A port as a line in the book.
#[derive(Clone)]
pub struct PortLine {
    /// Name.
    pub name: String,
    /// Its page.
    pub href: String,
    /// What is held of it.
    pub held: State,
    /// The name of that, for the look and for addresses.
    pub state: &'static str,
    /// The word for that.
    pub word: &'static str,
    /// The cabinet it is in, if any.
    pub cabinet: Option<String>,
    /// Where it is: cabinet, cable, label.
    pub place: String,
    /// What to do about it, beginning with where the fault may lie.
    pub action: String,
    /// How long it has been so.
    pub since: String,
    /// Who takes care of it, and the like; empty if nobody.
    pub note: String,
    /// Somebody has to look at it, and nobody does yet.
    pub needs_attention: bool,
    /// Somebody has to look at it, and somebody knows.
    pub is_acknowledged: bool,
    /// A round chooses it.
    pub is_watched: bool,
    /// The last run that decided anything passed, and not too long ago: nothing to explain.
    pub is_proven: bool,
    /// How it grows stale, if it does.
    pub stale: Option<Stale>,
    /// How soon, how long ago or how far, in words.
    pub stale_words: String,
}

/// How what is known of a port grows stale.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stale {
    /// Its proof ends before a run renews it.
    Ends,
    /// Its proof ended.
    Ended,
    /// It never had one.
    NeverTested,
    /// Only the chip is proven.
    ChipOnly,
    /// A figure begins to drift.
    Leans,
}

impl PortLine {
    /// Of a port, at a time in ms since 1970.
    pub fn new(port: &PortView, now_ms: i64) -> Self {
        let standing = &port.standing;
        let state = standing.state;
        let stale = stale(port, now_ms);
        Self {
            href: words::port_href(&port.name),
            name: port.name.clone(),
            held: state,
            state: state.name(),
            word: words::state(state),
            cabinet: port.labels.cabinet.clone(),
            place: place(port),
            action: action(port, now_ms),
            since: if standing.since_ms > 0 { words::age(now_ms - standing.since_ms) } else { String::new() },
            note: note(port, now_ms),
            needs_attention: port.needs_attention,
            is_acknowledged: state.needs_attention() && port.acknowledged.is_some(),
            is_watched: port.watch == Watch::Watched,
            is_proven: state == State::Proven,
            stale: stale.as_ref().map(|(kind, _)| *kind),
            stale_words: stale.map_or(String::new(), |(_, words)| words),
        }
    }
}

fn place(port: &PortView) -> String {
    let labels = &port.labels;
    let cable = labels.cable.as_ref().map(|cable| format!("cable {cable}"));
    labels.cabinet.iter().cloned().chain(cable).chain(labels.label.clone()).collect::<Vec<_>>().join(", ")
}

/// What to do about a port, in one line.
pub fn action(port: &PortView, now_ms: i64) -> String {
    let (standing, state) = (&port.standing, port.standing.state);
    let due = port.next_due_ms.filter(|due| *due > now_ms).map(|due| format!("Due in {}.", words::age(due - now_ms)));
    match standing.state {
        State::Failed | State::Suspect | State::Undecided if port.traced.is_some() => {
            port.traced.as_ref().map_or(String::new(), traced)
        }
        State::Suspect if standing.only_drifts() => {
            format!("{} Find out where, in a case.", words::sentence(&standing.why))
        }
        // Nothing is changed for what was seen once.
        State::Suspect => {
            let seen = standing.rests_on.as_ref().map_or(String::new(), |run| places(&run.location, None));
            let seen = if seen.is_empty() { words::plainly(&standing.why).to_owned() } else { seen };
            format!("{} Seen, and not confirmed yet: it is tested again.", words::sentence(&seen))
        }
        State::Failed | State::Undecided => {
            match standing.rests_on.as_ref().filter(|run| explains(state, run)).map(found) {
                Some(found) if !found.is_empty() => found,
                _ => words::sentence(words::plainly(&standing.why)),
            }
        }
        State::Gone => "This machine does not have it any more. Look at the adapter and how it is connected.".into(),
        State::Expired => format!("The proof ended. {}", due.unwrap_or_else(|| "Test it again.".into())),
        State::NeverTested => due.unwrap_or_else(|| "Fit the plug and test it.".into()),
        State::ChipProven => "Only the loop inside the chip passed. Fit the plug and test at the port.".into(),
        State::Skipped => "In service: left alone.".into(),
        State::Proven => due.unwrap_or_default(),
    }
}

/// Whether what a run says to do is about this state: a failed port may have passed since, and not often enough.
pub fn explains(state: State, run: &Ground) -> bool {
    state != State::Failed || !run.location.is_empty()
}

/// Where the fault may lie, and the first thing to do: `Port or plug. Try another plug.`
fn found(run: &Ground) -> String {
    said(&places(&run.location, None), &run.next)
}

/// The same of what a case found.
fn traced(traced: &Traced) -> String {
    said(&found_by(traced), &traced.next)
}

/// Where a case found a fault: `cable, segment quay-duct`.
pub fn found_by(traced: &Traced) -> String {
    places(&traced.location, traced.segment.as_deref())
}

fn places(location: &[Location], segment: Option<&str>) -> String {
    let places: Vec<_> = location.iter().map(|place| place.name().replace('-', " ")).collect();
    let segment = segment.map_or(String::new(), |segment| format!(", segment {segment}"));
    format!("{}{segment}", places.join(" or "))
}

fn said(places: &str, next: &str) -> String {
    let first = next.split_inclusive(". ").next().unwrap_or_default().trim();
    let first = if first.is_empty() || first.ends_with('.') { first.to_owned() } else { format!("{first}.") };
    match places.is_empty() {
        true => first,
        false => format!("{}. {first}", words::upper(places)).trim().to_owned(),
    }
}

/// What people know about it.
fn note(port: &PortView, now_ms: i64) -> String {
    let noted = |note: &str| if note.is_empty() { String::new() } else { format!(": {note}") };
    let known = port.acknowledged.as_ref().map(|a| format!("{} knows{}", a.by, noted(&a.note)));
    let muted = port.muted.as_ref().map(|m| format!("muted for {}{}", words::age(m.until_ms - now_ms), noted(&m.note)));
    let paused = port.paused.as_ref().map(|p| format!("paused by {}{}", p.by, noted(&p.note)));
    let case = port.diagnosis.as_ref().map(|d| format!("under diagnosis by {}", d.by));
    [case, known, muted, paused].into_iter().flatten().collect::<Vec<_>>().join("; ")
}

/// Whether a port's proof has ended or ends before the next run renews it, or a figure begins to drift.
fn stale(port: &PortView, now_ms: i64) -> Option<(Stale, String)> {
    let soon = |ends: &i64| ends - now_ms < SOON_MS && port.next_due_ms.is_none_or(|due| due > *ends);
    match (port.standing.state, port.proof_ends_ms.filter(soon), port.leaning.first()) {
        (State::Expired, ..) => Some((Stale::Ended, format!("{} ago", words::age(now_ms - port.standing.since_ms)))),
        (State::NeverTested, ..) => Some((Stale::NeverTested, String::new())),
        (State::ChipProven, ..) => Some((Stale::ChipOnly, String::new())),
        (_, Some(ends), _) => Some((Stale::Ends, format!("in {}", words::age(ends - now_ms)))),
        (_, None, Some(lean)) => {
            Some((Stale::Leans, format!("{}, {} % of the way", lean.figure, (lean.share * 100.0).floor())))
        }
        (_, None, None) => None,
    }
}

/// What a state rests on: `plug at the port, 1000 Mb/s, profile quick`.
pub fn rests_on(run: &Ground) -> String {
    let speed = run.speed.iter().cloned();
    let profile = Some(&run.profile).filter(|profile| !profile.is_empty()).map(|profile| format!("profile {profile}"));
    let place = words::place_of_plug(&run.placement.to_string(), None);
    std::iter::once(place).chain(speed).chain(profile).collect::<Vec<_>>().join(", ")
}

/// A proof that ends this soon is shown, where no run will renew it before.
const SOON_MS: i64 = 3 * 86_400_000;
