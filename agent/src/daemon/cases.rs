//! Cases at the desk: a guided isolation whose stages the supervisor runs, while a person stands at the cable.
//!
//! What a case is and what follows from its stages is in `turnback_core::case`; how a stage is noted, in
//! [`conduct`](crate::case::conduct). Here stages go through the supervisor's queue, as every run of the daemon does.

use std::time::Duration;

use turnback_core::{
    case::{Case, CaseState, Ended, Showing, Stage, StageName},
    caution::LOCAL_CODES_FIRST,
    link::Capabilities,
    plan::Profile,
    report::{PortIdentity, Report},
};

use super::{
    board::Asked,
    desk::{CaseView, DeskError, NextView, StageView},
    logbook::{Logbook, LogbookError},
};
use crate::{
    case::{
        conduct::{Conductor, Opening, StagePlan, With, open_case_of},
        shelf::NoShelf,
    },
    engine::cancel::Cancel,
    guard::state,
};

/// A new case.
pub fn open(port: PortIdentity, capabilities: Capabilities, cable: String, segments: Vec<String>) -> Case {
    open_case_of(port, capabilities, Opening { cable, segments, plug: None })
}

/// Begins a stage: the case with the stage noted, and the run that carries it out. `usual` is the profile of the port's
/// round.
///
/// # Errors
/// A stage that the case does not have, or that needs another program; a case that is over.
pub fn begin(case: Case, stage: &str, usual: Option<Profile>) -> Result<(Case, Asked), DeskError> {
    if case.state != CaseState::Open {
        return Err(DeskError::NotNow(format!("the case is over: {}", case.state.name())));
    }
    let name = stage_name(stage)?;
    let by_itself = name != StageName::CableTest && (name != StageName::KnownGoodPort || case.capabilities.moves_plug);
    if !by_itself {
        return Err(DeskError::NotNow(format!(
            "the agent cannot carry out {name} from here; `turnback isolate --case {}` can, or skip it",
            case.case
        )));
    }
    let profile = match usual {
        Some(profile) => profile,
        None => Profile::named("quick").map_err(|error| DeskError::NotNow(error.to_string()))?,
    };
    let port = case.port.name.clone();
    // What is kept is kept by the logbook, whole, when the desk says so.
    let mut shelf = NoShelf;
    let mut conductor = Conductor::new(case, &mut shelf, plan(profile), Cancel::default());
    let name = conductor.known_as(name).map_err(|error| DeskError::NotNow(error.to_string()))?;
    let options = conductor.begin_run(&name, &With::default());
    let asked = Asked {
        run: options.run,
        port,
        profile: options.profile,
        placement: options.placement,
        cable: options.cable,
        by: conductor.case.case.clone(),
        stage: Some(name),
        record: options.labels,
    };
    Ok((conductor.case, asked))
}

/// Leaves a stage out.
///
/// # Errors
/// A stage that the case does not have; a case that is over.
pub fn skip(case: Case, stage: &str, why: &str) -> Result<Case, DeskError> {
    if case.state != CaseState::Open {
        return Err(DeskError::NotNow(format!("the case is over: {}", case.state.name())));
    }
    let profile = Profile::named("quick").map_err(|error| DeskError::NotNow(error.to_string()))?;
    let mut shelf = NoShelf;
    let mut conductor = Conductor::new(case, &mut shelf, plan(profile), Cancel::default());
    let name = conductor.known_as(stage_name(stage)?).map_err(|error| DeskError::NotNow(error.to_string()))?;
    let why: String = why.chars().filter(|c| !c.is_control()).take(200).collect();
    conductor.skip(&name, Some(why).filter(|why| !why.trim().is_empty()));
    Ok(conductor.case)
}

/// What the run of a stage found goes into its case.
///
/// # Errors
/// The logbook.
pub fn end(
    logbook: &mut dyn Logbook,
    case: &str,
    run: &str,
    told: Result<Box<Report>, String>,
) -> Result<(), LogbookError> {
    let case = logbook.case(case)?;
    if case.stages.last().and_then(|stage| stage.run.as_deref()) != Some(run) {
        return Ok(());
    }
    let profile = Profile::named("quick").map_err(|error| LogbookError::Store(error.to_string()))?;
    let mut shelf = NoShelf;
    let mut conductor = Conductor::new(case, &mut shelf, plan(profile), Cancel::default());
    match told {
        Ok(report) => {
            conductor.end_run(&report);
        }
        Err(why) => conductor.cut_off(why),
    }
    logbook.keep_case(&conductor.case)
}

/// As the desk shows it.
pub fn view(case: &Case, running: Option<String>) -> CaseView {
    let next = case.next.as_ref().map(|next| {
        let mut cautions: Vec<String> = next.cautions.iter().map(ToString::to_string).collect();
        if !cautions.is_empty() {
            cautions.push(LOCAL_CODES_FIRST.to_owned());
        }
        NextView { stage: Some(next.stage.to_string()), act: next.hands.clone(), look: next.look.clone(), cautions }
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
    }
}

fn stage_name(text: &str) -> Result<StageName, DeskError> {
    text.parse().map_err(|error: turnback_core::case::name::StageNameError| DeskError::Value {
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
mod tests {
    use turnback_core::{labels::Labels, verdict::Location};

    use super::*;
    use crate::{
        daemon::{
            demo,
            local::{self, end as ended},
            logbook::Memory,
            site::{Order, RunEnd},
        },
        engine::check::check,
    };

    /// Walks a case as the page does, each stage through the queue's own order.
    #[test]
    fn the_chafed_segment_is_found_from_the_desk() {
        let port = || demo::open("quay2", Duration::from_secs(600), 7).unwrap();
        let segments = vec!["office-riser".to_owned(), "crane-rail".to_owned()];
        let case = open(port().identity(), port().offers(), "Q-12".into(), segments);
        let (id, mut logbook) = (case.case.clone(), Memory::default());
        logbook.keep_case(&case).unwrap();
        for _ in 0..20 {
            let case = logbook.case(&id).unwrap();
            let Some(next) = view(&case, None).next.and_then(|next| next.stage) else { break };
            let (case, asked) = begin(case, &next, None).unwrap();
            logbook.keep_case(&case).unwrap();
            let order = Order {
                run: asked.run.clone(),
                port: "quay2".into(),
                labels: Default::default(),
                profile: asked.profile,
                placement: asked.placement,
                cable: asked.cable,
                seed: 7,
                stage: asked.stage,
                record: Labels::default(),
            };
            let mut port = port();
            local::arrange(&order, &mut *port);
            let options = local::options(&order, "2026-05-01T10:00:00+00:00".into());
            let done = ended(check(&mut *port, None, options, &mut |_| {}, &Cancel::default()));
            let RunEnd::Report(report) = done else { panic!("{done:?}") };
            end(&mut logbook, &id, &asked.run, Ok(report)).unwrap();
        }
        let case = logbook.case(&id).unwrap();
        let shown = view(&case, None);
        assert_eq!(shown.state, "decided", "{shown:#?}");
        assert_eq!(case.verdict.location, [Location::Cable], "{:#?}", case.verdict);
        assert_eq!(case.verdict.segment.as_deref(), Some("crane-rail"));
        assert!(begin(case.clone(), "at-port", None).is_err(), "it is over");
        assert!(skip(case, "at-port", "").is_err());
    }

    #[test]
    fn what_a_case_does_not_have_is_refused() {
        let port = demo::open("quay0", Duration::ZERO, 1).unwrap();
        let case = open(port.identity(), port.offers(), "Q-12".into(), Vec::new());
        for stage in ["", "nowhere", "far-end:crane-rail", "cable-test"] {
            assert!(begin(case.clone(), stage, None).is_err(), "{stage}");
        }
        let skipped = skip(case, "internal", "no time\u{7}").unwrap();
        assert_eq!(view(&skipped, None).stages[0].skipped.as_deref(), Some("no time"));
        // A run that is over although nobody waits for it changes nothing.
        let mut logbook = Memory::default();
        logbook.keep_case(&skipped).unwrap();
        end(&mut logbook, &skipped.case, "another", Err("gone".into())).unwrap();
        assert_eq!(logbook.case(&skipped.case).unwrap(), skipped);
    }
}
