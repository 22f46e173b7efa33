//! Cases led from the page or the API: the supervisor runs the stages while a person stands at the cable.
//!
//! What a case is and what follows from its stages is in `turnback_core::document::case`; how a stage is noted, in the
//! [`runner`](crate::work::isolate::runner). Here stages go through the supervisor's queue, as every run of the daemon
//! does.

use turnback_core::{
    base::caution::LOCAL_CODES_FIRST,
    document::{
        Document, DocumentKind,
        case::{Case, CaseState, Ended, Move, Stage, StageName, ahead::Outlook},
    },
    plan::Profile,
};

use super::{
    agent::{AgentError, CaseView, NextView, Shown, StageOrder, StageView},
    status::Asked,
};
use crate::{
    archive::{Archive, memory::Memory},
    engine::cancel::Cancel,
    guard::state,
    work::isolate::{
        runner::{CaseRunner, Equipment, StagePlan},
        stage::Measurement,
    },
};

/// What the run of a stage brought.
#[derive(Clone, Debug)]
pub enum Told {
    /// A measurement.
    Measured(Measurement),
    /// Nothing this time, and why.
    CutOff(String),
    /// Nothing, whenever it is tried, and why: the case goes on without it.
    Impossible(String),
}

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

/// Begins a stage, for somebody who asks at a time in ms since 1970 UTC. `usual` is the profile of the round of the
/// case's port.
///
/// # Errors
/// A stage that the case does not have; words that do not belong to it; a case that is over.
pub fn begin(
    case: Case,
    order: &StageOrder,
    usual: Option<Profile>,
    (by, asked_ms): (&str, i64),
) -> Result<Begun, AgentError> {
    if let Some(back) = &case.options.return_port {
        let why = format!("its plug is return port {back}: go on with turnback isolate, at the machine itself");
        return Err(AgentError::NotNow(why));
    }
    let elsewhere = case.needs_another_port(&stage_name(&order.stage)?);
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
    let mut case = case;
    case.options.profile.get_or_insert(profile);
    if let Some(name) = &order.profile {
        let chosen = Profile::named(name).ok().filter(StagePlan::fits);
        let allowed = "a profile of steps or a soak, such as quick";
        case.options.profile = Some(chosen.ok_or_else(|| value("profile", name, allowed))?);
    }
    if let Some(plug) = &order.plug {
        match stage_name(&order.stage)? {
            // These hold the plug of the case against another plug and another port.
            stage @ (StageName::OtherPlug | StageName::KnownGoodPort) => {
                if let Some(why) = case.wrong_plug(&stage, plug) {
                    return Err(value("plug", plug, &why));
                }
            }
            // Elsewhere it takes the place of the one before.
            _ => case.plug = Some(plug.clone()),
        }
    }
    let case = changed(case, &order.stage, CaseState::Open, |runner, name| match word {
        Some(shows) => runner.answer(name, shows == Shown::Passes),
        None => {
            let options = runner.begin_stage(name, &Equipment { plug: order.plug.clone(), on_port: order.on.clone() });
            asked = Some(Box::new(Asked {
                run: options.run,
                port,
                profile: options.profile,
                placement: options.placement,
                cable: options.cable,
                case: Some(runner.case.case.clone()),
                stage: Some(name.clone()),
                record: options.labels,
                by: by.to_owned(),
                asked_ms,
            }));
        }
    })?;
    Ok(match asked {
        Some(asked) => Begun::Asked(case, asked),
        None => Begun::Answered(case),
    })
}

/// Leaves a stage out.
///
/// # Errors
/// A stage that the case does not have; a case that is over.
pub fn skip(case: Case, stage: &str, why: &str) -> Result<Case, AgentError> {
    let why = Some(plainly(why)).filter(|why| !why.is_empty());
    changed(case, stage, CaseState::Open, |runner, name| runner.skip(name, why))
}

/// Sets a stage aside, also of a case that is over.
///
/// # Errors
/// A stage that the case does not have, or that was not done.
pub fn set_aside(case: Case, stage: &str) -> Result<Case, AgentError> {
    if !case.stages.iter().any(|s| s.name.to_string() == stage && matches!(s.ended, Ended::Done | Ended::Skipped)) {
        return Err(AgentError::Unknown { what: "stage", name: stage.to_owned() });
    }
    let state = case.state;
    changed(case, stage, state, |runner, name| runner.set_aside(name))
}

/// Closes a case before it is decided.
///
/// # Errors
/// A case that is over.
pub fn close(case: Case, why: &str) -> Result<Case, AgentError> {
    if case.state != CaseState::Open {
        return Err(AgentError::NotNow(format!("the case is over: {}", case.state.name())));
    }
    let mut unkept = Memory::default();
    let mut runner = CaseRunner::new(case, &mut unkept, plan(quick()?), Cancel::default());
    runner.close(plainly(why));
    Ok(runner.case)
}

/// What a person wrote, as one line that is not too long.
fn plainly(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(200).collect::<String>().trim().to_owned()
}

/// The case whose id begins so.
///
/// # Errors
/// There is none, or the archive.
pub fn stored(archive: &(impl Archive + ?Sized), id: &str) -> Result<Case, AgentError> {
    match archive.find(Some(DocumentKind::Case), id)? {
        Document::Case(case) => Ok(*case),
        _ => Err(AgentError::Unknown { what: "case", name: id.to_owned() }),
    }
}

/// Enters what the run of a stage found into its case; the case as it is then.
///
/// # Errors
/// The archive.
pub fn end(archive: &mut (impl Archive + ?Sized), case: &str, run: &str, told: Told) -> Result<Case, AgentError> {
    let case = stored(archive, case)?;
    // A cable test makes no run; while it is on, no other stage begins.
    let is_last = |stage: &Stage| match &stage.run {
        Some(known) => known == run,
        None => stage.name == StageName::CableTest && stage.ended == Ended::Begun,
    };
    if !case.stages.last().is_some_and(is_last) {
        return Ok(case);
    }
    let name = case.stages.last().map(|stage| stage.name.clone());
    let mut unkept = Memory::default();
    let mut runner = CaseRunner::new(case, &mut unkept, plan(quick()?), Cancel::default());
    match told {
        Told::Measured(measurement) => {
            runner.end_stage(&measurement);
        }
        Told::CutOff(why) => runner.cut_off(why),
        Told::Impossible(why) => {
            runner.cut_off(why.clone());
            // It would come up again and again.
            name.iter().for_each(|name| runner.skip(name, Some(why.clone())));
        }
    }
    archive.put(&runner.case.clone().into())?;
    Ok(runner.case)
}

/// Changes a stage of a case that is in this state. Whoever asked keeps the case afterwards, as a whole.
fn changed(
    case: Case,
    stage: &str,
    state: CaseState,
    action: impl FnOnce(&mut CaseRunner<'_>, &StageName),
) -> Result<Case, AgentError> {
    if case.state != state {
        return Err(AgentError::NotNow(format!("the case is over: {}", case.state.name())));
    }
    let mut unkept = Memory::default();
    let mut runner = CaseRunner::new(case, &mut unkept, plan(quick()?), Cancel::default());
    let name = runner.known_as(stage_name(stage)?).map_err(|error| AgentError::NotNow(error.to_string()))?;
    action(&mut runner, &name);
    Ok(runner.case)
}

fn quick() -> Result<Profile, AgentError> {
    Profile::named("quick").map_err(|error| AgentError::NotNow(error.to_string()))
}

fn value(name: &'static str, given: &str, allowed: &str) -> AgentError {
    AgentError::Value { name, given: given.to_owned(), allowed: allowed.to_owned() }
}

/// As the agent shows it; `others` are the ports that could be known to be good.
pub fn view(case: &Case, running: Option<String>, reserves: bool, others: impl FnOnce() -> Vec<String>) -> CaseView {
    let next = case.next.as_ref().map(|next: &Move| {
        let mut cautions: Vec<String> = next.cautions.iter().map(ToString::to_string).collect();
        if !cautions.is_empty() {
            cautions.push(LOCAL_CODES_FIRST.to_owned());
        }
        let known_good = case.needs_another_port(&next.stage).then(others);
        let done = case.stages.iter().filter(|s| matches!(s.ended, Ended::Done | Ended::Skipped)).count() as u32;
        let Outlook { steady, most } = case.outlook();
        NextView {
            stage: next.stage.to_string(),
            attempt: next.attempt,
            number: done + 1,
            of: done + steady.stages.max(1),
            of_most: done + most.stages.max(1),
            time_s: next.time_s,
            no_link_s: next.no_link_s,
            time_left_s: steady.time_s,
            time_left_most_s: most.time_s,
            why: next.why.clone(),
            act: next.hands.clone(),
            look: next.look.clone(),
            cautions,
            known_good,
        }
    });
    let last = case.stages.last().filter(|stage| stage.ended == Ended::CutOff && running.is_none());
    CaseView {
        case: case.case.clone(),
        opened_at: case.opened_at.clone(),
        port: case.port.name.clone(),
        cable: Some(case.cable.clone()),
        segments: case.segments.clone(),
        plug: case.plug.clone(),
        profile: case.options.profile.as_ref().map(|profile| profile.name.clone()),
        state: case.state.name().to_owned(),
        reserves,
        not_done: last.map(|stage| {
            let why = stage.why.as_deref().unwrap_or("no reason is known");
            format!("stage {} was not carried out: {why}", stage.name)
        }),
        stages: case.stages.iter().map(|stage| stage_view(case, stage)).collect(),
        next,
        running,
        verdict: Some(case.verdict.clone()),
    }
}

fn stage_view(case: &Case, stage: &Stage) -> StageView {
    let result = match (&stage.result, stage.ended) {
        (None, Ended::Done) if stage.pairs.is_some() => {
            stage.pairs.as_ref().map(ToString::to_string).unwrap_or_default()
        }
        (Some(result), Ended::Done) => {
            format!("{}: {}", case.shows(stage).unwrap_or_default(), result.text)
        }
        (_, Ended::Begun) => "running".to_owned(),
        (_, Ended::Skipped) => "skipped".to_owned(),
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

fn stage_name(text: &str) -> Result<StageName, AgentError> {
    text.parse().map_err(|error: turnback_core::document::case::name::StageNameError| AgentError::Value {
        name: "stage",
        given: text.to_owned(),
        allowed: error.to_string(),
    })
}

fn plan(profile: Profile) -> StagePlan {
    StagePlan {
        profile,
        seed: uuid::Uuid::now_v7().as_u64_pair().1,
        machine: state::machine(),
        although_in_service: false,
        line: Default::default(),
    }
}

#[cfg(test)]
mod tests;
