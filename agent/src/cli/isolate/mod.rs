//! `turnback isolate`: leads through a case.

mod answer;

use std::{process::ExitCode, time::Duration};

use turnback_core::{
    base::caution::Caution,
    document::case::{Case, Ended, Move, StageName, Who},
    event::Event,
    plan::{PlanError, parse_duration},
};

use self::answer::{Answer, Answers};
use super::{NOT_TESTED, USAGE, args, check, complain};
use crate::{
    archive::{Archive, error::ArchiveError, memory::Memory, sqlite::Store},
    engine::{CheckError, cancel::Cancel},
    error_chain::with_causes,
    guard::state,
    ports::{PortError, name::PortName},
    show::{
        case as text,
        lines::{message_width, output_width},
        progress::{ProgressLine, ProgressOptions},
    },
    tell,
    work::{
        check::{end_on_signals, profile, seed},
        isolate::{
            error::CaseError,
            port::CasePort,
            runner::{CaseRunner, Equipment, Opening, StagePlan},
            stage::needs_another_port,
            take_up::{TakenUp, Wanted},
        },
    },
};

/// Leads through a case; the exit status is its verdict.
pub fn run(args: args::Isolate) -> ExitCode {
    match try_run(&args) {
        Ok(code) => code,
        Err(Failure::Usage(message, hint)) => {
            tell!("error: {message}");
            if let Some(hint) = hint {
                tell!("hint: {hint}");
            }
            ExitCode::from(USAGE)
        }
        Err(Failure::Port(error)) => {
            let hint = error.hint();
            let status = if error.is_wrong_use() { USAGE } else { NOT_TESTED };
            complain(&error, hint);
            ExitCode::from(status)
        }
        Err(Failure::Archive(error)) => {
            let hint = error.hint();
            complain(&error, hint);
            ExitCode::from(USAGE)
        }
    }
}

enum Failure {
    Usage(String, Option<String>),
    Port(PortError),
    Archive(ArchiveError),
}

impl From<PortError> for Failure {
    fn from(error: PortError) -> Self {
        Self::Port(error)
    }
}

impl From<ArchiveError> for Failure {
    fn from(error: ArchiveError) -> Self {
        Self::Archive(error)
    }
}

impl From<CaseError> for Failure {
    fn from(error: CaseError) -> Self {
        match error {
            CaseError::Check(CheckError::Port(error)) => Self::Port(error),
            CaseError::Archive(error) => Self::Archive(error),
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
    let name = PortName::parse(&args.port);
    let seed = seed(args.seed, &name)?;
    let plan = plan(args, seed)?;
    let age = args.from_records.as_deref().map(parse_duration).transpose().map_err(|error| usage(error.to_string()))?;
    let mut archive = open_archive(&args.record);
    let cancel = Cancel::default();
    end_on_signals(&cancel);
    let (port, case) = take_up(args, name, seed, &*archive)?;
    let mut session = Session {
        args,
        age,
        cancel: cancel.clone(),
        answers: answers(args)?,
        runner: CaseRunner::new(case, &mut *archive, plan, cancel),
        port,
        cautions_said: Vec::new(),
    };
    session.apply_words()?;
    let led = session.lead();
    session.warn_if_unkept();
    let case = session.runner.case;
    // What was found so far is told even if the last stage could not be done.
    let printed = if args.json {
        serde_json::to_string_pretty(&case).map_err(|error| usage(error.to_string()))? + "\n"
    } else if args.details {
        let width = output_width();
        format!("{}\n{}", text::details(&case, width), text::answer(&case, width))
    } else {
        text::answer(&case, output_width())
    };
    let status = super::print(&printed, ExitCode::from(case.verdict.outcome.exit_status()));
    led?;
    Ok(status)
}

/// The archive; where it cannot be used the case ends with the program, and that is said.
fn open_archive(record: &args::Record) -> Box<dyn Archive> {
    if record.no_record {
        return Box::new(Memory::default());
    }
    match Store::open_at(record.store.as_deref()) {
        Ok(store) => Box::new(store),
        Err(error) => {
            tell!("warning: {UNKEPT}: {}", with_causes(&error));
            if let Some(hint) = error.hint() {
                tell!("hint: {hint}");
            }
            Box::new(Memory::default())
        }
    }
}

const UNKEPT: &str = "the case cannot be kept, and ends with this program";

fn plan(args: &args::Isolate, seed: u64) -> Result<StagePlan, Failure> {
    let mut profile = profile(&args.profile).map_err(|error| usage(with_causes(&error)))?;
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

/// The port and the case to work on: a single stage goes on with the open case of this port and cable.
fn take_up(
    args: &args::Isolate,
    name: PortName,
    seed: u64,
    archive: &dyn Archive,
) -> Result<(CasePort, Case), Failure> {
    let wanted = Wanted {
        id: args.case.clone(),
        go_on: args.stage.is_some() || !args.redo.is_empty() || !args.skip.is_empty(),
        opening: Opening { cable: args.cable.clone(), segments: args.segments.clone(), plug: args.plug.clone() },
    };
    let (port, TakenUp { case, left_open }) = CasePort::take_up(archive, name, seed, check::tell_left, wanted)?;
    if let Some(open) = left_open {
        tell!("note: case {open} of this port and cable is still open: --case {open} goes on with it");
    }
    Ok((port, case))
}

/// One sitting at a case.
struct Session<'a> {
    args: &'a args::Isolate,
    age: Option<Duration>,
    cancel: Cancel,
    answers: Answers,
    runner: CaseRunner<'a>,
    port: CasePort,
    cautions_said: Vec<Caution>,
}

/// What the person, or their words on the command line, want of a stage.
enum Wish {
    Do(Equipment),
    Leave,
    /// Something was changed: look again what comes next.
    Again,
}

impl Session<'_> {
    /// Carries out --skip and --redo.
    fn apply_words(&mut self) -> Result<(), Failure> {
        for word in &self.args.skip {
            let name = self.runner.known_as(stage_named(word)?)?;
            self.runner.skip(&name, None);
        }
        for word in &self.args.redo {
            let name = self.runner.known_as(stage_named(word)?)?;
            self.runner.set_aside(&name);
        }
        Ok(())
    }

    fn lead(&mut self) -> Result<(), Failure> {
        if let Some(word) = &self.args.stage {
            let name = self.runner.known_as(stage_named(word)?)?;
            let offered = Move { attempt: 1, ..self.offer(&name) };
            return match self.wish(&offered)? {
                Wish::Do(with) => self.carry_out(&name, &with),
                Wish::Leave | Wish::Again => Ok(()),
            };
        }
        let mut redo: Vec<StageName> = Vec::new();
        for word in &self.args.redo {
            redo.push(self.runner.known_as(stage_named(word)?)?);
        }
        redo.reverse();
        tell!("case {}: {}", self.runner.case.case, text::about(&self.runner.case));
        while !self.cancel.is_cancelled() {
            let next = match redo.pop() {
                Some(name) => self.offer(&name),
                None => match self.runner.case.next.clone() {
                    Some(next) => next,
                    None => break,
                },
            };
            if let Some(age) = self.age
                && next.attempt == 1
                && self.runner.take_record(&next.stage, age)?
            {
                tell!("\nstage {}: taken from a record", next.stage);
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
        self.runner.case.move_to(name)
    }

    /// Asks, unless there is nothing to ask.
    fn wish(&mut self, next: &Move) -> Result<Wish, Failure> {
        let known_good = needs_another_port(&self.runner.case, &next.stage);
        tell::text(&text::render_move(next, &mut self.cautions_said, message_width()));
        if self.args.yes && goes_unasked(next, self.args.stage.is_some()) {
            return if known_good {
                self.on_known_good(self.args.known_good.clone())
            } else {
                Ok(Wish::Do(Equipment::default()))
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
                    tell!("{text}");
                    continue;
                }
                Ok(None) => {
                    tell!("no answer came, so nothing more is done (--yes takes every move as done)");
                    return Ok(Wish::Leave);
                }
                Err(error) => return Err(usage(format!("cannot read the answers: {error}"))),
            };
            match answer {
                Answer::Go if known_good => match self.args.known_good.clone() {
                    Some(port) => return self.on_known_good(Some(port)),
                    None => {
                        tell!("say `on PORT` for a port of this machine, or what it showed elsewhere: passes, fails")
                    }
                },
                Answer::Go => return Ok(Wish::Do(Equipment::default())),
                Answer::Plug(label) => return Ok(Wish::Do(Equipment { plug: Some(label), ..Equipment::default() })),
                Answer::On(port) if known_good => return self.on_known_good(Some(port)),
                Answer::Shows(passes) if known_good => {
                    self.runner.answer(&next.stage, passes);
                    return Ok(Wish::Again);
                }
                Answer::On(_) | Answer::Shows(_) => {
                    tell!("that answers stage known-good-port only; this stage is run here")
                }
                Answer::Skip(why) => {
                    self.runner.skip(&next.stage, why);
                    return Ok(Wish::Again);
                }
                Answer::Redo(name) => match self.runner.known_as(name) {
                    Ok(name) => {
                        self.runner.set_aside(&name);
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
                    Err(error) => tell!("{error}"),
                },
                Answer::Leave => return Ok(Wish::Leave),
                Answer::Help => tell!("{}", answer::HELP),
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
        Ok(Wish::Do(Equipment { on_port: Some(name), plug: None }))
    }

    fn carry_out(&mut self, name: &StageName, with: &Equipment) -> Result<(), Failure> {
        let mut progress = ProgressLine::new(ProgressOptions { quiet: self.args.json, ..ProgressOptions::default() });
        let done = self.port.carry_out(&mut self.runner, name, with, &mut |event: Event| progress.show(&event));
        progress.end();
        self.warn_if_unkept();
        match done {
            Ok(()) if *name == StageName::CableTest && !self.runner.case.offers_cable_test => {
                tell!("note: the adapter of {} offers no cable test: the stage is left out", self.args.port);
                Ok(())
            }
            Ok(()) => {
                self.tell_last();
                Ok(())
            }
            Err(CaseError::Ended) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    fn tell_last(&self) {
        let done = self.runner.case.stages.iter().rev().find(|s| s.ended == Ended::Done);
        if let Some(line) = done.and_then(|stage| text::stage_line(stage, message_width())) {
            tell!("{line}");
        }
    }

    fn say_failure(&self, failure: Failure) {
        match failure {
            Failure::Usage(message, _) => tell!("error: {message}"),
            Failure::Port(error) => complain(&error, error.hint()),
            Failure::Archive(error) => complain(&error, error.hint()),
        }
    }

    fn warn_if_unkept(&mut self) {
        if let Some(error) = self.runner.unkept() {
            tell!("warning: {UNKEPT}: {}", with_causes(&error));
        }
    }
}

/// Whether `--yes` alone lets a move go: nobody has to move anything, or the stage was named on the command line, which
/// says that everything is in place.
fn goes_unasked(next: &Move, stage_named: bool) -> bool {
    stage_named || next.who == Who::Program
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the sentence for people says must not decide: a translation would change what runs unasked.
    #[test]
    fn yes_goes_by_who_makes_the_move_and_not_by_its_words() {
        for (who, hands, unasked) in [
            (Who::Program, "the loop inside the chip is used, so leave the cable where it is", true),
            (Who::Person, "nothing is at the far end yet: put the plug there", false),
        ] {
            let next = Move {
                stage: StageName::CableTest,
                attempt: 1,
                who,
                hands: hands.into(),
                look: String::new(),
                why: String::new(),
                cautions: Vec::new(),
            };
            assert_eq!(goes_unasked(&next, false), unasked, "{hands}");
            assert!(goes_unasked(&next, true), "the stage was named");
        }
    }
}
