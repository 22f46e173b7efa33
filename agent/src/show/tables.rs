//! The tables of a report, for text and page alike.

use turnback_core::{
    document::run::{Detail, Report, Turnaround, ZeroLossRate},
    kind::serial::{facts::FormatTrial, rules::modem::LineState},
};

use super::figure;

/// Which table it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TableId {
    /// Steps of a port that carries frames.
    Steps,
    /// Results of a rate search.
    ZeroLossRates,
    /// Modem lines, with their pins.
    ModemLines,
    /// Turnaround by block size.
    Turnaround,
    /// Other speeds.
    Speeds,
    /// Other formats.
    Formats,
}

impl TableId {
    /// A plot draws the same, and has its numbers beside it.
    pub fn is_drawn(self) -> bool {
        matches!(self, Self::ZeroLossRates | Self::Turnaround)
    }
}

/// A table with its title.
pub struct Listing {
    /// Which one.
    pub id: TableId,
    /// Its title.
    pub title: &'static str,
    /// Headings of the columns.
    pub headings: Vec<&'static str>,
    /// Its rows, at least one.
    pub rows: Vec<Vec<String>>,
}

/// Every table that has rows, in reading order.
pub fn of(report: &Report) -> Vec<Listing> {
    let mut tables = vec![steps(report)];
    match &report.detail {
        Detail::Ethernet(detail) => tables.push(zero_loss(&detail.zero_loss_rates)),
        Detail::Serial(detail) => tables.extend([
            modem_lines(report),
            turnaround(&detail.turnaround),
            trials(TableId::Speeds, ["Speeds", "speed"], &detail.speeds),
            trials(TableId::Formats, ["Formats", "format"], &detail.formats),
        ]),
    }
    tables.retain(|table| !table.rows.is_empty());
    tables
}

fn steps(report: &Report) -> Listing {
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
    Listing { id: TableId::Steps, title: "Steps", headings, rows }
}

fn zero_loss(rates: &[ZeroLossRate]) -> Listing {
    let rows = rates
        .iter()
        .map(|z| {
            let show = |r: Option<f64>| r.map_or("-".into(), |r| figure::count(r as u64));
            let by = if z.limited_by_host { "this computer" } else { "" };
            vec![z.size_bytes.to_string(), show(z.frames_per_second), show(z.lossy_frames_per_second), by.into()]
        })
        .collect();
    let headings = vec!["size", "zero-loss frames/s", "loss from", "limited by"];
    Listing { id: TableId::ZeroLossRates, title: "Highest rate without loss", headings, rows }
}

fn modem_lines(report: &Report) -> Listing {
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
    let headings = vec!["modem line", "pin", "expected", "seen", ""];
    Listing { id: TableId::ModemLines, title: "Modem lines", headings, rows }
}

fn turnaround(turnaround: &[Turnaround]) -> Listing {
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
    let headings = vec!["bytes", "driver", "on the line", "min", "median", "max", "trips"];
    Listing { id: TableId::Turnaround, title: "Turnaround", headings, rows }
}

fn trials(id: TableId, [title, what]: [&'static str; 2], trials: &[FormatTrial]) -> Listing {
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
    Listing { id, title, headings: vec![what, "", "sent", "lost", "extra", "wrong", "of line speed"], rows }
}
