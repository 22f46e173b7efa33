//! A report for a person at a terminal, and for a ticket.

use turnback_core::{
    base::{caution::LOCAL_CODES_FIRST, placement::Placement},
    document::run::{Latency, Report},
    judge::{Location, Outcome, Verdict, facts::Basis},
    kind::ethernet::transceiver::{self, Light, Module},
};

use super::{figure, serial, table};

/// The whole report.
pub fn render(report: &Report) -> String {
    let mut out = String::new();
    verdict(report, &mut out);
    let figures = figures(report);
    if !figures.is_empty() {
        out.push('\n');
    }
    for (name, value) in figures {
        out.push_str(&format!("{name:<17}{value}\n"));
    }
    steps(report, &mut out);
    for (_, headings, rows) in line_tables(report) {
        out.push('\n');
        out.push_str(&table::render(&headings, &rows));
    }
    notes(report, &mut out);
    without_controls(&out)
}

/// The tables that only a serial port has.
pub fn line_tables(report: &Report) -> Vec<serial::Titled> {
    report.line.as_ref().map_or_else(Vec::new, |line| serial::tables(report, line))
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

/// The main figures of a run, each under its name; none when nothing was sent.
pub fn figures(report: &Report) -> Vec<(&'static str, String)> {
    if let Some(line) = &report.line {
        return serial::figures(report, line);
    }
    let t = &report.totals;
    let mut rows = Vec::new();
    if t.frames_sent == 0 {
        return rows;
    }
    let mut row = |name, value: String| rows.push((name, value));
    row("frames", format!("{} sent, {} came back", figure::count(t.frames_sent), figure::count(t.frames_returned)));
    if t.frames_lost > 0 {
        row(
            "lost",
            format!(
                "{}: {} on the wire, {} failed the frame check, {} in this computer, {} never left",
                figure::count(t.frames_lost),
                figure::count(t.frames_lost_on_wire),
                figure::count(t.frames_failed_fcs),
                figure::count(t.frames_lost_in_host),
                figure::count(t.frames_never_left)
            ),
        );
    }
    let odd = [
        (t.frames_damaged, "damaged"),
        (t.frames_duplicated, "twice"),
        (t.frames_reordered, "out of order"),
        (t.frames_late, "late"),
        (t.frames_truncated, "cut"),
        (t.frames_lengthened, "lengthened"),
        (t.frames_unrecognised, "unrecognised"),
    ];
    let odd: Vec<_> =
        odd.iter().filter(|(n, _)| *n > 0).map(|(n, what)| format!("{} {what}", figure::count(*n))).collect();
    if !odd.is_empty() {
        row("odd", odd.join(", "));
    }
    row("bits compared", format!("{}, {} wrong", figure::count(t.bits_compared), figure::count(t.bit_errors)));
    if let Some(r) = &report.error_ratio {
        let basis = if r.basis == Basis::Bits { "from bits" } else { "from failed frames" };
        row(
            "bit error ratio",
            format!(
                "{} ({} to {} at {} %, {basis}), limit {}",
                figure::ratio(r.estimate),
                figure::ratio(r.lower),
                figure::ratio(r.upper),
                r.confidence * 100.0,
                figure::ratio(r.limit)
            ),
        );
    }
    row("round trip", latency(&report.latency_ns));
    row("under full flow", latency(&report.latency_loaded_ns));
    if let Some(module) = &report.module {
        row("transceiver", transceiver(module));
    }
    let s = &report.seconds_summary;
    row(
        "seconds",
        format!(
            "{} clean, {} errored ({} severely), {} unavailable",
            s.clean, s.errored, s.severely_errored, s.unavailable
        ),
    );
    rows
}

/// Light as dBm, lane by lane, and warmth.
fn transceiver(module: &Module) -> String {
    let light = |way: &str, of: fn(&Light) -> Option<f64>| {
        let levels: Vec<_> = module
            .lanes
            .iter()
            .filter_map(of)
            .map(|mw| transceiver::dbm(mw).map_or_else(|| "dark".to_owned(), |level| format!("{level:.1} dBm")))
            .collect();
        (!levels.is_empty()).then(|| format!("{way} {}", levels.join(" / ")))
    };
    let warmth = module.temperature_c.map(|celsius| format!("{celsius:.0} °C inside"));
    [light("receives", |l| l.received_mw), light("sends", |l| l.sent_mw), warmth]
        .into_iter()
        .flatten()
        .collect::<Vec<_>>()
        .join(", ")
}

pub(super) fn latency(l: &Latency) -> String {
    match (l.min, l.p50, l.p99, l.max) {
        (Some(min), Some(p50), Some(p99), Some(max)) => format!(
            "{} min, {} half, {} p99, {} max ({} clock, {} trips)",
            figure::time_ns(min),
            figure::time_ns(p50),
            figure::time_ns(p99),
            figure::time_ns(max),
            one_line(&l.clock),
            figure::count(l.count)
        ),
        _ => "not measured".into(),
    }
}

/// The steps in rows under their headings.
pub fn step_rows(report: &Report) -> (Vec<&'static str>, Vec<Vec<String>>) {
    let both = report.return_port.is_some();
    let mut headings = vec!["size", "pattern", "sent", "lost", "damaged", "wrong bits", "frames/s", "rate"];
    if both {
        headings.insert(0, "direction");
    }
    let rows = report
        .steps
        .iter()
        .map(|s| {
            let mut row = vec![
                s.size_bytes.to_string(),
                one_line(&s.pattern),
                figure::count(s.frames_sent),
                figure::count(s.frames_lost),
                figure::count(s.frames_damaged),
                figure::count(s.bit_errors),
                figure::count(s.frames_per_second as u64),
                figure::bit_rate(s.bits_per_second) + if s.repeated_slower { " (repeated slower)" } else { "" },
            ];
            if both {
                row.insert(0, one_line(&s.direction));
            }
            row
        })
        .collect();
    (headings, rows)
}

fn steps(report: &Report, out: &mut String) {
    if report.steps.is_empty() {
        return;
    }
    let (headings, rows) = step_rows(report);
    out.push('\n');
    out.push_str(&table::render(&headings, &rows));
    if !report.zero_loss_rates.is_empty() {
        let rows: Vec<Vec<String>> = report
            .zero_loss_rates
            .iter()
            .map(|z| {
                let show = |r: Option<f64>| r.map_or("-".into(), |r| figure::count(r as u64));
                let by = if z.limited_by_host { "this computer" } else { "" };
                vec![z.size_bytes.to_string(), show(z.frames_per_second), show(z.lossy_frames_per_second), by.into()]
            })
            .collect();
        out.push('\n');
        out.push_str(&table::render(&["size", "zero-loss frames/s", "loss from", "limited by"], &rows));
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
