//! Answers of the person who leads the plug about: from a terminal, a pipe, or a file.

use std::{
    fs::File,
    io::{self, BufRead, BufReader, IsTerminal},
    path::Path,
};

use turnback_core::document::case::StageName;

use crate::tell;

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
    ("Enter or yes", "the plug is in place: start the run"),
    ("plug LABEL", "the same, and the plug has this label"),
    ("skip [STAGE] [WHY]", "leave this stage out, or another one"),
    ("redo STAGE", "ignore earlier attempts at a stage and do it again"),
    ("correct STAGE STAGE", "what was entered as the first stage was in fact the second"),
    ("on PORT", "stage known-good-port only: the plug is in this port of this machine"),
    ("passes, fails", "stage known-good-port only: what the plug showed in a port elsewhere"),
    ("leave", "keep the case and go on later"),
];

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
                Ok(match first.parse() {
                    Ok(stage) => Self::Skip(Some(stage), given(why)),
                    Err(_) => Self::Skip(None, given(rest)),
                })
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
                    format!("Did not understand \"{line}\". Press Enter when the plug is in place, or type \"help\".")
                }
            }),
        }
    }
}

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
    lines: Box<dyn BufRead>,
    prompt: bool,
}

impl Answers {
    pub(in crate::cli) fn from_file(path: &Path) -> io::Result<Self> {
        Ok(Self { lines: Box::new(BufReader::new(File::open(path)?)), prompt: false })
    }

    pub(in crate::cli) fn from_terminal() -> Self {
        let prompt = io::stdin().is_terminal();
        Self { lines: Box::new(BufReader::new(io::stdin())), prompt }
    }

    /// The next answer; none at the end. In a file, lines that begin with `#` are comments.
    pub(in crate::cli) fn next(&mut self) -> io::Result<Option<Result<Answer, String>>> {
        let line = self.line("Press Enter when the plug is in place, or type \"help\" > ")?;
        Ok(line.map(|line| Answer::parse(&line)))
    }

    /// The next line without the blanks around it; none at the end. `prompt` is for a person at a terminal.
    pub(in crate::cli) fn line(&mut self, prompt: &str) -> io::Result<Option<String>> {
        if self.prompt {
            tell::text(prompt);
        }
        loop {
            let mut line = String::new();
            if self.lines.read_line(&mut line)? == 0 {
                return Ok(None);
            }
            if !line.trim_start().starts_with('#') {
                return Ok(Some(line.trim().to_owned()));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use turnback_core::document::case::Spot;

    use super::*;

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
            ("passess", "\"passes\"?"),
            ("what now", "\"help\""),
        ] {
            assert!(Answer::parse(line).unwrap_err().contains(way_out), "{line}");
        }
    }
}
