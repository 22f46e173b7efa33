//! Answers of the person who leads the plug about: from a terminal, a pipe, or a file.

use std::{
    fs::File,
    io::{self, BufRead, BufReader, IsTerminal},
    path::Path,
    sync::mpsc::{self, Receiver, RecvTimeoutError},
    thread,
    time::Duration,
};

use turnback_core::document::case::StageName;

use crate::{
    engine::cancel::Cancel,
    show::lines::{message_width, tell, wrapped},
    tell,
};

/// One answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::cli) enum Answer {
    /// The plug is where the stage wants it.
    Go,
    /// So is it, and it is the plug with this label.
    Plug(String),
    /// The known-good port is this one of this machine.
    On(String),
    /// What the plug showed on a known-good port elsewhere.
    Shows(bool),
    /// Leave a stage out: the one asked for, unless another is named; with the reason.
    Skip(Option<StageName>, Option<String>),
    /// Set a stage aside and do it again.
    Redo(StageName),
    /// What was entered as the first stage was in truth the second.
    Correct(StageName, StageName),
    /// Leave the case for later.
    Leave,
    /// Say what can be answered.
    Help,
}

/// What can be answered, with what it does.
pub(in crate::cli) const HELP: [(&str, &str); 8] = [
    ("Enter or yes", "it is done: start the run"),
    ("plug LABEL", "the same, and the plug has this label"),
    ("skip [STAGE] [WHY]", "leave this stage out, or another one"),
    ("redo STAGE", "ignore earlier attempts at a stage and do it again"),
    ("correct STAGE STAGE", "what was entered as the first stage was in fact the second"),
    ("on PORT", "a stage that needs another port: it is this one of this machine"),
    ("passes, fails", "stage known-good-port only: what the plug showed in a port elsewhere"),
    ("leave", "keep the case and go on later"),
];

/// The prompt where something is to be done by hand.
pub(in crate::cli) const WHEN_DONE: &str = "Press Enter when it is done, or type \"help\" >";

/// Words that begin an answer.
const WORDS: [&str; 11] = ["go", "yes", "plug", "skip", "redo", "correct", "on", "passes", "fails", "leave", "help"];

impl Answer {
    /// Reads a line; an error says what can be answered.
    pub(in crate::cli) fn parse(line: &str) -> Result<Self, String> {
        let line = line.trim();
        let (word, rest) = split(line);
        let given = |rest: &str| (!rest.is_empty()).then(|| rest.to_owned());
        let needs = |what: &str| format!("\"{word}\" needs {what}.");
        let stage = |text: &str| text.parse::<StageName>().map_err(|error| error.to_string());
        match word.to_ascii_lowercase().as_str() {
            "" | "go" | "y" | "yes" | "ok" | "done" => Ok(Self::Go),
            "skip" => {
                let (first, why) = split(rest);
                match first.parse() {
                    Ok(stage) => Ok(Self::Skip(Some(stage), given(why))),
                    // A mistyped stage must not be taken for the reason, and another stage left out for it.
                    Err(error) if seems_a_stage(first) => Err(format!("{error}")),
                    Err(_) if why.is_empty() && !first.is_empty() => Err(format!(
                        "No stage is called \"{first}\". To give a reason in one word, name the stage before it."
                    )),
                    Err(_) => Ok(Self::Skip(None, given(rest))),
                }
            }
            "plug" => given(rest).map(Self::Plug).ok_or_else(|| needs("the label of the plug")),
            "on" => given(rest).map(Self::On).ok_or_else(|| needs("the name of a port")),
            "passes" => Ok(Self::Shows(true)),
            "fails" => Ok(Self::Shows(false)),
            "redo" if rest.is_empty() => Err(needs("the name of a stage, such as \"redo at-port\"")),
            "redo" => stage(rest).map(Self::Redo),
            "correct" => match split(rest) {
                (_, "") => Err(needs("two stages: as entered, and as it was")),
                (entered, was) => Ok(Self::Correct(stage(entered)?, stage(was)?)),
            },
            "leave" | "quit" | "exit" => Ok(Self::Leave),
            "help" | "?" => Ok(Self::Help),
            unknown => Err(match WORDS.iter().find(|known| is_near(unknown, known)) {
                Some(known) => format!("Did not understand \"{line}\". Did you mean \"{known}\"?"),
                None => {
                    format!("Did not understand \"{line}\". Press Enter when it is done, or type \"help\".")
                }
            }),
        }
    }
}

/// Whether a word that names no stage was meant to.
fn seems_a_stage(word: &str) -> bool {
    let (kind, _) = word.split_once(':').unwrap_or((word, ""));
    word.contains(':') || STAGES.iter().any(|stage| strsim::damerau_levenshtein(kind, stage) <= 2)
}

/// The words that name stages.
const STAGES: [&str; 8] =
    ["internal", "at-port", "far-end", "soak", "two-pairs", "other-plug", "known-good-port", "cable-test"];

/// The first word, and the rest.
fn split(line: &str) -> (&str, &str) {
    line.split_once(char::is_whitespace).map_or((line, ""), |(word, rest)| (word, rest.trim()))
}

/// A word with one letter wrong, missing or too many, or with two exchanged.
fn is_near(given: &str, known: &str) -> bool {
    known.len() > 2 && strsim::damerau_levenshtein(given, known) == 1
}

/// Where answers come from.
pub(in crate::cli) struct Answers {
    lines: Lines,
    prompt: bool,
}

enum Lines {
    /// A file, read when an answer is wanted.
    File(Box<dyn BufRead>),
    /// Whoever types. They are read on a thread of their own, so that Ctrl-C is noticed while nobody types.
    Typed(Receiver<io::Result<String>>, Cancel),
}

impl Answers {
    pub(in crate::cli) fn from_file(path: &Path) -> io::Result<Self> {
        Ok(Self { lines: Lines::File(Box::new(BufReader::new(File::open(path)?))), prompt: false })
    }

    /// From standard input, until `cancel` says that the person wants to end.
    pub(in crate::cli) fn from_terminal(cancel: Cancel) -> Self {
        let prompt = io::stdin().is_terminal();
        let (typed, lines) = mpsc::channel();
        thread::spawn(move || {
            for line in io::stdin().lock().lines() {
                if typed.send(line).is_err() {
                    return;
                }
            }
        });
        Self { lines: Lines::Typed(lines, cancel), prompt }
    }

    /// The next answer; none at the end. `prompt` is for a person at a terminal.
    pub(in crate::cli) fn next(&mut self, prompt: &str) -> io::Result<Option<Result<Answer, String>>> {
        let line = self.line(prompt)?;
        Ok(line.map(|line| Answer::parse(&line)))
    }

    /// Throws away what was typed before the question was there to be read: it cannot be meant for it, and an Enter too
    /// many would say that a plug was moved.
    fn forget_early(&mut self) {
        let Lines::Typed(typed, _) = &self.lines else { return };
        let early: Vec<String> = std::iter::from_fn(|| typed.try_recv().ok()?.ok()).collect();
        if !early.is_empty() {
            let words: Vec<String> = early.iter().map(|line| format!("\"{}\"", line.trim())).collect();
            let words = if early.iter().all(|line| line.trim().is_empty()) { "Enter".into() } else { words.join(", ") };
            tell("note: ", format_args!("What was typed before this question ({words}) does not answer it."));
        }
    }

    /// The next line without the blanks around it; none at the end. `prompt` is for a person at a terminal, who says
    /// `leave` by Ctrl-C too. Lines that begin with `#` are comments.
    pub(in crate::cli) fn line(&mut self, prompt: &str) -> io::Result<Option<String>> {
        if self.prompt {
            self.forget_early();
            tell::text(&format!("{} ", wrapped("", prompt, message_width())));
        }
        loop {
            let line = match &mut self.lines {
                Lines::File(lines) => lines.lines().next().transpose()?,
                Lines::Typed(typed, cancel) => match next_typed(typed, cancel) {
                    Some(line) => line.transpose()?,
                    None => {
                        // The prompt's line ends here.
                        tell::text("\n");
                        Some("leave".to_owned())
                    }
                },
            };
            match line {
                None => {
                    // Ctrl-D leaves the cursor behind the prompt.
                    if self.prompt {
                        tell::text("\n");
                    }
                    return Ok(None);
                }
                Some(line) if line.trim_start().starts_with('#') => {}
                Some(line) => return Ok(Some(line.trim().to_owned())),
            }
        }
    }
}

/// The next line, or the end of them; none at all once the person wants to end.
fn next_typed(typed: &Receiver<io::Result<String>>, cancel: &Cancel) -> Option<Option<io::Result<String>>> {
    loop {
        if cancel.is_cancelled() {
            return None;
        }
        match typed.recv_timeout(LOOK_EVERY) {
            Ok(line) => return Some(Some(line)),
            Err(RecvTimeoutError::Disconnected) => return Some(None),
            Err(RecvTimeoutError::Timeout) => {}
        }
    }
}

/// How soon Ctrl-C is noticed at a prompt.
const LOOK_EVERY: Duration = Duration::from_millis(50);

#[cfg(test)]
mod tests {
    use turnback_core::document::case::Spot;

    use super::*;

    /// An Enter pressed while a run was on says nothing of the plug that the next question asks for.
    #[test]
    fn what_was_typed_before_a_question_does_not_answer_it() {
        let (typed, lines) = mpsc::channel();
        let mut answers = Answers { lines: Lines::Typed(lines, Cancel::default()), prompt: true };
        typed.send(Ok(String::new())).unwrap();
        typed.send(Ok("passes".into())).unwrap();
        answers.forget_early();
        // The question is there now.
        answers.prompt = false;
        typed.send(Ok("leave".into())).unwrap();
        assert_eq!(answers.next("").unwrap(), Some(Ok(Answer::Leave)));
    }

    #[test]
    fn answers_are_read_and_refused_with_the_way_out() {
        let table = [
            ("", Answer::Go),
            ("  go ", Answer::Go),
            ("yes", Answer::Go),
            ("OK", Answer::Go),
            ("done", Answer::Go),
            ("y", Answer::Go),
            ("?", Answer::Help),
            ("skip", Answer::Skip(None, None)),
            ("skip no time today", Answer::Skip(None, Some("no time today".into()))),
            ("skip soak it rains", Answer::Skip(Some(StageName::Soak(Spot::FarEnd(None))), Some("it rains".into()))),
            (
                "correct far-end:A far-end:B",
                Answer::Correct(
                    StageName::At(Spot::FarEnd(Some("A".into()))),
                    StageName::At(Spot::FarEnd(Some("B".into()))),
                ),
            ),
            ("plug P-2", Answer::Plug("P-2".into())),
            ("on quay8", Answer::On("quay8".into())),
            ("passes", Answer::Shows(true)),
            ("fails", Answer::Shows(false)),
            ("redo far-end:A-14", Answer::Redo(StageName::At(Spot::FarEnd(Some("A-14".into()))))),
            ("leave", Answer::Leave),
            ("help", Answer::Help),
        ];
        for (line, answer) in table {
            assert_eq!(Answer::parse(line), Ok(answer), "{line}");
        }
        for (line, way_out) in [
            ("plug", "label"),
            ("on", "port"),
            ("redo", "redo at-port"),
            ("redo x", "far-end:SEGMENT"),
            ("correct at-port", "two stages"),
            ("skpi", "\"skip\"?"),
            ("lave", "\"leave\"?"),
            ("skip far-edn:quay-duct typing mistake", "`far-edn:quay-duct`"),
            ("skip soka", "`soka`"),
            ("skip nowhere", "\"nowhere\""),
            ("skip attic:x", "far-end:SEGMENT"),
            ("passess", "\"passes\"?"),
            ("what now", "\"help\""),
        ] {
            assert!(Answer::parse(line).unwrap_err().contains(way_out), "{line}");
        }
    }
}
