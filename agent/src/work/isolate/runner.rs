//! Carries out the stages of a case, and writes the case down before and after each: whatever ends the program, no
//! stage that was done is lost.

use std::time::Duration;

use turnback_core::{
    base::{labels::Labels, placement::Placement},
    document::{
        Document,
        case::{self, Case, CaseLine, CaseState, Ended, Showing, Source, Spot, Stage, StageName, StageResult},
        run::Report,
    },
    event::Event,
    judge::{Verdict, facts::Stopped},
    kind::{ethernet::link::Medium, serial::plug::LinePlug},
    plan::{Profile, ProfileKind},
};

use super::{
    error::CaseError,
    stage::{self, Measurement, speed_mbps},
};
use crate::{
    archive::{Archive, RunAt, Sought, error::ArchiveError},
    engine::{CheckOptions, LineOptions, cancel::Cancel},
    guard::id::new_id,
    ports::{Port, Way},
    work::{PROGRAM, now, this_moment},
};

/// What every stage of a case is run with.
#[derive(Clone, Debug)]
pub struct StagePlan {
    /// Profile of a stage where the case names none.
    pub profile: Profile,
    /// Seed of the first run; every run has one of its own.
    pub seed: u64,
    /// Name of this machine.
    pub machine: String,
    /// Test although the port is in service, where that may be said at all.
    pub although_in_service: bool,
    /// Format and plug of a serial line.
    pub line: LineOptions,
}

impl StagePlan {
    /// Whether stages can be run with such a profile: one that looks for a limit by itself tells no place from another.
    pub fn fits(profile: &Profile) -> bool {
        matches!(profile.kind, ProfileKind::Steps | ProfileKind::Soak)
    }

    fn profile_for(&self, case: &Case, name: &StageName) -> Profile {
        let usual = case.options.profile.as_ref().unwrap_or(&self.profile);
        if case.is_long(name) {
            let time = Duration::from_secs(case.move_to(name).time_s);
            Profile { name: "soak".into(), kind: ProfileKind::Soak, time, ..usual.clone() }
        } else {
            usual.clone()
        }
    }
}

/// What a stage is done with, where it is not what the case says.
#[derive(Clone, Debug, Default)]
pub struct Equipment {
    /// Label of the plug, where it is not the case's.
    pub plug: Option<String>,
    /// Name of the known-good port that the stage needs: in place of the case's own, or of its return port.
    pub on_port: Option<String>,
}

/// Carries a case through.
pub struct CaseRunner<'a> {
    /// The case.
    pub case: Case,
    archive: &'a mut dyn Archive,
    plan: StagePlan,
    cancel: Cancel,
    /// Set once the case cannot be kept any more, so that it is said once.
    unkept: Option<ArchiveError>,
    /// The archive took the case as it stands.
    is_put: bool,
    /// It took it at some time since this began.
    was_put: bool,
}

/// What a new case is about.
#[derive(Clone, Debug)]
pub struct Opening {
    /// Label of the cable.
    pub cable: String,
    /// Labels of its segments from the port.
    pub segments: Vec<String>,
    /// Label of the plug.
    pub plug: Option<String>,
}

/// A case without stages. Segments that nobody named are those the port knows.
///
/// # Errors
/// [`CaseError::SegmentTwice`]; [`CaseError::NoSuchSegment`] for one that a rig does not have;
/// [`CaseError::HearsItself`].
pub fn open_case(port: &mut dyn Port, mut opening: Opening) -> Result<Case, CaseError> {
    if opening.segments.is_empty() {
        opening.segments = port.segments();
    }
    if let Way::Bytes(line) = port.way()
        && line.plug() == Some(LinePlug::Rs485)
    {
        return Err(CaseError::HearsItself { port: port.identity().name });
    }
    // A rig knows its cable. On a real port only the person does.
    let known = port.segments();
    if port.offers().moves_plug
        && let Some(stranger) = opening.segments.iter().find(|label| !known.contains(label))
    {
        let known = match known.as_slice() {
            [] => "a simulated rig has its own cable, and this one is of one piece".to_owned(),
            known => format!("a simulated rig has its own: {}", known.join(", ")),
        };
        return Err(CaseError::NoSuchSegment { segment: stranger.clone(), known });
    }
    let mut seen = std::collections::HashSet::new();
    if let Some(twice) = opening.segments.iter().find(|label| label.trim().is_empty() || !seen.insert(label.as_str())) {
        return Err(CaseError::SegmentTwice { segment: twice.clone() });
    }
    let now = now();
    let mut case = Case {
        format: case::FORMAT,
        program: PROGRAM.into(),
        case: new_id().to_string(),
        opened_at: now.clone(),
        changed_at: now,
        port: port.identity(),
        cable: opening.cable,
        segments: opening.segments,
        plug: opening.plug,
        capabilities: port.offers(),
        medium: match port.way() {
            Way::Frames(port) => port.link().map_or(Medium::Unknown, |link| link.medium),
            Way::Bytes(_) => Medium::Unknown,
        },
        offers_cable_test: port.offers_cable_test(),
        line: match port.way() {
            Way::Frames(_) => None,
            Way::Bytes(line) => {
                Some(CaseLine { format: line.usual_format().unwrap_or_default(), capabilities: line.capabilities() })
            }
        },
        stages: Vec::new(),
        state: CaseState::Open,
        verdict: Verdict::unjudged(),
        next: None,
        again: None,
        options: case::CaseOptions::default(),
        closed: None,
        laid_down: false,
    };
    case.settle();
    Ok(case)
}

impl<'a> CaseRunner<'a> {
    /// Takes up a case, new or kept. A stage that was cut off is noted as such and counts for nothing.
    pub fn new(mut case: Case, archive: &'a mut dyn Archive, plan: StagePlan, cancel: Cancel) -> Self {
        for stage in case.stages.iter_mut().filter(|stage| stage.ended == Ended::Begun) {
            stage.ended = Ended::CutOff;
            stage.why = Some("the program ended before the run did".into());
        }
        let mut runner = Self { case, archive, plan, cancel, unkept: None, is_put: false, was_put: false };
        runner.settle_and_save();
        runner
    }

    /// Why the case could not be kept, once.
    pub fn unkept(&mut self) -> Option<ArchiveError> {
        self.unkept.take()
    }

    /// Whether the archive took the case as it stands.
    pub fn is_put(&self) -> bool {
        self.is_put
    }

    /// Whether the archive took the case at some time since this began.
    pub fn was_put(&self) -> bool {
        self.was_put
    }

    /// The name under which the case knows a stage: the far end of the last segment is that of the cable.
    ///
    /// # Errors
    /// A segment that the case does not have.
    pub fn known_as(&self, name: StageName) -> Result<StageName, CaseError> {
        known_as(&self.case, name)
    }

    /// Carries out a stage from its beginning to its end. `return_port` takes the place of the plug.
    ///
    /// # Errors
    /// When it could not be made; the case then holds the stage as cut off.
    pub fn carry_out(
        &mut self,
        name: &StageName,
        equipment: &Equipment,
        port: &mut dyn Port,
        return_port: Option<&mut dyn Port>,
        say: &mut dyn FnMut(Event),
    ) -> Result<(), CaseError> {
        let options = self.begin_stage(name, equipment);
        let found = match stage::carry_out(name, port, return_port, options, say, &self.cancel) {
            Ok(found) => found,
            Err(error) => {
                self.cut_off(error.to_string());
                return Err(error);
            }
        };
        if let Measurement::Report(report) = &found
            && let Err(error) = self.archive.put(&Document::Run(report.clone()))
        {
            self.unkept.get_or_insert(error);
        }
        if self.end_stage(&found) { Ok(()) } else { Err(CaseError::Ended) }
    }

    /// Notes that a stage begins; what its check is to do.
    pub fn begin_stage(&mut self, name: &StageName, equipment: &Equipment) -> CheckOptions {
        let run = new_id().to_string();
        // A label that is given at a stage names the plug of the case, which had none until then.
        if *name != StageName::OtherPlug && self.case.plug.is_none() {
            self.case.plug.clone_from(&equipment.plug);
        }
        self.case.laid_down = false;
        let mut stage = self.begin(name, equipment);
        // A cable test makes no run that a record could be kept of.
        stage.run = (*name != StageName::CableTest).then(|| run.clone());
        stage.started_at = now();
        let options = self.options(name, equipment, run, stage.started_at.clone());
        self.case.stages.push(stage);
        self.settle_and_save();
        options
    }

    /// Notes what the stage that began last found; false if it was ended by hand and counts for nothing. A cable test
    /// that turns out not to be offered is left out as if it had never been wanted.
    pub fn end_stage(&mut self, found: &Measurement) -> bool {
        match found {
            Measurement::Report(report) if report.stopped == Some(Stopped::ByUser) => {
                self.cut_off("ended by hand".into());
                return false;
            }
            Measurement::Report(report) => self.end(Ended::Done, None, Some(StageResult::new(report))),
            Measurement::Pairs(Some(pairs)) => {
                if let Some(stage) = self.case.stages.last_mut() {
                    stage.pairs = Some(pairs.clone());
                }
                self.case.offers_cable_test = true;
                self.end(Ended::Done, None, None);
            }
            Measurement::Pairs(None) => {
                self.case.stages.pop();
                self.case.offers_cable_test = false;
                self.settle_and_save();
            }
        }
        true
    }

    /// Notes that the stage that began last could not be carried out.
    pub fn cut_off(&mut self, why: String) {
        self.end(Ended::CutOff, Some(why), None);
    }

    fn begin(&self, name: &StageName, equipment: &Equipment) -> Stage {
        let attempt = 1 + self.case.stages.iter().filter(|s| s.name == *name && s.ended != Ended::Skipped).count();
        let spot = name.spot();
        let plug = match (&equipment.plug, name) {
            (Some(label), _) => Some(label.clone()),
            (None, StageName::OtherPlug) => Some("another".into()),
            (None, StageName::CableTest | StageName::At(Spot::Internal) | StageName::Soak(Spot::Internal)) => None,
            (None, _) => self.case.plug.clone(),
        };
        Stage {
            name: name.clone(),
            attempt: attempt as u32,
            placement: spot.as_ref().map(Spot::placement),
            segment: spot.as_ref().and_then(Spot::segment).map(str::to_owned),
            plug,
            on_port: equipment.on_port.clone(),
            run: None,
            started_at: now(),
            source: Source::Run,
            ended: Ended::Begun,
            why: None,
            result: None,
            pairs: None,
        }
    }

    fn options(&self, name: &StageName, equipment: &Equipment, run: String, started_at: String) -> CheckOptions {
        let spot = name.spot().unwrap_or(Spot::AtPort);
        let stage = self.begin(name, equipment);
        CheckOptions {
            profile: self.plan.profile_for(&self.case, name),
            placement: Some(spot.placement()),
            cable: (spot.placement() == Placement::FarEnd).then(|| self.case.cable.clone()),
            labels: Labels { segment: stage.segment, plug: stage.plug, ..Labels::default() },
            machine: self.plan.machine.clone(),
            speed_mbps: speed_mbps(name),
            seed: self.plan.seed.wrapping_add(self.case.stages.len() as u64),
            run,
            started_at,
            although_in_service: self.plan.although_in_service,
            // The case itself moves on to the place that tells more.
            confirm: false,
            line: self.plan.line,
        }
    }

    fn end(&mut self, ended: Ended, why: Option<String>, result: Option<StageResult>) {
        if let Some(stage) = self.case.stages.last_mut() {
            stage.ended = ended;
            stage.why = why;
            stage.result = result;
        }
        self.settle_and_save();
    }

    /// Leaves a stage out.
    pub fn skip(&mut self, name: &StageName, why: Option<String>) {
        let stage = Stage { ended: Ended::Skipped, why, ..self.begin(name, &Equipment::default()) };
        self.case.stages.push(stage);
        self.settle_and_save();
    }

    /// Sets every attempt at a stage aside: the technician does not stand by them. They stay in the document and count
    /// for nothing.
    pub fn set_aside(&mut self, name: &StageName) {
        for stage in self.case.stages.iter_mut().filter(|stage| stage.name == *name) {
            match stage.ended {
                Ended::Done => stage.ended = Ended::SetAside,
                // Whoever wants it done again does not want it left out.
                Ended::Skipped => stage.ended = Ended::CutOff,
                Ended::Begun | Ended::CutOff | Ended::SetAside => {}
            }
        }
        self.settle_and_save();
    }

    /// Notes that the last attempt at a stage was in truth another stage: the plug was elsewhere than was said. The
    /// name as entered stays in the document.
    ///
    /// # Errors
    /// Why it cannot have been: the stage was not done, or no hand had a part in it.
    pub fn correct(&mut self, entered: &StageName, was: &StageName) -> Result<(), String> {
        let by_program = |name: &&StageName| name.spot() == Some(Spot::Internal) || **name == StageName::CableTest;
        if let Some(name) = [entered, was].into_iter().find(by_program) {
            return Err(format!(
                "Stage {name} cannot be corrected: this program made the loop or the measurement itself, and no hand \
                 had a part in it."
            ));
        }
        let done = |s: &&mut Stage| s.name == *entered && s.ended == Ended::Done;
        let Some(stage) = self.case.stages.iter_mut().rfind(done) else {
            return Err(format!("Stage {entered} has not been done."));
        };
        let spot = was.spot();
        stage.why = Some(format!("entered as {entered}, corrected on {}", now()));
        stage.placement = spot.as_ref().map(Spot::placement);
        stage.segment = spot.as_ref().and_then(Spot::segment).map(str::to_owned);
        stage.name = was.clone();
        self.settle_and_save();
        Ok(())
    }

    /// Closes the case before it is decided.
    pub fn close(&mut self, why: String) {
        self.case.closed = Some(why);
        self.settle_and_save();
    }

    /// Whether a stage was done or skipped, so that it can be set aside.
    pub fn was_done(&self, name: &StageName) -> bool {
        self.case.stages.iter().any(|s| s.name == *name && matches!(s.ended, Ended::Done | Ended::Skipped))
    }

    /// Whether a stage was left out, and never done.
    pub fn was_skipped(&self, name: &StageName) -> bool {
        let mut all = self.case.stages.iter().filter(|s| s.name == *name);
        all.clone().any(|s| s.ended == Ended::Skipped) && all.all(|s| s.ended != Ended::Done)
    }

    /// Leaves the case for now: whoever takes it up again is told all that belongs where.
    pub fn lay_down(&mut self) {
        self.case.laid_down = true;
        self.settle_and_save();
    }

    /// Takes the technician's word for a stage that this machine cannot do.
    pub fn answer(&mut self, name: &StageName, passes: bool) {
        let showing = if passes { Showing::Passes } else { Showing::Fails };
        let stage = Stage {
            source: Source::Answer,
            ended: Ended::Done,
            result: Some(StageResult::answered(showing)),
            ..self.begin(name, &Equipment::default())
        };
        self.case.stages.push(stage);
        self.settle_and_save();
    }

    /// Takes a stage from the latest record of the same port that is not older than `age`; false where there is none.
    ///
    /// # Errors
    /// When the records cannot be read.
    pub fn take_record(&mut self, name: &StageName, age: Duration) -> Result<bool, ArchiveError> {
        let StageName::At(spot) = name else { return Ok(false) };
        let taken: Vec<&String> = self.case.stages.iter().filter_map(|s| s.run.as_ref()).collect();
        let since = jiff::Timestamp::now() - jiff::SignedDuration::try_from(age).unwrap_or(jiff::SignedDuration::ZERO);
        let sought = Sought::Run(RunAt {
            machine: &self.plan.machine,
            port: &self.case.port,
            placement: spot.placement(),
            cable: (spot.placement() == Placement::FarEnd).then_some(self.case.cable.as_str()),
            segment: spot.segment(),
            since_ms: since.as_millisecond(),
        });
        let Some(Document::Run(report)) = self.archive.latest(&sought)? else { return Ok(false) };
        if taken.contains(&&report.run) {
            return Ok(false);
        }
        self.add_record(name, &report);
        Ok(true)
    }

    fn add_record(&mut self, name: &StageName, report: &Report) {
        let stage = Stage {
            run: Some(report.run.clone()),
            started_at: report.started_at.clone(),
            plug: report.labels.plug.clone().or_else(|| self.case.plug.clone()),
            source: Source::Record,
            ended: Ended::Done,
            result: Some(StageResult::new(report)),
            ..self.begin(name, &Equipment::default())
        };
        self.case.stages.push(stage);
        self.settle_and_save();
    }

    fn settle_and_save(&mut self) {
        self.case.changed_at = this_moment();
        self.case.program = PROGRAM.into();
        self.case.settle();
        let put = self.archive.put(&self.case.clone().into());
        self.is_put = put.is_ok();
        self.was_put |= self.is_put;
        if let Err(error) = put {
            self.unkept.get_or_insert(error);
        }
    }
}

/// The name under which a case knows a stage: the far end of the last segment is that of the cable.
///
/// # Errors
/// A segment that the case does not have.
pub fn known_as(case: &Case, name: StageName) -> Result<StageName, CaseError> {
    let whole = |spot: Spot| match spot {
        Spot::FarEnd(Some(segment)) => {
            let segments = &case.segments;
            match segments.iter().position(|known| *known == segment) {
                Some(index) if index + 1 == segments.len() => Ok(Spot::FarEnd(None)),
                Some(_) => Ok(Spot::FarEnd(Some(segment))),
                None => Err(CaseError::NoSuchSegment {
                    segment,
                    known: if segments.is_empty() { "it has none (--segments)".into() } else { segments.join(", ") },
                }),
            }
        }
        spot => Ok(spot),
    };
    Ok(match name {
        StageName::At(spot) => StageName::At(whole(spot)?),
        StageName::Soak(spot) => StageName::Soak(whole(spot)?),
        StageName::TwoPairs(spot) => StageName::TwoPairs(whole(spot)?),
        other => other,
    })
}
