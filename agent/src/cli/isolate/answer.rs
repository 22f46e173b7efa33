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
pub(super) enum Answer {
    /// The plug is where the stage wants it.
    Go,
    /// So is it, and it is the plug with this label.
    Plug(String),
    /// The known-good port is this one of this machine.
    On(String),
    /// What the plug showed on a known-good port elsewhere.
    Shows(bool),
    /// Leave the stage out.
    Skip(Option<String>),
    /// Set a stage aside and do it again.
    Redo(StageName),
    /// Leave the case for later.
    Leave,
    /// Say what can be answered.
    Help,
}

pub(super) const HELP: &str = "\
  (nothing)      the plug is there: go\n  \
  plug LABEL     the same, with the plug of this label\n  \
  skip [WHY]     leave this stage out\n  \
  redo STAGE     set an earlier stage aside and do it again\n  \
  on PORT        for known-good-port: the plug is in this port of this machine\n  \
  passes, fails  for known-good-port: what the plug showed in a port elsewhere\n  \
  leave          keep the case and go on later";

impl Answer {
    /// Reads a line; an error says what can be answered.
    pub(super) fn parse(line: &str) -> Result<Self, String> {
        let line = line.trim();
        let (word, rest) = line.split_once(char::is_whitespace).map_or((line, ""), |(word, rest)| (word, rest.trim()));
        let given = |rest: &str| (!rest.is_empty()).then(|| rest.to_owned());
        let needs = |what: &str| format!("`{word}` needs {what}");
        match word {
            "" | "go" => Ok(Self::Go),
            "skip" => Ok(Self::Skip(given(rest))),
            "plug" => given(rest).map(Self::Plug).ok_or_else(|| needs("the plug's label")),
            "on" => given(rest).map(Self::On).ok_or_else(|| needs("the name of a port")),
            "passes" => Ok(Self::Shows(true)),
            "fails" => Ok(Self::Shows(false)),
            "redo" => rest.parse().map(Self::Redo).map_err(|error| format!("{error}")),
            "leave" => Ok(Self::Leave),
            "help" => Ok(Self::Help),
            _ => Err(format!("`{line}` is no answer; `help` lists them")),
        }
    }
}

/// Where answers come from.
pub(super) struct Answers {
    lines: Box<dyn BufRead>,
    prompt: bool,
}

impl Answers {
    pub(super) fn from_file(path: &Path) -> io::Result<Self> {
        Ok(Self { lines: Box::new(BufReader::new(File::open(path)?)), prompt: false })
    }

    pub(super) fn from_terminal() -> Self {
        let prompt = io::stdin().is_terminal();
        Self { lines: Box::new(BufReader::new(io::stdin())), prompt }
    }

    /// The next answer; none at the end. In a file, lines that begin with `#` are comments.
    pub(super) fn next(&mut self) -> io::Result<Option<Result<Answer, String>>> {
        if self.prompt {
            tell::text("Enter when done (help lists other answers) > ");
        }
        loop {
            let mut line = String::new();
            if self.lines.read_line(&mut line)? == 0 {
                return Ok(None);
            }
            if !line.trim_start().starts_with('#') {
                return Ok(Some(Answer::parse(&line)));
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
            ("skip", Answer::Skip(None)),
            ("skip no time today", Answer::Skip(Some("no time today".into()))),
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
        for (line, way_out) in [("plug", "label"), ("on", "port"), ("redo x", "far-end:SEGMENT"), ("yes", "help")] {
            assert!(Answer::parse(line).unwrap_err().contains(way_out), "{line}");
        }
    }
}
