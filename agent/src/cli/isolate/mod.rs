//! `turnback isolate`: leads through a case.

pub(super) mod answer;

use std::{process::ExitCode, time::Duration};

use turnback_core::{
    base::{caution::Caution, labels::Labels},
    document::case::{CaseOptions, Ended, Move, StageName, Who},
    event::Event,
    plan::{PlanError, Profile, parse_duration},
};

use self::answer::{Answer, Answers};
use super::{NOT_TESTED, USAGE, args, check, complain, shared::Record};
use crate::{
    archive::{Archive, error::ArchiveError, memory::Memory, record::CaseRow, sqlite::Store},
    engine::{CheckError, cancel::Cancel},
    error_chain::with_causes,
    guard::state,
    ports::{PortError, name::PortName},
    show::{
        case as text,
        lines::{message_width, output_width, wrapped},
        progress::{ProgressLine, ProgressOptions},
    },
    tell,
    work::{
        check::{end_on_signals, profile, seed},
        isolate::{
            error::CaseError,
            port::CasePort,
            runner::{CaseRunner, Equipment, Opening, StagePlan},
            take_up::{TakenUp, Wanted},
        },
        labels_mistyped,
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
        Err(Failure::NotReady { port, reasons }) => {
            tell_not_ready(&port, &reasons);
            ExitCode::from(NOT_TESTED)
        }
    }
}

fn tell_not_ready(port: &str, reasons: &[String]) {
    tell!("NOT TESTED: {port} cannot be tested now. Leave plug and cable where they are.");
    for reason in reasons {
        tell!("{}", wrapped("  ", reason, message_width()));
    }
}

enum Failure {
    Usage(String, Option<String>),
    Port(PortError),
    Archive(ArchiveError),
    /// A run would be refused. Nothing was moved yet.
    NotReady {
        port: String,
        reasons: Vec<String>,
    },
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
            CaseError::NotReady { port, reasons } => Self::NotReady { port, reasons },
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
    let age = args.from_records.as_deref().map(parse_duration).transpose().map_err(|error| usage(error.to_string()))?;
    // What is wrong with the options is said before anything is opened.
    let mut options = CaseOptions::default();
    keep_options(args, &mut options)?;
    let mut archive = open_archive(&args.record);
    let cancel = Cancel::default();
    end_on_signals(&cancel);
    let (mut port, TakenUp { mut case, stored, left_open }) = take_up(args, name, seed, &*archive)?;
    for open in left_open {
        let CaseRow { case, cable, .. } = open;
        let words = format!("{} has another open case, {case}, of cable {cable}. It moves the same plug.", args.port);
        tell!("{}", wrapped("note: ", &words, message_width()));
        tell!("hint: --case {case} goes on with it; --case {case} --close WHY ends it");
    }
    keep_options(args, &mut case.options)?;
    if args.close.is_none() {
        port.ready(None, args.although_in_service)?;
        let CaseOptions { known_good, return_port, .. } = case.options.clone();
        if case.capabilities.moves_plug && return_port.is_some() {
            return Err(usage(format!(
                "{} is a simulated rig, which has no second port: leave out --return-port",
                args.port
            )));
        }
        for other in [known_good, return_port].into_iter().flatten().filter(|_| !case.capabilities.moves_plug) {
            port.ready(Some(&other), args.although_in_service)?;
        }
    }
    let plan = StagePlan {
        profile: Profile::named("quick").map_err(|error| usage(error.to_string()))?,
        seed,
        machine: state::machine(),
        although_in_service: args.although_in_service,
        line: check::line_words(case.options.line.as_deref(), case.options.wiring.as_deref()).map_err(usage)?,
    };
    if stored {
        tell::text(&text::recap(&case, message_width()));
    } else {
        let labels = Labels { plug: case.plug.clone(), ..Labels::default() };
        for mistyped in labels_mistyped(&*archive, Some(&case.cable), &labels) {
            tell!("warning: {mistyped}");
        }
        tell!("{}", wrapped(&format!("case {}: ", case.case), &text::about(&case), message_width()));
    }
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
    let led = if args.close.is_some() { Ok(()) } else { session.lead() };
    session.warn_if_unkept();
    let case = session.runner.case;
    // What was found so far is told even if the last stage could not be done.
    let printed = if args.json {
        serde_json::to_string_pretty(&case).map_err(|error| usage(error.to_string()))? + "\n"
    } else if args.details {
        let width = output_width();
        format!("{}\n{}", text::details(&case, width), text::answer(&case, width))
    } else {
        text::answer_with(&case, &words_to_repeat(args), output_width())
    };
    let status = super::print(&printed, ExitCode::from(case.verdict.outcome.exit_status()));
    led?;
    Ok(status)
}

/// Options that a case does not keep: a command that goes on with it needs them again.
fn words_to_repeat(args: &args::Isolate) -> Vec<String> {
    let mut words = Vec::new();
    if let Some(store) = &args.record.store {
        words.extend(["--store".to_owned(), store.display().to_string()]);
    }
    if let Some(seed) = args.seed {
        words.extend(["--seed".to_owned(), seed.to_string()]);
    }
    if args.although_in_service {
        words.push("--although-in-service".to_owned());
    }
    words
}

/// Keeps the options that were given; those that were not stay as they are.
fn keep_options(args: &args::Isolate, options: &mut CaseOptions) -> Result<(), Failure> {
    if args.profile.is_some() || options.profile.is_none() {
        let name = args.profile.as_deref().unwrap_or("quick");
        options.profile = Some(profile(name).map_err(|error| usage(with_causes(&error)))?);
    }
    if let Some(profile) = &mut options.profile {
        if !StagePlan::fits(profile) {
            return Err(usage(format!(
                "profile {} does not fit a stage: give one of kind steps, such as quick or standard",
                profile.name
            )));
        }
        if let Some(rate) = &args.rate {
            profile.rate = rate.parse().map_err(|error: PlanError| usage(error.to_string()))?;
        }
    }
    if let Some(time) = &args.soak_time {
        let time = parse_duration(time).map_err(|error| usage(error.to_string()))?;
        options.soak_s = time.as_secs_f64().ceil() as u64;
    }
    check::line_words(args.line.as_deref(), args.wiring.as_deref()).map_err(usage)?;
    for (given, kept) in [
        (&args.line, &mut options.line),
        (&args.wiring, &mut options.wiring),
        (&args.known_good, &mut options.known_good),
        (&args.return_port, &mut options.return_port),
    ] {
        if given.is_some() {
            kept.clone_from(given);
        }
    }
    let CaseOptions { known_good, return_port, .. } = options;
    for (other, is) in [(&*known_good, "known-good"), (&*return_port, "return")] {
        if other.as_ref() == Some(&args.port) {
            return Err(usage(format!("{} is the port under test: the {is} port must be another", args.port)));
        }
    }
    if return_port.is_some() && known_good == return_port {
        return Err(usage("the known-good port and the return port must be two ports"));
    }
    Ok(())
}

/// The archive; where it cannot be used the case ends with the program, and that is said.
fn open_archive(record: &Record) -> Box<dyn Archive> {
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

fn answers(args: &args::Isolate) -> Result<Answers, Failure> {
    match &args.answers {
        Some(path) => Answers::from_file(path)
            .map_err(|error| usage(format!("cannot read the answers in {}: {error}", path.display()))),
        None => Ok(Answers::from_terminal()),
    }
}

/// The port and the case to work on: the open case of this port and cable, unless another is wanted.
fn take_up(
    args: &args::Isolate,
    name: PortName,
    seed: u64,
    archive: &dyn Archive,
) -> Result<(CasePort, TakenUp), Failure> {
    let opening = Opening {
        cable: args.cable.clone().unwrap_or_default(),
        segments: args.segments.clone(),
        plug: args.plug.clone(),
    };
    let wanted = Wanted { id: args.case.clone(), go_on: !args.new, opening };
    Ok(CasePort::take_up(archive, name, seed, check::tell_left, wanted)?)
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
    /// Carries out --close, --correct, --skip and --redo.
    fn apply_words(&mut self) -> Result<(), Failure> {
        if let Some(why) = &self.args.close {
            self.runner.close(why.clone());
        }
        for words in &self.args.correct {
            let Some((entered, was)) = words.split_once('=') else {
                return Err(usage(format!("--correct {words}: two stages are needed, such as far-end:A=far-end:B")));
            };
            let (entered, was) = (stage_named(entered)?, stage_named(was)?);
            self.correct(entered, was).map_err(usage)?;
        }
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

    fn correct(&mut self, entered: StageName, was: StageName) -> Result<(), String> {
        let known = |name| self.runner.known_as(name).map_err(|error| error.to_string());
        let (entered, was) = (known(entered)?, known(was)?);
        if self.runner.correct(&entered, &was) { Ok(()) } else { Err(format!("Stage {entered} has not been done.")) }
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
        let known_good = self.runner.case.needs_another_port(&next.stage);
        // Before any hand is moved: somebody may have taken the port since the last stage.
        self.port.ready(None, self.args.although_in_service)?;
        tell::text(&text::render_move(next, &mut self.cautions_said, message_width()));
        if self.args.yes && goes_unasked(next, self.args.stage.is_some()) {
            return if known_good { self.on_the_named_port() } else { Ok(Wish::Do(Equipment::default())) };
        }
        if self.args.yes {
            let hint = format!("do that, then run this again with --stage {} --yes; or leave out --yes", next.stage);
            return Err(Failure::Usage("somebody must move the plug first".into(), Some(hint)));
        }
        loop {
            let answer = match self.answers.next() {
                Ok(Some(Ok(answer))) => answer,
                Ok(Some(Err(text))) => {
                    tell!("{text}");
                    continue;
                }
                Ok(None) => {
                    tell!("No answer came, so the case is kept for later. (With --yes nothing is asked.)");
                    return Ok(Wish::Leave);
                }
                Err(error) => return Err(usage(format!("cannot read the answers: {error}"))),
            };
            match answer {
                Answer::Go if known_good => match self.runner.case.options.known_good.clone() {
                    Some(port) => return Ok(Wish::Do(Equipment { on_port: Some(port), plug: None })),
                    None => tell!(
                        "Which other port do you use? Type \"on PORT\" for a port of this machine. If you tried it \
                         elsewhere, type \"passes\" or \"fails\"."
                    ),
                },
                Answer::Go => return Ok(Wish::Do(Equipment::default())),
                Answer::Plug(label) => return Ok(Wish::Do(Equipment { plug: Some(label), ..Equipment::default() })),
                Answer::On(port) if known_good => match self.known_good_port(&port) {
                    Ok(with) => return Ok(Wish::Do(with)),
                    // A mistyped name, or a port in use: asked again.
                    Err(failure) => self.say_failure(failure),
                },
                Answer::Shows(passes) if known_good => {
                    self.runner.answer(&next.stage, passes);
                    return Ok(Wish::Again);
                }
                Answer::On(_) | Answer::Shows(_) => {
                    tell!("That answers a stage that uses another port, and this one does not.")
                }
                Answer::Skip(None, why) => {
                    self.runner.skip(&next.stage, why);
                    return Ok(Wish::Again);
                }
                Answer::Skip(Some(name), why) => match self.runner.known_as(name) {
                    Ok(name) => {
                        self.runner.skip(&name, why);
                        return Ok(Wish::Again);
                    }
                    Err(error) => tell!("{error}"),
                },
                Answer::Redo(name) => match self.runner.known_as(name) {
                    Ok(name) if self.runner.was_done(&name) => {
                        self.runner.set_aside(&name);
                        return self.repeat(&name);
                    }
                    Ok(name) => tell!("Stage {name} has not been done yet."),
                    Err(error) => tell!("{error}"),
                },
                Answer::Correct(entered, was) => match self.correct(entered, was) {
                    Ok(()) => return Ok(Wish::Again),
                    Err(text) => tell!("{text}"),
                },
                Answer::Leave => return Ok(Wish::Leave),
                Answer::Help => {
                    for (words, what) in answer::HELP {
                        tell!("{}", wrapped(&format!("  {words}: "), what, message_width()));
                    }
                }
            }
        }
    }

    /// Asks for a stage that was set aside, and carries it out.
    fn repeat(&mut self, name: &StageName) -> Result<Wish, Failure> {
        let again = self.offer(name);
        Ok(match self.wish(&again)? {
            Wish::Do(with) => {
                if let Err(failure) = self.carry_out(name, &with) {
                    self.say_failure(failure);
                }
                Wish::Again
            }
            other => other,
        })
    }

    fn on_the_named_port(&mut self) -> Result<Wish, Failure> {
        let Some(name) = self.runner.case.options.known_good.clone() else {
            let stage = self.runner.case.next.as_ref().map_or(StageName::KnownGoodPort, |next| next.stage.clone());
            let hint = format!("--known-good PORT names a port of this machine; or skip the stage: --skip {stage}");
            return Err(Failure::Usage(format!("stage {stage} needs another port"), Some(hint)));
        };
        Ok(Wish::Do(self.known_good_port(&name)?))
    }

    /// A port of this machine that can take the plug now.
    fn known_good_port(&mut self, name: &str) -> Result<Equipment, Failure> {
        if name == self.args.port {
            return Err(usage(format!("{name} is the port under test: the known-good port must be another")));
        }
        if Some(name) == self.runner.case.options.return_port.as_deref() {
            return Err(usage(format!("{name} is the return port of this case: the known-good port must be another")));
        }
        self.port.ready(Some(name), self.args.although_in_service)?;
        Ok(Equipment { on_port: Some(name.to_owned()), plug: None })
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
            Failure::NotReady { port, reasons } => tell_not_ready(&port, &reasons),
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
                time_s: 0,
            };
            assert_eq!(goes_unasked(&next, false), unasked, "{hands}");
            assert!(goes_unasked(&next, true), "the stage was named");
        }
    }
}
