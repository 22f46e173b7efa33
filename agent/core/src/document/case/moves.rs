//! What the technician does before a stage, what to look at, how long it takes, and the dangers.

use super::line::{Line, PAUSES_MIN, Visit};
use super::name::{Spot, StageName};
use super::{Case, Move, Who};
use crate::base::caution::Caution;
use crate::base::figure::upper;
use crate::base::placement::Placement;
use crate::document::case::stage::{Ended, Showing, Source, Stage};
use crate::kind::Kind;
use crate::kind::ethernet::link::{LINK_PATIENCE, Medium};
use crate::kind::serial::format::{LineCapabilities, LineFormat};
use crate::plan::Profile;

/// The move that leads to a stage; `still` where everything is in place from the stage before.
pub(super) fn to(line: &Line, stage: &StageName, why: &str, still: bool) -> Move {
    let attempt = line.attempts(stage) + 1;
    let untouched = untouched(line);
    let still = still && untouched.is_some();
    let in_place = if still { Some(STILL.to_owned()) } else { untouched.and_then(|last| in_place(last, stage)) };
    Move {
        stage: stage.clone(),
        attempt,
        who: if still { Who::Program } else { who(line, stage) },
        look: match in_place {
            Some(_) => String::new(),
            None => look(stage, line.case.port.kind, line.case.options.return_port.is_some()).to_owned(),
        },
        hands: in_place.unwrap_or_else(|| hands(line, stage, attempt)),
        why: why.to_owned(),
        cautions: if still { Vec::new() } else { cautions(line, stage) },
        still,
        time_s: time_s(line, stage),
        no_link_s: no_link_s(line, stage),
    }
}

/// The last stage, where everything is as it left it. What somebody tried elsewhere, or a record tells of, left nothing
/// in place here.
fn untouched<'a>(line: &Line<'a>) -> Option<&'a Stage> {
    let last = line.case.stages.last().filter(|last| last.ended == Ended::Done && last.source == Source::Run);
    last.filter(|_| !line.case.laid_down)
}

/// What is left to do for a longer run right after one at the same place: to fit everything again would spoil it.
fn in_place(last: &Stage, stage: &StageName) -> Option<String> {
    let same = matches!(last.name, StageName::At(_) | StageName::Soak(_)) && last.name.spot() == stage.spot();
    match stage {
        StageName::Soak(Spot::AtPort) if same => Some(UNTOUCHED.to_owned()),
        StageName::Soak(Spot::FarEnd(_)) if same => Some(format!("Leave the plug where it is. {MOVE_IT}")),
        StageName::TwoPairs(_) if same => Some(format!("Leave the plug where it is. {AT_100}")),
        _ => None,
    }
}

/// Whether a stage is run as a soak.
pub(super) fn is_long(line: &Line, stage: &StageName) -> bool {
    match stage {
        StageName::Soak(_) | StageName::TwoPairs(_) => true,
        // Once a failure is known to come and go, port and plug are told apart by runs as long as those that showed it.
        StageName::OtherPlug | StageName::KnownGoodPort => !line.results(&StageName::Soak(Spot::AtPort)).is_empty(),
        StageName::At(_) | StageName::CableTest => false,
    }
}

/// How long the run of a stage takes, seconds.
pub(super) fn time_s(line: &Line, stage: &StageName) -> u64 {
    match stage {
        StageName::CableTest => CABLE_TEST_S,
        StageName::TwoPairs(_) => line.case.options.soak_s,
        _ if is_long(line, stage) => soak_s(line, &stage.spot().unwrap_or(Spot::AtPort)),
        _ => line.case.options.profile.as_ref().map_or(0, |profile| run_s(line.case, profile)),
    }
}

/// How long a stage takes that finds no link, seconds.
fn no_link_s(line: &Line, stage: &StageName) -> Option<u64> {
    let case = line.case;
    let place = match &case.options.return_port {
        Some(_) => Placement::ReturnPort,
        None => stage.spot().unwrap_or(Spot::AtPort).placement(),
    };
    // The run at 100 Mb/s tries no other speed.
    let patience = match stage {
        StageName::CableTest => return None,
        StageName::TwoPairs(_) => LINK_PATIENCE,
        _ => case.capabilities.link_patience(case.medium, place),
    };
    let listen = case.options.profile.as_ref()?.listen;
    (case.port.kind == Kind::Ethernet).then(|| (listen + patience).as_secs_f64().ceil() as u64)
}

/// How long one run of a profile takes, seconds.
fn run_s(case: &Case, profile: &Profile) -> u64 {
    if case.port.kind == Kind::Serial {
        let asked = case.options.line.as_ref().and_then(|words| words.parse().ok());
        // Of a case of an older program the capabilities are not known: its line takes its time, like most.
        let paced = LineCapabilities { paced: true, ..LineCapabilities::default() };
        let (format, can) = case.line.map_or((LineFormat::default(), paced), |line| (line.format, line.capabilities));
        let takes = profile.line_seconds(asked.unwrap_or(format), &can, None).unwrap_or(profile.time.as_secs_f64());
        return (profile.listen.as_secs_f64() + takes).ceil() as u64;
    }
    profile.usual_time().as_secs_f64().ceil() as u64
}

/// How long a soak must be here: longer than the last one if that one decided nothing, and long enough for several
/// pauses of a failure that comes and goes.
fn soak_s(line: &Line, spot: &Spot) -> u64 {
    let least = line.case.options.soak_s;
    let Some(place) = line.place(spot) else { return least };
    let longest = |v: &Visit| v.result.seconds;
    let in_vain = |v: &&Visit| v.long && (v.result.needs_longer() || v.restless());
    let in_vain = line.at(place).filter(in_vain).map(longest).max().map_or(0, |seconds| seconds * LONGER);
    // The pause between two spells, on average, where enough of them were seen.
    let shown = line.bench.iter().chain(line.visits.iter().filter(|v| v.place > 0));
    let (groups, clean) = shown
        .filter(|v| v.shows == Showing::Fails && v.sporadic())
        .fold((0, 0), |(g, c), v| (g + v.groups(), c + v.result.seconds.saturating_sub(v.result.seconds_errored)));
    let pauses = if groups > 1 { PAUSES_MIN * clean / groups } else { 0 };
    // Whoever asks for more than the most gets what was asked for.
    in_vain.max(pauses).min(SOAK_S_MAX).max(least)
}

fn who(line: &Line, stage: &StageName) -> Who {
    match stage {
        _ if line.case.capabilities.moves_plug => Who::Program,
        StageName::At(Spot::Internal) | StageName::Soak(Spot::Internal) => Who::Program,
        StageName::At(_) | StageName::Soak(_) | StageName::TwoPairs(_) => Who::Person,
        StageName::OtherPlug | StageName::KnownGoodPort | StageName::CableTest => Who::Person,
    }
}

fn hands(line: &Line, stage: &StageName, attempt: u32) -> String {
    match &line.case.options.return_port {
        Some(back) => hands_with_return_port(line, stage, attempt, back),
        None => hands_with_plug(line, stage, attempt),
    }
}

fn hands_with_plug(line: &Line, stage: &StageName, attempt: u32) -> String {
    let case = line.case;
    let plug = match &case.plug {
        Some(label) => format!("plug {label}"),
        None => "the plug of this case".to_owned(),
    };
    let again = if attempt > 1 { "Take the plug out and look at its contacts. Then " } else { "" };
    let port = &case.port.name;
    let start = |text: String| upper(&format!("{again}{text}"));
    let far = |spot: &Spot| {
        let end = match spot.segment() {
            Some(label) => format!("the far end of segment {label}; disconnect what follows it"),
            None => format!("the far end of cable {}", case.cable),
        };
        format!("connect cable {} to {port} and put {plug} on {end}.", case.cable)
    };
    match stage {
        StageName::At(Spot::Internal) | StageName::Soak(Spot::Internal) => inside(port),
        StageName::At(Spot::AtPort) => start(format!("put {plug} into {port} itself.")),
        StageName::Soak(Spot::AtPort) => {
            format!("Put {plug} into {port} itself and do not touch it during the run.")
        }
        StageName::At(spot @ Spot::FarEnd(_)) => start(far(spot)),
        StageName::Soak(spot @ Spot::FarEnd(_)) => format!("{} {MOVE_IT}", upper(&far(spot))),
        StageName::TwoPairs(spot) => format!("{} {AT_100}", upper(&far(spot))),
        StageName::OtherPlug => {
            format!("Keep {plug} apart and put another plug into {port}. Best is one that passed in another port.")
        }
        StageName::KnownGoodPort => {
            let failed = line.at(0).any(|visit| visit.shows == Showing::Fails);
            let which = if failed { ", the one that failed," } else { "" };
            format!("Put {plug}{which} into a port of the same kind that is known to work.")
        }
        StageName::CableTest => {
            format!("Connect cable {} to {port}, and take the plug off its far end.", case.cable)
        }
    }
}

/// The same where the port `back`, with a short cord, takes the place of the plug.
fn hands_with_return_port(line: &Line, stage: &StageName, attempt: u32, back: &str) -> String {
    let case = line.case;
    let port = &case.port.name;
    let again = if attempt > 1 { "Take the connectors out and look at their contacts. Then " } else { "" };
    let start = |text: String| upper(&format!("{again}{text}"));
    let straight = format!("connect {port} straight to {back} with one short cord.");
    let far = |spot: &Spot| match spot.segment() {
        Some(label) => format!(
            "connect cable {} to {port} and the far end of its segment {label} to {back}; disconnect what follows it.",
            case.cable
        ),
        None => format!("connect cable {} to {port} and its far end to {back}.", case.cable),
    };
    match stage {
        StageName::At(Spot::Internal) | StageName::Soak(Spot::Internal) => inside(port),
        StageName::At(Spot::AtPort) => start(straight),
        StageName::Soak(Spot::AtPort) => format!("{} Do not touch it during the run.", upper(&straight)),
        StageName::At(spot @ Spot::FarEnd(_)) => start(far(spot)),
        StageName::Soak(spot @ Spot::FarEnd(_)) => format!("{} {MOVE_IT}", upper(&far(spot))),
        StageName::TwoPairs(spot) => format!("{} {AT_100}", upper(&far(spot))),
        StageName::OtherPlug => format!(
            "Take another short cord, and another port of this machine that is known to work in place of {back}. \
             Connect {port} straight to it."
        ),
        StageName::KnownGoodPort => format!(
            "Leave the cord that failed in {back}. Put its other end into a port of this machine that is known to work."
        ),
        StageName::CableTest => {
            format!("Connect cable {} to {port}, and take its far end out of {back}.", case.cable)
        }
    }
}

fn inside(port: &str) -> String {
    format!("Leave everything as it is: {port} turns the signal back inside its chip.")
}

fn look(stage: &StageName, kind: Kind, has_return_port: bool) -> &'static str {
    let at_port = match kind {
        Kind::Ethernet => "The latch clicks. The light of the port comes on. No contact is bent or dull.",
        Kind::Serial => "The plug fits this connector, and its screws are tight. No contact is bent or dull.",
    };
    let far_end = match kind {
        Kind::Ethernet => "The labels at both ends are those of this cable. The latches click.",
        Kind::Serial => {
            "The labels at both ends are those of this cable. The screws are tight. Every wire that the plug needs is \
             connected."
        }
    };
    match stage {
        StageName::At(Spot::Internal) | StageName::Soak(Spot::Internal) => "",
        StageName::At(Spot::AtPort) | StageName::Soak(Spot::AtPort) | StageName::OtherPlug => at_port,
        StageName::KnownGoodPort if has_return_port => "This port passed in another test, and nothing else uses it.",
        StageName::KnownGoodPort => "This port passed with another plug, and nothing else uses it.",
        StageName::At(Spot::FarEnd(_)) | StageName::Soak(Spot::FarEnd(_)) | StageName::TwoPairs(_) => far_end,
        StageName::CableTest if has_return_port => "Nothing is connected at the far end.",
        StageName::CableTest => "Nothing is connected at the far end: a plug would look like a short.",
    }
}

fn cautions(line: &Line, stage: &StageName) -> Vec<Caution> {
    let seen = line.case.stages.iter().rev().filter_map(|s| s.result.as_ref()).map(|r| r.link.medium);
    let medium = seen.chain([line.case.medium]).find(|medium| *medium != Medium::Unknown);
    let placement = match stage {
        StageName::At(Spot::Internal) | StageName::Soak(Spot::Internal) => Placement::Internal,
        StageName::CableTest => Placement::FarEnd,
        _ if matches!(stage.spot(), Some(Spot::FarEnd(_))) => Placement::FarEnd,
        _ => Placement::AtPort,
    };
    line.case.port.kind.cautions(medium.unwrap_or_default(), placement)
}

const MOVE_IT: &str = "During the run, move the cable and its connectors gently, one after the other, with pauses.";
const AT_100: &str = "The speed is set for you. Move the cable gently during the run.";
/// A longer run with the plug in the port, after a short one.
const UNTOUCHED: &str = "Leave everything as it is, and do not touch it during the run.";
/// Nothing to do for a run that is only repeated.
const STILL: &str = "Leave everything as it is.";
/// A soak that decided nothing is repeated so many times as long. Our own choice.
const LONGER: u64 = 4;
/// No soak is lengthened beyond this, seconds: a person waits beside it. Our own choice.
const SOAK_S_MAX: u64 = 900;
/// The kernel's cable test takes a few seconds (ethtool-netlink.rst).
const CABLE_TEST_S: u64 = 10;
