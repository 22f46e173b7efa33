//! A report for a person at a terminal, and for a ticket.

use turnback_core::{
    base::{caution::LOCAL_CODES_FIRST, figure::Group, placement::Placement},
    document::run::{Report, figures},
    judge::{Location, Outcome, Verdict},
};

use super::{table, tables};

/// The whole report.
pub fn render(report: &Report) -> String {
    let mut out = String::new();
    verdict(report, &mut out);
    let figures = figures::lines(report, Group::Run);
    if !figures.is_empty() {
        out.push('\n');
    }
    for (label, words) in figures {
        out.push_str(&format!("{label:<17}{}\n", one_line(&words)));
    }
    for listing in tables::of(report) {
        let rows: Vec<Vec<String>> =
            listing.rows.iter().map(|row| row.iter().map(|cell| one_line(cell)).collect()).collect();
        out.push('\n');
        out.push_str(&table::render(&listing.headings, &rows));
    }
    notes(report, &mut out);
    without_controls(&out)
}

/// Labels and names may come from a file of unknown origin: what would steer the terminal, or turn the
/// direction of writing, is replaced.
pub fn without_controls(text: &str) -> String {
    let steers =
        |c: char| c.is_control() && c != '\n' || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    text.chars().map(|c| if steers(c) { '\u{fffd}' } else { c }).collect()
}

fn verdict(report: &Report, out: &mut String) {
    let v = &report.verdict;
    out.push_str(&format!("{}\n{}\n", headline(v), subject(report)));
    for (word, label) in report.labels.given() {
        out.push_str(&format!("{}\n", wrapped(&format!("{word}: "), label)));
    }
    out.push('\n');
    for reason in &v.reasons {
        out.push_str(&format!("{}\n", wrapped(&format!("{}: ", reason.rule), &reason.text)));
    }
    out.push_str(&format!("{}\n", wrapped("how sure: ", &v.sureness)));
    out.push_str(&format!("{}\n", wrapped("next: ", &v.next)));
}

/// The answer in a few words.
pub fn headline(verdict: &Verdict) -> String {
    match verdict.outcome {
        Outcome::Pass => "PASS".to_owned(),
        Outcome::Fault => {
            let places: Vec<_> = verdict.location.iter().map(|l| place(*l)).collect();
            let segment = verdict.segment.as_ref().map_or(String::new(), |s| one_line(&format!(", segment {s}")));
            format!("FAULT in {}{segment}", places.join(" or "))
        }
        Outcome::Undecided => "UNDECIDED".to_owned(),
        Outcome::NotTested => "NOT TESTED".to_owned(),
    }
}

/// What was tested, in a line.
pub fn subject(report: &Report) -> String {
    let cable = report.cable.as_ref().map_or(String::new(), |c| format!(", cable {c}"));
    let loops = match (&report.return_port, report.placement) {
        (Some(other), _) => format!("to return port {}", other.name),
        (None, Placement::Internal) => "loop inside the chip".to_owned(),
        (None, placement) => format!("plug {placement}"),
    };
    one_line(&format!("{}, {loops}{cable}", report.port.name))
}

/// A label may hold a line break, which must not look like a line of ours.
pub fn one_line(text: &str) -> String {
    without_controls(&text.replace('\n', " "))
}

fn place(location: Location) -> &'static str {
    match location {
        Location::Port => "the port",
        Location::ReturnPort => "the return port",
        Location::Plug => "the plug",
        Location::Cable => "the cable",
        Location::Host => "this computer (host side of the adapter)",
    }
}

fn notes(report: &Report, out: &mut String) {
    out.push('\n');
    for warning in &report.warnings {
        out.push_str(&format!("{}\n", wrapped("note: ", warning)));
    }
    for setting in &report.settings_changed {
        out.push_str(&format!("{}\n", wrapped("put back: ", setting)));
    }
    for gap in &report.cannot_show {
        out.push_str(&format!("{}\n", wrapped("not shown by a plug: ", gap)));
    }
    for caution in &report.cautions {
        out.push_str(&format!("{}\n", wrapped("caution: ", &caution.to_string())));
    }
    if !report.cautions.is_empty() {
        out.push_str(&format!("{LOCAL_CODES_FIRST}\n"));
    }
    let origin = format!("{}, run {}, seed {}, {}", report.program, report.run, report.seed, report.started_at);
    out.push_str(&format!("{}\n", one_line(&origin)));
}

/// `label` and `text` in lines of at most 100 columns, later lines set in by two.
pub fn wrapped(label: &str, text: &str) -> String {
    let mut lines = vec![one_line(label)];
    for word in &words(text) {
        let line = lines.last().map_or(0, |l| l.chars().count());
        if line + word.chars().count() > 100 {
            lines.push(format!("  {word} "));
        } else if let Some(last) = lines.last_mut() {
            last.push_str(word);
            last.push(' ');
        }
    }
    lines.iter().map(|l| l.trim_end()).collect::<Vec<_>>().join("\n")
}

/// The words of a text; a number in groups of three, such as `1 234 567`, is one.
fn words(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    let mut number = false;
    for word in text.split_whitespace() {
        let digits = word.bytes().take_while(u8::is_ascii_digit).count();
        match words.last_mut() {
            Some(last) if number && digits == 3 => {
                last.push(' ');
                last.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
        // A bracket may stand before its first group; what follows its last one ends it.
        number = word.trim_start_matches('(').len() <= 3 && word.ends_with(|c: char| c.is_ascii_digit());
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_never_broken_between_its_groups() {
        assert_eq!(
            words("of 3 441 695 808 bits (0 of 984 406 640 failed) 12 345; 100 in all"),
            ["of", "3 441 695 808", "bits", "(0", "of", "984 406 640", "failed)", "12 345;", "100", "in", "all"]
        );
        let text = wrapped("bit-errors: ", &format!("{} 1 234 567 bits", "x".repeat(80)));
        assert!(text.ends_with("x\n  1 234 567 bits"), "{text}");
    }
}
