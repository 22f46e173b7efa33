//! One sitting at a case: asks what is to be done for each stage, and has it carried out.

use std::time::Duration;

use turnback_core::{
    base::caution::Caution,
    document::case::{CaseState, Ended, Move, Stage, StageName},
    event::Event,
};

use super::{
    Failure, UNKEPT,
    answer::{self, Answer, Answers},
    goes_unasked,
    kept::Kept,
    refuse_hands, stage_named, tell_not_ready, usage,
};
use crate::{
    cli::{args, complain},
    engine::cancel::Cancel,
    error_chain::{plain, with_causes},
    show::{
        case as text,
        lines::{message_width, tell, wrapped},
        progress::{ProgressLine, ProgressOptions},
    },
    tell,
    work::isolate::{
        error::CaseError,
        port::CasePort,
        runner::{CaseRunner, Equipment},
    },
};

/// The two stages of a correction: as entered, and as it was.
pub(super) fn corrected(words: &str) -> Result<(StageName, StageName), Failure> {
    let Some((entered, was)) = words.split_once('=') else {
        return Err(usage(format!("--correct {words}: two stages are needed, such as far-end:A=far-end:B")));
    };
    Ok((stage_named(entered)?, stage_named(was)?))
}

/// One sitting at a case.
pub(super) struct Session<'a> {
    pub(super) args: &'a args::Isolate,
    pub(super) age: Option<Duration>,
    pub(super) cancel: Cancel,
    pub(super) answers: Answers,
    pub(super) runner: CaseRunner<'a>,
    pub(super) port: CasePort,
    /// The records are a file, and do not end with the program.
    pub(super) is_file: bool,
    /// The case was taken up from the records.
    pub(super) was_stored: bool,
    pub(super) cautions_said: Vec<Caution>,
    /// What the case pointed to when that was told last.
    pub(super) standing_said: Option<String>,
}

/// What the person, or their words on the command line, want of a stage.
enum Wish {
    Do(Equipment),
    Leave,
    /// Something was changed: look again what comes next.
    Again,
}

impl Session<'_> {
    /// Carries out --correct, --skip and --redo.
    pub(super) fn apply_words(&mut self) -> Result<(), Failure> {
        for words in &self.args.correct {
            let (entered, was) = corrected(words)?;
            let told = format!("Noted: what was entered as {entered} was {was}.");
            self.correct(entered, was).map_err(usage)?;
            tell!("{}", wrapped("", &told, message_width()));
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
        self.runner.correct(&entered, &was)
    }

    /// Leads through the stages, and leaves the case so that it can be taken up again.
    pub(super) fn lead(&mut self) -> Result<(), Failure> {
        let led = self.lead_on();
        self.runner.lay_down();
        led
    }

    fn lead_on(&mut self) -> Result<(), Failure> {
        if let Some(word) = &self.args.stage {
            let name = self.runner.known_as(stage_named(word)?)?;
            if name == StageName::CableTest && !self.port.offers_cable_test()? {
                self.tell_no_cable_test();
                return Ok(());
            }
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
            return if known_good { self.on_the_named_port(&next.stage) } else { Ok(Wish::Do(Equipment::default())) };
        }
        if self.args.yes {
            refuse_hands(Some(next))?;
        }
        if next.still {
            let last = self.runner.case.stages.last();
            let with = |last: &Stage| Equipment { plug: last.plug.clone(), on_port: last.on_port.clone() };
            return Ok(Wish::Do(last.map(with).unwrap_or_default()));
        }
        let prompt = self.prompt(next, known_good);
        loop {
            let answer = match self.answers.next(prompt) {
                Ok(Some(Ok(answer))) => answer,
                Ok(Some(Err(text))) => {
                    tell!("{}", wrapped("", &text, message_width()));
                    continue;
                }
                Ok(None) => {
                    let so = match self.kept() {
                        Kept::AsItStands => "so the case is kept for later",
                        Kept::AsItWas | Kept::Not => "so this ends here",
                    };
                    tell("", format_args!("No answer came, {so}. (With --yes nothing is asked.)"));
                    return Ok(Wish::Leave);
                }
                Err(error) => return Err(usage(format!("cannot read the answers: {}", plain(&error)))),
            };
            match answer {
                Answer::Go if known_good => match self.runner.case.options.known_good.clone() {
                    Some(port) => return Ok(Wish::Do(Equipment { on_port: Some(port), plug: None })),
                    None if next.stage == StageName::KnownGoodPort => tell(
                        "",
                        "Which other port do you use? Type \"on PORT\" for a port of this machine. If you tried it \
                         elsewhere, type \"passes\" or \"fails\".",
                    ),
                    None => tell("", "Which other port do you use? Type \"on PORT\" for a port of this machine."),
                },
                Answer::Go => return Ok(Wish::Do(Equipment::default())),
                Answer::Plug(label) => {
                    let case = &self.runner.case;
                    match (case.wrong_plug(&next.stage, &label), known_good, case.options.known_good.clone()) {
                        (Some(why), ..) => tell("", &why),
                        (None, false, _) => return Ok(Wish::Do(Equipment { plug: Some(label), on_port: None })),
                        (None, true, on_port @ Some(_)) => {
                            return Ok(Wish::Do(Equipment { plug: Some(label), on_port }));
                        }
                        // Without its name the run would be made on the port under test, or without a return port.
                        (None, true, None) => tell("", "Which other port do you use? Type \"on PORT\" first."),
                    }
                }
                Answer::On(port) if known_good => match self.known_good_port(&port) {
                    Ok(with) => {
                        // The next time Enter is enough.
                        self.runner.case.options.known_good = Some(port);
                        return Ok(Wish::Do(with));
                    }
                    // A mistyped name, or a port in use: asked again.
                    Err(failure) => self.say_failure(failure),
                },
                Answer::Shows(passes) if next.stage == StageName::KnownGoodPort && known_good => {
                    self.runner.answer(&next.stage, passes);
                    self.tell_last();
                    self.tell_standing();
                    return Ok(Wish::Again);
                }
                Answer::Shows(_) if known_good => tell("", "This stage can be done at this machine only."),
                Answer::On(_) | Answer::Shows(_)
                    if next.stage == StageName::KnownGoodPort && self.runner.case.capabilities.moves_plug =>
                {
                    tell("", "This simulated rig has a good port of its own and moves its plug itself: press Enter.")
                }
                Answer::On(_) | Answer::Shows(_) => {
                    tell("", "That answers a stage that uses another port, and this one does not.")
                }
                Answer::Skip(named, why) => match self.runner.known_as(named.unwrap_or(next.stage.clone())) {
                    Ok(name) => {
                        let told = why.as_ref().map_or(String::new(), |why| format!(" ({why})"));
                        tell!("{}", wrapped("", &format!("Stage {name} is skipped{told}."), message_width()));
                        self.runner.skip(&name, why);
                        return Ok(Wish::Again);
                    }
                    Err(error) => tell("", &error),
                },
                Answer::Redo(name) => match self.runner.known_as(name) {
                    Ok(name) if self.runner.was_done(&name) => {
                        let told = match self.runner.was_skipped(&name) {
                            true => format!("Stage {name} is no longer skipped."),
                            false => format!("Stage {name} is set aside. What it showed counts for nothing."),
                        };
                        tell!("{}", wrapped("", &told, message_width()));
                        self.runner.set_aside(&name);
                        return self.repeat(&name);
                    }
                    Ok(name) => tell("", format_args!("Stage {name} has not been done yet.")),
                    Err(error) => tell("", &error),
                },
                Answer::Correct(entered, was) => {
                    let told = format!("Noted: what was entered as {entered} was {was}.");
                    match self.correct(entered, was) {
                        Ok(()) => {
                            tell!("{}", wrapped("", &told, message_width()));
                            return Ok(Wish::Again);
                        }
                        Err(text) => tell("", &text),
                    }
                }
                Answer::Leave => return Ok(Wish::Leave),
                Answer::Help => {
                    for (words, what) in answer::HELP {
                        tell!("{}", wrapped(&format!("  {words}: "), what, message_width()));
                    }
                }
            }
        }
    }

    /// What can be answered at this stage, in the few words of a prompt.
    fn prompt(&self, next: &Move, known_good: bool) -> &'static str {
        match &self.runner.case.options.known_good {
            None if known_good && next.stage == StageName::KnownGoodPort => {
                "Type \"on PORT\" when it is in that port of this machine, or \"passes\" or \"fails\" if you tried it \
                 elsewhere, or \"help\" >"
            }
            None if known_good => "Type \"on PORT\" when it is done: that port of this machine; or \"help\" >",
            Some(_) | None => answer::WHEN_DONE,
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

    fn on_the_named_port(&mut self, stage: &StageName) -> Result<Wish, Failure> {
        let Some(name) = self.runner.case.options.known_good.clone() else {
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
        let mut progress = ProgressLine::new(ProgressOptions {
            quiet: self.args.json,
            // The move said it.
            length_told: true,
            ..ProgressOptions::default()
        });
        let done = self.port.carry_out(&mut self.runner, name, with, &mut |event: Event| progress.show(&event));
        progress.end();
        self.warn_if_unkept();
        match done {
            Ok(()) if *name == StageName::CableTest && !self.runner.case.offers_cable_test => {
                self.tell_no_cable_test();
                Ok(())
            }
            Ok(()) => {
                self.tell_last();
                self.tell_standing();
                Ok(())
            }
            Err(CaseError::Ended) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    fn tell_no_cable_test(&self) {
        tell(
            "note: ",
            format_args!(
                "the adapter of {} offers no cable test: the stage is left out. Some drivers offer it only while the \
                 interface is up.",
                self.args.port
            ),
        );
    }

    fn tell_last(&self) {
        let case = &self.runner.case;
        let done = case.stages.iter().rev().find(|s| s.ended == Ended::Done);
        if let Some(line) = done.and_then(|stage| text::stage_line(case, stage, message_width())) {
            tell!("{line}");
        }
    }

    /// What the case points to, once a stage has changed that: whoever holds a plug in the hand wants to know that it
    /// is the plug.
    fn tell_standing(&mut self) {
        let case = &self.runner.case;
        let standing = text::suspicion(&case.verdict);
        if case.state == CaseState::Open
            && standing != self.standing_said
            && let Some(words) = &standing
        {
            tell!("{}", wrapped("so far: ", words, message_width()));
        }
        self.standing_said = standing;
    }

    fn say_failure(&self, failure: Failure) {
        match failure {
            Failure::Usage(message, _) => tell("error: ", &message),
            Failure::Port(error) => complain(&error, error.hint()),
            Failure::Archive(error) => complain(&error, error.hint()),
            Failure::NotReady { port, reasons } => tell_not_ready(&port, &reasons),
        }
    }

    /// Whether the records hold the case.
    pub(super) fn kept(&self) -> Kept {
        match (self.is_file, self.runner.is_put()) {
            (true, true) => Kept::AsItStands,
            (true, false) if self.was_stored || self.runner.was_put() => Kept::AsItWas,
            _ => Kept::Not,
        }
    }

    pub(super) fn warn_if_unkept(&mut self) {
        if let Some(error) = self.runner.unkept() {
            let what = if self.kept() == Kept::AsItWas { "the case cannot be written any more" } else { UNKEPT };
            tell("warning: ", format_args!("{what}: {}", with_causes(&error)));
        }
    }
}
