//! `turnback isolate`: leads through a case.

mod answer;

use std::{process::ExitCode, time::Duration};

use turnback_core::{
    base::caution::Caution,
    document::{
        case::{Case, Ended, Move, StageName},
        run::PortIdentity,
    },
    event::Event,
    plan::{PlanError, parse_duration},
};

use self::answer::{Answer, Answers};
use super::{NOT_TESTED, USAGE, args, check, complain};
use crate::{
    archive::{
        cases::{CaseShelf, NoShelf},
        error::StoreError,
        sqlite::Store,
    },
    engine::{CheckError, cancel::Cancel},
    error_chain::with_causes,
    guard::state,
    ports::{Port, PortError},
    show::{case as text, progress::ProgressLine},
    work::isolate::runner::{ConductError, Conductor, Opening, StagePlan, With, open_case},
};

/// Leads through a case; the exit status is its verdict.
pub fn run(args: args::Isolate) -> ExitCode {
    match try_run(&args) {
        Ok(code) => code,
        Err(Failure::Usage(message, hint)) => {
            eprintln!("error: {message}");
            if let Some(hint) = hint {
                eprintln!("hint: {hint}");
            }
            ExitCode::from(USAGE)
        }
        Err(Failure::Port(error)) => {
            let hint = error.hint();
            let status = if check::is_wrong_use(&error) { USAGE } else { NOT_TESTED };
            complain(&error, hint);
            ExitCode::from(status)
        }
        Err(Failure::Shelf(error)) => {
            let hint = error.hint();
            complain(&error, hint);
            ExitCode::from(USAGE)
        }
    }
}

enum Failure {
    Usage(String, Option<String>),
    Port(PortError),
    Shelf(StoreError),
}

impl From<PortError> for Failure {
    fn from(error: PortError) -> Self {
        Self::Port(error)
    }
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        Self::Shelf(error)
    }
}

impl From<ConductError> for Failure {
    fn from(error: ConductError) -> Self {
        match error {
            ConductError::Check(CheckError::Port(error)) => Self::Port(error),
            other => Self::Usage(with_causes(&other), None),
        }
    }
}

fn usage(message: impl Into<String>) -> Failure {
    Failure::Usage(message.into(), None)
}

fn stage_named(text: &str) -> Result<StageName, Failure> {
    text.parse().map_err(|error| usage(format!("{error}")))
}

fn try_run(args: &args::Isolate) -> Result<ExitCode, Failure> {
    let seed = check::seed(args.seed, &args.port)?;
    let plan = plan(args, seed)?;
    let age = args.from_records.as_deref().map(parse_duration).transpose().map_err(|error| usage(error.to_string()))?;
    let mut shelf = open_shelf(&args.record);
    let cancel = Cancel::default();
    check::end_on_signals(&cancel);
    let mut port = check::open(&args.port, seed)?;
    let case = find_or_open(args, &mut *port, &*shelf)?;
    let mut session = Session {
        args,
        moves_plug: port.offers().moves_plug,
        seed,
        age,
        cancel: cancel.clone(),
        answers: answers(args)?,
        conductor: Conductor::new(case, &mut *shelf, plan, cancel),
        // A rig lives as long as the program; a real port is held only while a stage runs.
        rig: None,
        cautions_said: Vec::new(),
    };
    if session.moves_plug {
        session.rig = Some(port);
    } else {
        port.put_back();
        drop(port);
    }
    session.apply_words()?;
    let led = session.lead();
    session.warn_if_unkept();
    let case = session.conductor.case;
    // What was found so far is told even if the last stage could not be done.
    let printed = if args.json {
        serde_json::to_string_pretty(&case).map_err(|error| usage(error.to_string()))? + "\n"
    } else {
        text::render(&case)
    };
    let status = super::print(&printed, ExitCode::from(case.verdict.outcome.exit_status()));
    led?;
    Ok(status)
}

/// The records; where they cannot be used the case ends with the program, and that is said.
fn open_shelf(record: &args::Record) -> Box<dyn CaseShelf> {
    if record.no_record {
        return Box::new(NoShelf);
    }
    match Store::open_at(record.store.as_deref()) {
        Ok(store) => Box::new(store),
        Err(error) => {
            eprintln!("warning: the case cannot be kept, and ends with this program: {}", with_causes(&error));
            if let Some(hint) = error.hint() {
                eprintln!("hint: {hint}");
            }
            Box::new(NoShelf)
        }
    }
}

fn plan(args: &args::Isolate, seed: u64) -> Result<StagePlan, Failure> {
    let mut profile = check::profile(&args.profile).map_err(|error| usage(with_causes(&error)))?;
    if !StagePlan::fits(&profile) {
        let message =
            format!("profile {} does not fit a stage: give one of kind steps, such as quick or standard", profile.name);
        return Err(usage(message));
    }
    if let Some(rate) = &args.rate {
        profile.rate = rate.parse().map_err(|error: PlanError| usage(error.to_string()))?;
    }
    let soak_time = parse_duration(&args.soak_time).map_err(|error| usage(error.to_string()))?;
    Ok(StagePlan {
        profile,
        soak_time,
        seed,
        machine: state::machine(),
        although_in_service: args.although_in_service,
        line: check::line_words(args.line.as_deref(), args.wiring.as_deref()).map_err(usage)?,
    })
}

fn answers(args: &args::Isolate) -> Result<Answers, Failure> {
    match &args.answers {
        Some(path) => Answers::from_file(path)
            .map_err(|error| usage(format!("cannot read the answers in {}: {error}", path.display()))),
        None => Ok(Answers::from_terminal()),
    }
}

/// The case named; else, for a single stage, the open one of this port and cable; else a new one.
fn find_or_open(args: &args::Isolate, port: &mut dyn Port, shelf: &dyn CaseShelf) -> Result<Case, Failure> {
    let identity = port.identity();
    if let Some(id) = &args.case {
        let case = shelf.load(id)?;
        if case.port.name != args.port || case.cable != args.cable {
            return Err(usage(format!(
                "case {} is about {} and cable {}, not {} and {}",
                case.case, case.port.name, case.cable, args.port, args.cable
            )));
        }
        return Ok(case);
    }
    let single = args.stage.is_some() || !args.redo.is_empty() || !args.skip.is_empty();
    if let Some(open) = shelf.open_case(&identity, &args.cable)? {
        if single {
            return Ok(open);
        }
        eprintln!(
            "note: case {} of this port and cable is still open: --case {} goes on with it",
            open.case, open.case
        );
    }
    let opening = Opening { cable: args.cable.clone(), segments: args.segments.clone(), plug: args.plug.clone() };
    Ok(open_case(port, opening)?)
}

/// One sitting at a case.
struct Session<'a> {
    args: &'a args::Isolate,
    moves_plug: bool,
    seed: u64,
    age: Option<Duration>,
    cancel: Cancel,
    answers: Answers,
    conductor: Conductor<'a>,
    rig: Option<Box<dyn Port>>,
    cautions_said: Vec<Caution>,
}

/// What the person, or their words on the command line, want of a stage.
enum Wish {
    Do(With),
    Leave,
    /// Something was changed: look again what comes next.
    Again,
}

impl Session<'_> {
    /// Carries out --skip and --redo.
    fn apply_words(&mut self) -> Result<(), Failure> {
        for word in &self.args.skip {
            let name = self.conductor.known_as(stage_named(word)?)?;
            self.conductor.skip(&name, None);
        }
        for word in &self.args.redo {
            let name = self.conductor.known_as(stage_named(word)?)?;
            self.conductor.set_aside(&name);
        }
        Ok(())
    }

    fn lead(&mut self) -> Result<(), Failure> {
        if let Some(word) = &self.args.stage {
            let name = self.conductor.known_as(stage_named(word)?)?;
            let offered = Move { attempt: 1, ..self.offer(&name) };
            return match self.wish(&offered)? {
                Wish::Do(with) => self.carry_out(&name, &with),
                Wish::Leave | Wish::Again => Ok(()),
            };
        }
        let mut redo: Vec<StageName> = Vec::new();
        for word in &self.args.redo {
            redo.push(self.conductor.known_as(stage_named(word)?)?);
        }
        redo.reverse();
        eprintln!("case {}: {}", self.conductor.case.case, text::about(&self.conductor.case));
        while !self.cancel.is_cancelled() {
            let next = match redo.pop() {
                Some(name) => self.offer(&name),
                None => match self.conductor.case.next.clone() {
                    Some(next) => next,
                    None => break,
                },
            };
            if let Some(age) = self.age
                && next.attempt == 1
                && self.conductor.take_record(&next.stage, age)?
            {
                eprintln!("\nstage {}: taken from a record", next.stage);
                self.tell_last();
                continue;
            }
            match self.wish(&next)? {
                Wish::Do(with) => self.carry_out(&next.stage, &with)?,
                Wish::Leave => break,
                Wish::Again => {}
            }
        }
        Ok(())
    }

    /// The move to a stage that somebody asked for by name.
    fn offer(&self, name: &StageName) -> Move {
        self.conductor.case.move_to(name)
    }

    /// Asks, unless there is nothing to ask.
    fn wish(&mut self, next: &Move) -> Result<Wish, Failure> {
        let known_good = next.stage == StageName::KnownGoodPort && !self.moves_plug;
        let handless = self.moves_plug || next.hands.starts_with("nothing");
        eprint!("{}", text::render_move(next, &mut self.cautions_said));
        if self.args.yes && (handless || self.args.stage.is_some()) {
            return if known_good {
                self.on_known_good(self.args.known_good.clone())
            } else {
                Ok(Wish::Do(With::default()))
            };
        }
        if self.args.yes {
            let hint = format!("do it, then add --stage {} --yes; or leave --yes out and answer", next.stage);
            return Err(Failure::Usage(format!("stage {} needs a hand, and --yes has none", next.stage), Some(hint)));
        }
        loop {
            let answer = match self.answers.next() {
                Ok(Some(Ok(answer))) => answer,
                Ok(Some(Err(text))) => {
                    eprintln!("{text}");
                    continue;
                }
                Ok(None) => {
                    eprintln!("no answer came, so nothing more is done (--yes takes every move as done)");
                    return Ok(Wish::Leave);
                }
                Err(error) => return Err(usage(format!("cannot read the answers: {error}"))),
            };
            match answer {
                Answer::Go if known_good => match self.args.known_good.clone() {
                    Some(port) => return self.on_known_good(Some(port)),
                    None => eprintln!(
                        "say `on PORT` for a port of this machine, or what it showed elsewhere: passes, fails"
                    ),
                },
                Answer::Go => return Ok(Wish::Do(With::default())),
                Answer::Plug(label) => return Ok(Wish::Do(With { plug: Some(label), ..With::default() })),
                Answer::On(port) if known_good => return self.on_known_good(Some(port)),
                Answer::Shows(passes) if known_good => {
                    self.conductor.answer(&next.stage, passes);
                    return Ok(Wish::Again);
                }
                Answer::On(_) | Answer::Shows(_) => {
                    eprintln!("that answers stage known-good-port only; this stage is run here")
                }
                Answer::Skip(why) => {
                    self.conductor.skip(&next.stage, why);
                    return Ok(Wish::Again);
                }
                Answer::Redo(name) => match self.conductor.known_as(name) {
                    Ok(name) => {
                        self.conductor.set_aside(&name);
                        let again = self.offer(&name);
                        return self.wish(&again).map(|wish| match wish {
                            Wish::Do(with) => match self.carry_out(&name, &with) {
                                Ok(()) => Wish::Again,
                                Err(error) => {
                                    self.say_failure(error);
                                    Wish::Again
                                }
                            },
                            other => other,
                        });
                    }
                    Err(error) => eprintln!("{error}"),
                },
                Answer::Leave => return Ok(Wish::Leave),
                Answer::Help => eprintln!("{}", answer::HELP),
            }
        }
    }

    fn on_known_good(&mut self, port: Option<String>) -> Result<Wish, Failure> {
        let Some(name) = port else {
            let hint =
                "--known-good PORT names one of this machine; or skip the stage: --skip known-good-port".to_owned();
            return Err(Failure::Usage("stage known-good-port needs a second port".into(), Some(hint)));
        };
        if name == self.args.port {
            return Err(usage(format!("{name} is the port under test: the known-good port must be another")));
        }
        Ok(Wish::Do(With { on_port: Some(PortIdentity { name, ..PortIdentity::default() }), plug: None }))
    }

    fn carry_out(&mut self, name: &StageName, with: &With) -> Result<(), Failure> {
        let mut opened = None;
        let port: &mut dyn Port = match &mut self.rig {
            Some(rig) => &mut **rig,
            None => {
                let port = with.on_port.as_ref().map_or(self.args.port.as_str(), |port| port.name.as_str());
                &mut **opened.insert(check::open(port, self.seed)?)
            }
        };
        let mut progress = ProgressLine::new(self.args.json);
        let done = self.conductor.carry_out(name, with, port, &mut |event: Event| progress.show(&event));
        progress.end();
        self.warn_if_unkept();
        match done {
            Ok(()) if *name == StageName::CableTest && !self.conductor.case.offers_cable_test => {
                eprintln!("note: the adapter of {} offers no cable test: the stage is left out", self.args.port);
                Ok(())
            }
            Ok(()) => {
                self.tell_last();
                Ok(())
            }
            Err(ConductError::Ended) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    fn tell_last(&self) {
        let done = self.conductor.case.stages.iter().rev().find(|s| s.ended == Ended::Done);
        if let Some(line) = done.and_then(text::stage_line) {
            eprintln!("{line}");
        }
    }

    fn say_failure(&self, failure: Failure) {
        match failure {
            Failure::Usage(message, _) => eprintln!("error: {message}"),
            Failure::Port(error) => complain(&error, error.hint()),
            Failure::Shelf(error) => complain(&error, error.hint()),
        }
    }

    fn warn_if_unkept(&mut self) {
        if let Some(error) = self.conductor.unkept() {
            eprintln!("warning: the case cannot be kept, and ends with this program: {}", with_causes(&error));
        }
    }
}
