//! A report for a person at a terminal, and for a ticket.

use turnback_core::{
    caution::LOCAL_CODES_FIRST,
    evidence::Basis,
    report::{Latency, Report},
    verdict::{Location, Outcome, Verdict},
};

use super::{figure, table};

/// The whole report.
pub fn render(report: &Report) -> String {
    let mut out = String::new();
    verdict(report, &mut out);
    figures(report, &mut out);
    steps(report, &mut out);
    notes(report, &mut out);
    out
}

fn verdict(report: &Report, out: &mut String) {
    let v = &report.verdict;
    let cable = report.cable.as_ref().map_or(String::new(), |c| format!(", cable {c}"));
    let against = report.return_port.as_ref().map_or(String::new(), |p| format!(" with {}", p.name));
    out.push_str(&format!("{}\n{}{against}, plug {}{cable}\n", headline(v), report.port.name, report.placement));
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

/// The first line: the answer.
pub fn headline(verdict: &Verdict) -> String {
    let places = || verdict.location.iter().map(|l| place(*l)).collect::<Vec<_>>().join(" or ");
    match verdict.outcome {
        Outcome::Pass => "PASS".to_owned(),
        Outcome::Fault => format!("FAULT in {}", places()),
        Outcome::Undecided => "UNDECIDED".to_owned(),
        Outcome::NotTested => "NOT TESTED".to_owned(),
    }
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

fn figures(report: &Report, out: &mut String) {
    let t = &report.totals;
    if t.frames_sent == 0 {
        return;
    }
    out.push('\n');
    let mut row = |name: &str, value: String| out.push_str(&format!("{name:<17}{value}\n"));
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
    let s = &report.seconds_summary;
    row(
        "seconds",
        format!(
            "{} clean, {} errored ({} severely), {} unavailable",
            s.clean, s.errored, s.severely_errored, s.unavailable
        ),
    );
}

fn latency(l: &Latency) -> String {
    match (l.min, l.p50, l.p99, l.max) {
        (Some(min), Some(p50), Some(p99), Some(max)) => format!(
            "{} min, {} half, {} p99, {} max ({} clock, {} trips)",
            figure::time_ns(min),
            figure::time_ns(p50),
            figure::time_ns(p99),
            figure::time_ns(max),
            l.clock,
            figure::count(l.count)
        ),
        _ => "not measured".into(),
    }
}

fn steps(report: &Report, out: &mut String) {
    if report.steps.is_empty() {
        return;
    }
    let both = report.return_port.is_some();
    let mut headings = vec!["size", "pattern", "sent", "lost", "damaged", "wrong bits", "frames/s", "rate"];
    if both {
        headings.insert(0, "direction");
    }
    let rows: Vec<Vec<String>> = report
        .steps
        .iter()
        .map(|s| {
            let mut row = vec![
                s.size_bytes.to_string(),
                s.pattern.clone(),
                figure::count(s.frames_sent),
                figure::count(s.frames_lost),
                figure::count(s.frames_damaged),
                figure::count(s.bit_errors),
                figure::count(s.frames_per_second as u64),
                figure::bit_rate(s.bits_per_second) + if s.repeated_slower { " (repeated slower)" } else { "" },
            ];
            if both {
                row.insert(0, s.direction.clone());
            }
            row
        })
        .collect();
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
    out.push_str(&format!("{}, run {}, seed {}, {}\n", report.program, report.run, report.seed, report.started_at));
}

/// `label` and `text` in lines of at most 100 columns, later lines set in by two.
pub fn wrapped(label: &str, text: &str) -> String {
    let mut lines = vec![label.to_owned()];
    for word in text.split_whitespace() {
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
