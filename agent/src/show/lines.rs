//! Lines of text as wide as the terminal that shows them.

use std::{fmt::Display, os::fd::AsFd};

use turnback_core::{base::figure, judge::RuleId};
use unicode_width::UnicodeWidthStr;

/// Columns of the terminal behind `stream`, from 40 to 120 (`WIDTH_MIN`, `WIDTH_MAX`); [`WIDTH_UNKNOWN`] if it is none.
pub fn width(stream: impl AsFd) -> usize {
    let terminal = terminal_size::terminal_size_of(stream);
    terminal.map_or(WIDTH_UNKNOWN, |(width, _)| usize::from(width.0).clamp(WIDTH_MIN, WIDTH_MAX))
}

/// Columns of the standard output.
pub fn output_width() -> usize {
    width(std::io::stdout())
}

/// Columns of the standard error.
pub fn message_width() -> usize {
    width(std::io::stderr())
}

/// Width where there is no terminal: fits a file and a ticket alike.
pub const WIDTH_UNKNOWN: usize = 100;

/// Below this nothing is readable; a narrower terminal breaks the lines itself.
const WIDTH_MIN: usize = 40;

/// Longer lines are hard to read.
const WIDTH_MAX: usize = 120;

/// Tells a person one thing on standard error, in lines as wide as its terminal. Line breaks of the text stay.
pub fn tell(label: &str, text: impl Display) {
    for (number, line) in text.to_string().lines().enumerate() {
        tell!("{}", wrapped(if number == 0 { label } else { "  " }, line, message_width()));
    }
}

/// Columns that a text takes.
pub fn columns(text: &str) -> usize {
    text.width()
}

/// `label` and `text` in lines of at most `width` columns, later lines indented by two. A word that is longer by itself
/// stays whole.
pub fn wrapped(label: &str, text: &str, width: usize) -> String {
    let mut lines = vec![one_line(label)];
    for word in &words(text) {
        let is_full = |line: &String| !line.trim().is_empty() && columns(line) + columns(word) > width;
        match lines.last_mut() {
            Some(last) if !is_full(last) => {
                last.push_str(word);
                last.push(' ');
            }
            _ => lines.push(format!("  {word} ")),
        }
    }
    lines.iter().map(|line| line.trim_end()).collect::<Vec<_>>().join("\n")
}

/// So many of the first words of a line as fit into `width` columns; of a word that is longer by itself, its beginning.
pub fn cut(line: &str, width: usize) -> String {
    if columns(line) <= width {
        return line.to_owned();
    }
    let mut start = String::new();
    for c in line.chars() {
        if columns(&start) + columns(c.encode_utf8(&mut [0; 4])) > width {
            break;
        }
        start.push(c);
    }
    match start.rsplit_once(' ') {
        Some((words, _)) => words.trim_end_matches([',', ':']).to_owned(),
        None => start,
    }
}

/// The words of a text. A number in groups of three, such as `1 234 567`, is one word, and so is a number with its
/// unit.
pub fn words(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    let (mut number, mut group) = (false, false);
    for word in text.split_whitespace() {
        let digits = word.bytes().take_while(u8::is_ascii_digit).count();
        let unit = word.trim_end_matches(|c: char| c.is_ascii_punctuation());
        match words.last_mut() {
            Some(last) if group && digits == 3 || number && UNITS.contains(&unit) => {
                last.push(' ');
                last.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
        number = word.ends_with(|c: char| c.is_ascii_digit());
        // A bracket may stand before its first group; what follows its last one ends it.
        group = number && word.trim_start_matches('(').len() <= 3;
    }
    words
}

/// A text as a sentence of its own.
pub fn sentence(text: impl AsRef<str>) -> String {
    let text = figure::upper(text.as_ref().trim());
    if text.is_empty() || text.ends_with(['.', '?', '!']) { text } else { format!("{text}.") }
}

/// A reason without the name of the rule that leads it: on a list the words are enough.
pub fn plainly(why: &str) -> &str {
    match why.split_once(": ") {
        Some((front, words)) if RuleId::ALL.iter().any(|rule| rule.to_string() == front) => words,
        _ => why,
    }
}

/// A text for a page, where no line breaks within a number or a date. A unit may stand on the next line: cells are
/// narrow.
pub fn unbroken(text: impl AsRef<str>) -> String {
    let whole = |word: String| match word.rsplit_once(' ') {
        Some((number, unit)) if !unit.starts_with(|c: char| c.is_ascii_digit()) => {
            format!("{} {unit}", number.replace(' ', "\u{a0}"))
        }
        // A word joiner (Unicode U+2060) allows no break.
        _ if is_date(&word) => word.replace('-', "-\u{2060}"),
        _ => word.replace(' ', "\u{a0}"),
    };
    words(text.as_ref()).into_iter().map(whole).collect::<Vec<_>>().join(" ")
}

/// An RFC 3339 time without its fraction of a second, which is for programs.
pub fn whole_seconds(time: &str) -> String {
    match time.split_once('.') {
        Some((seconds, rest)) => format!("{seconds}{}", rest.trim_start_matches(|c: char| c.is_ascii_digit())),
        None => time.to_owned(),
    }
}

/// Whether a word begins as a date does (RFC 3339, 5.6).
fn is_date(word: &str) -> bool {
    let form = "0000-00-00";
    let fits = |(c, form): (char, char)| if form == '0' { c.is_ascii_digit() } else { c == form };
    word.len() >= form.len() && word.chars().zip(form.chars()).all(fits)
}

/// Units that stay on the line of their number.
const UNITS: &[&str] = &["%", "B", "Gb/s", "Mb/s", "kb/s", "b/s", "V", "dBm", "h", "m", "min", "ms", "ns", "s", "us"];

/// A label may hold a line break, which must not look like a line of ours.
pub fn one_line(text: &str) -> String {
    without_controls(&text.replace('\n', " "))
}

/// Labels and names may come from a file of unknown origin: what would steer the terminal, or turn the
/// direction of writing, is replaced.
pub fn without_controls(text: &str) -> String {
    let steers =
        |c: char| c.is_control() && c != '\n' || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    text.chars().map(|c| if steers(c) { '\u{fffd}' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_cut_between_words() {
        let step = "with the plug at the port: first probes: 16 of 16 came back";
        assert_eq!(cut(step, 58), "with the plug at the port: first probes: 16 of 16 came");
        assert_eq!(cut(step, 59), step);
        assert_eq!(cut(step, 28), "with the plug at the port");
        assert_eq!(cut("unbreakable", 5), "unbre");
    }

    #[test]
    fn a_number_is_never_broken_between_its_groups() {
        assert_eq!(
            words("of 3 441 695 808 bits (0 of 984 406 640 failed) 12 345; 100 in all at 100 Mb/s, for 4 s"),
            [
                "of",
                "3 441 695 808",
                "bits",
                "(0",
                "of",
                "984 406 640",
                "failed)",
                "12 345;",
                "100",
                "in",
                "all",
                "at",
                "100 Mb/s,",
                "for",
                "4 s"
            ]
        );
        assert_eq!(unbroken("1 234 sent, 1 234 Mb/s"), "1\u{a0}234 sent, 1\u{a0}234 Mb/s");
        assert_eq!(unbroken("ended 2026-11-30T05:54 by far-end"), "ended 2026-\u{2060}11-\u{2060}30T05:54 by far-end");
        let text = wrapped("bit-errors: ", &format!("{} 1 234 567 bits", "x".repeat(80)), 100);
        assert!(text.ends_with("x\n  1 234 567 bits"), "{text}");
    }

    #[test]
    fn lines_keep_to_the_width_and_a_long_word_stays_whole() {
        let text =
            "the port is good as far as a plug can show; ".repeat(5) + "/a/path/longer/than/forty/columns/in/all";
        for width in [40, 60, 80, 120] {
            let wrapped = wrapped("next: ", &text, width);
            assert!(wrapped.lines().all(|line| columns(line) <= width.max(42)), "{width}: {wrapped}");
            assert_eq!(
                wrapped.split_whitespace().collect::<Vec<_>>()[1..],
                text.split_whitespace().collect::<Vec<_>>()
            );
        }
    }
}
