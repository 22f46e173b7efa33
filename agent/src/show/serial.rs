//! The part of a report that only a serial port has, for a person at a terminal.

use turnback_core::{
    document::run::{LineReport, Report, Turnaround},
    kind::serial::{facts::FormatTrial, rules::modem::LineState},
};

use super::{figure, text};

/// The main figures, each under its name; none when nothing was sent.
pub(super) fn figures(report: &Report, line: &LineReport) -> Vec<(&'static str, String)> {
    let t = &report.totals;
    let mut rows = Vec::new();
    if t.bytes_sent == 0 {
        return rows;
    }
    let mut row = |name, value: String| rows.push((name, value));
    row("format", format!("{}, plug {}", line.format, line.plug));
    row("bytes", format!("{} sent, {} came back", figure::count(t.bytes_sent), figure::count(t.bytes_returned)));
    if t.bytes_lost + t.bytes_inserted + t.bytes_damaged > 0 {
        row(
            "of these",
            format!(
                "{} lost ({} in this computer), {} extra, {} damaged",
                figure::count(t.bytes_lost),
                figure::count(t.bytes_lost_in_host),
                figure::count(t.bytes_inserted),
                figure::count(t.bytes_damaged)
            ),
        );
    }
    row(
        "line errors",
        report.line_errors.map_or("not counted by this port's driver".into(), |e| {
            format!(
                "{} framing, {} parity, {} overrun, {} break, {} buffer overrun",
                e.framing, e.parity, e.overrun, e.breaks, e.buffer_overrun
            )
        }),
    );
    row("bits compared", format!("{}, {} wrong", figure::count(t.bits_compared), figure::count(t.bit_errors)));
    if let Some(r) = &report.error_ratio {
        row(
            "bit error ratio",
            format!(
                "{} ({} to {} at {} %), limit {}",
                figure::ratio(r.estimate),
                figure::ratio(r.lower),
                figure::ratio(r.upper),
                r.confidence * 100.0,
                figure::ratio(r.limit)
            ),
        );
    }
    if let Some(rate) = line.characters_per_second {
        let share =
            line.share_of_line.map_or(String::new(), |s| format!(", {:.1} % of what the line has time for", 100.0 * s));
        let beyond = if line.share_of_line.is_some_and(|s| s > SHARE_MAX) { ": more than a real line can" } else { "" };
        row("speed", format!("{} characters/s{share}{beyond}", figure::count(rate as u64)));
    }
    if let Some(speed) = line.highest_clean_bits_per_second {
        row("without error", format!("up to {} bits/s", figure::count(speed.into())));
    }
    row("turnaround", format!("one byte: {}", text::latency(&report.latency_ns)));
    if let Some(flow) = line.flow_control {
        let works =
            if flow.stops() && flow.starts() { "stops and starts the sender" } else { "does not hold the sender" };
        row(
            "flow control",
            format!("CTS {works} ({} of {} bytes came while it was off)", flow.came_while_off, flow.sent),
        );
    }
    if let Some(half) = line.half_duplex {
        let how = if half.by_setting { "by the driver's setting" } else { "the driver has no setting for it" };
        let heard = if half.heard_itself { "hears itself while sending" } else { "does not hear itself" };
        row("half duplex", format!("{heard} ({how})"));
        if let (Some(min), Some(p50), Some(max)) =
            (half.turnaround_ns_min, half.turnaround_ns_p50, half.turnaround_ns_max)
        {
            row(
                "own bytes heard",
                format!(
                    "{} min, {} half, {} max after their time on the line",
                    figure::time_ns(min),
                    figure::time_ns(p50),
                    figure::time_ns(max)
                ),
            );
        }
    }
    if let Some(returned) = line.break_returned {
        row("break", if returned { "came round".into() } else { "did not come round".into() });
    }
    rows
}

/// A chip's clock may be off by some percent; beyond that bytes are not kept to their time, as on an emulated line.
const SHARE_MAX: f64 = 1.05;

/// A table of a report: its title, its headings and its rows.
pub type Titled = (&'static str, Vec<&'static str>, Vec<Vec<String>>);

/// Modem lines, turnaround, speeds and formats, as far as there are any.
pub fn tables(report: &Report, line: &LineReport) -> Vec<Titled> {
    let tables = [
        modem_lines(report),
        turnaround(&line.turnaround),
        trials("Speeds", "speed", &line.speeds),
        trials("Formats", "format", &line.formats),
    ];
    tables.into_iter().filter(|(_, _, rows)| !rows.is_empty()).collect()
}

fn modem_lines(report: &Report) -> Titled {
    let rows = report
        .lines
        .iter()
        .map(|(name, LineState { expected, seen, ok, pin })| {
            vec![
                name.to_ascii_uppercase(),
                pin.clone().unwrap_or_default(),
                expected.map_or("-".into(), |expected| expected.to_string()),
                seen.to_string(),
                match ok {
                    Some(true) => "right".into(),
                    Some(false) => "WRONG".into(),
                    None => "not judged".into(),
                },
            ]
        })
        .collect();
    (MODEM_LINES, vec!["modem line", "pin", "expected", "seen", ""], rows)
}

/// Title of the table of modem lines.
pub const MODEM_LINES: &str = "Modem lines";

fn turnaround(turnaround: &[Turnaround]) -> Titled {
    let time = |ns: Option<u64>| ns.map_or("-".into(), figure::time_ns);
    let rows = turnaround
        .iter()
        .map(|t| {
            vec![
                t.block_bytes.to_string(),
                if t.low_latency { "low latency".into() } else { "as it was".into() },
                time(t.line_ns),
                time(t.min_ns),
                time(t.p50_ns),
                time(t.max_ns),
                t.count.to_string(),
            ]
        })
        .collect();
    (TURNAROUND, vec!["bytes", "driver", "on the line", "min", "half", "max", "trips"], rows)
}

/// Title of the table of turnaround times.
pub const TURNAROUND: &str = "Turnaround";

fn trials(title: &'static str, what: &'static str, trials: &[FormatTrial]) -> Titled {
    let mut rows: Vec<Vec<String>> = trials
        .iter()
        .filter_map(|trial| {
            let taken = trial.taken?;
            let counts = &trial.counts;
            let verdict = if trial.is_clean() {
                "clean"
            } else if trial.failures() == 0 {
                "lost in this computer"
            } else {
                "ERRORS"
            };
            Some(vec![
                taken.to_string(),
                verdict.into(),
                figure::count(counts.sent),
                figure::count(counts.lost),
                figure::count(counts.inserted),
                figure::count(trial.wrong()),
                trial.share_of_line.map_or("-".into(), |share| format!("{:.1} %", 100.0 * share)),
            ])
        })
        .collect();
    let refused = trials.iter().filter(|trial| trial.taken.is_none()).count();
    if refused > 0 {
        let mut row = vec![format!("{refused} more"), "not offered".into()];
        row.resize(7, String::new());
        rows.push(row);
    }
    (title, vec![what, "", "sent", "lost", "extra", "wrong", "of the line"], rows)
}
