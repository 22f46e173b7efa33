//! Cases at the desk: a guided isolation whose stages the supervisor runs, while a person stands at the cable.
//!
//! What a case is and what follows from its stages is in `turnback_core::document::case`; how a stage is noted, in
//! [`conduct`](crate::work::isolate::runner). Here stages go through the supervisor's queue, as every run of the daemon does.

use std::time::Duration;

use turnback_core::{
    base::caution::LOCAL_CODES_FIRST,
    document::{
        case::{Case, CaseState, Ended, Move, Showing, Stage, StageName},
        run::PortIdentity,
    },
    plan::Profile,
};

use super::{
    board::Asked,
    desk::{CaseView, DeskError, NextView, Shown, StageOrder, StageView},
    logbook::{Logbook, LogbookError},
};
use crate::{
    archive::cases::NoShelf,
    engine::cancel::Cancel,
    guard::state,
    work::isolate::{
        runner::{Conductor, StagePlan, With},
        stage::Found,
    },
};

/// What came of a wish to carry out a stage. The case holds it already.
pub enum Begun {
    /// A run, or a cable test, is to carry it out.
    Asked(Case, Box<Asked>),
    /// The person's word was taken.
    Answered(Case),
}

/// The port that a stage is carried out on.
pub fn port_of<'a>(case: &'a Case, order: &'a StageOrder) -> &'a str {
    order.on.as_deref().unwrap_or(&case.port.name)
}

/// Begins a stage. `usual` is the profile of the round of the case's port.
///
/// # Errors
/// A stage that the case does not have; words that do not belong to it; a case that is over.
pub fn begin(case: Case, order: &StageOrder, usual: Option<Profile>) -> Result<Begun, DeskError> {
    let elsewhere = asks_for_another_port(&case, &stage_name(&order.stage)?);
    let word = match (elsewhere, &order.on, order.shows) {
        (true, Some(on), None) if *on != case.port.name => None,
        (true, None, Some(shows)) => Some(shows),
        (false, None, None) => None,
        (false, Some(given), _) => return Err(value("on", given, "for stage known-good-port only, on a real port")),
        (false, None, Some(_)) => return Err(value("shows", "", "for stage known-good-port only, on a real port")),
        (true, given, _) => {
            let allowed =
                "a port of this machine that is not the one under test; or `shows` in its place: passes, fails";
            return Err(value("on", given.as_deref().unwrap_or_default(), allowed));
        }
    };
    let profile = match usual.filter(StagePlan::fits) {
        Some(profile) => profile,
        None => quick()?,
    };
    let mut asked = None;
    let port = port_of(&case, order).to_owned();
    let case = conducted(case, profile, &order.stage, CaseState::Open, |conductor, name| match word {
        Some(shows) => conductor.answer(name, shows == Shown::Passes),
        None => {
            let on_port = order.on.as_ref().map(|name| PortIdentity { name: name.clone(), ..PortIdentity::default() });
            let options = conductor.begin_stage(name, &With { plug: order.plug.clone(), on_port });
            asked = Some(Box::new(Asked {
                run: options.run,
                port,
                profile: options.profile,
                placement: options.placement,
                cable: options.cable,
                by: conductor.case.case.clone(),
                stage: Some(name.clone()),
                record: options.labels,
            }));
        }
    })?;
    Ok(match asked {
        Some(asked) => Begun::Asked(case, asked),
        None => Begun::Answered(case),
    })
}

/// A stage on a port that is known to be good. A rig has such a port of its own.
fn asks_for_another_port(case: &Case, stage: &StageName) -> bool {
    *stage == StageName::KnownGoodPort && !case.capabilities.moves_plug
}

/// Leaves a stage out.
///
/// # Errors
/// A stage that the case does not have; a case that is over.
pub fn skip(case: Case, stage: &str, why: &str) -> Result<Case, DeskError> {
    let why: String = why.chars().filter(|c| !c.is_control()).take(200).collect();
    let why = Some(why).filter(|why| !why.trim().is_empty());
    conducted(case, quick()?, stage, CaseState::Open, |conductor, name| conductor.skip(name, why))
}

/// Sets a stage aside, also of a case that is over.
///
/// # Errors
/// A stage that the case does not have, or that was not done.
pub fn set_aside(case: Case, stage: &str) -> Result<Case, DeskError> {
    if !case.stages.iter().any(|s| s.name.to_string() == stage && matches!(s.ended, Ended::Done | Ended::Skipped)) {
        return Err(DeskError::Unknown { what: "stage", name: stage.to_owned() });
    }
    let state = case.state;
    conducted(case, quick()?, stage, state, |conductor, name| conductor.set_aside(name))
}

/// What the run of a stage found goes into its case.
///
/// # Errors
/// The logbook.
pub fn end(logbook: &mut dyn Logbook, case: &str, run: &str, told: Result<Found, String>) -> Result<(), LogbookError> {
    let case = logbook.case(case)?;
    // A cable test makes no run; while it is on, no other stage begins.
    let is_last = |stage: &Stage| match &stage.run {
        Some(known) => known == run,
        None => stage.name == StageName::CableTest && stage.ended == Ended::Begun,
    };
    if !case.stages.last().is_some_and(is_last) {
        return Ok(());
    }
    let profile = Profile::named("quick").map_err(|error| LogbookError::Store(error.to_string()))?;
    let mut shelf = NoShelf;
    let mut conductor = Conductor::new(case, &mut shelf, plan(profile), Cancel::default());
    match told {
        Ok(found) => {
            conductor.end_stage(&found);
        }
        Err(why) => conductor.cut_off(why),
    }
    logbook.keep_case(&conductor.case)
}

/// Does something to a stage of a case that is in this state. What comes of it is kept by the logbook, whole, when the desk says so.
fn conducted(
    case: Case,
    profile: Profile,
    stage: &str,
    state: CaseState,
    action: impl FnOnce(&mut Conductor<'_>, &StageName),
) -> Result<Case, DeskError> {
    if case.state != state {
        return Err(DeskError::NotNow(format!("the case is over: {}", case.state.name())));
    }
    let mut shelf = NoShelf;
    let mut conductor = Conductor::new(case, &mut shelf, plan(profile), Cancel::default());
    let name = conductor.known_as(stage_name(stage)?).map_err(|error| DeskError::NotNow(error.to_string()))?;
    action(&mut conductor, &name);
    Ok(conductor.case)
}

fn quick() -> Result<Profile, DeskError> {
    Profile::named("quick").map_err(|error| DeskError::NotNow(error.to_string()))
}

fn value(name: &'static str, given: &str, allowed: &str) -> DeskError {
    DeskError::Value { name, given: given.to_owned(), allowed: allowed.to_owned() }
}

/// As the desk shows it; `others` are the ports that could be known to be good.
pub fn view(case: &Case, running: Option<String>, others: impl FnOnce() -> Vec<String>) -> CaseView {
    let next = case.next.as_ref().map(|next: &Move| {
        let mut cautions: Vec<String> = next.cautions.iter().map(ToString::to_string).collect();
        if !cautions.is_empty() {
            cautions.push(LOCAL_CODES_FIRST.to_owned());
        }
        let known_good = asks_for_another_port(case, &next.stage).then(others);
        NextView {
            stage: next.stage.to_string(),
            act: next.hands.clone(),
            look: next.look.clone(),
            cautions,
            known_good,
        }
    });
    CaseView {
        case: case.case.clone(),
        opened_at: case.opened_at.clone(),
        port: case.port.name.clone(),
        cable: Some(case.cable.clone()),
        state: case.state.name().to_owned(),
        stages: case.stages.iter().map(stage_view).collect(),
        next,
        running,
        verdict: Some(case.verdict.clone()),
    }
}

fn stage_view(stage: &Stage) -> StageView {
    let result = match (&stage.result, stage.ended) {
        (None, Ended::Done) if stage.pairs.is_some() => {
            stage.pairs.as_ref().map(ToString::to_string).unwrap_or_default()
        }
        (Some(result), Ended::Done) => {
            let shows = match result.showing {
                Showing::Passes => "passes",
                Showing::Fails => "fails",
                Showing::HostFails => "this computer fails",
                Showing::Neither => "undecided",
                Showing::NotTested => "not tested",
            };
            format!("{shows}: {}", result.text)
        }
        (_, Ended::Begun) => "running".to_owned(),
        (_, Ended::Skipped) => "left out".to_owned(),
        (_, Ended::SetAside) => "set aside".to_owned(),
        (_, Ended::CutOff | Ended::Done) => {
            format!("cut off: {}", stage.why.as_deref().unwrap_or("no reason is known"))
        }
    };
    StageView {
        stage: stage.name.to_string(),
        attempt: stage.attempt,
        run: stage.run.clone(),
        skipped: (stage.ended == Ended::Skipped).then(|| stage.why.clone().unwrap_or_default()),
        result,
        counts: matches!(stage.ended, Ended::Done | Ended::Skipped),
    }
}

fn stage_name(text: &str) -> Result<StageName, DeskError> {
    text.parse().map_err(|error: turnback_core::document::case::name::StageNameError| DeskError::Value {
        name: "stage",
        given: text.to_owned(),
        allowed: error.to_string(),
    })
}

fn plan(profile: Profile) -> StagePlan {
    StagePlan {
        profile,
        soak_time: SOAK_TIME,
        seed: uuid::Uuid::now_v7().as_u64_pair().1,
        machine: state::machine(),
        although_in_service: false,
        line: Default::default(),
    }
}

/// As long as a person moves a cable.
const SOAK_TIME: Duration = Duration::from_secs(60);

#[cfg(test)]
mod tests;
