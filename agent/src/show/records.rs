//! Records for a person at a terminal.

use turnback_core::document::{
    case::CaseState,
    difference::{Change, Difference, Kind},
};

use super::{figure, lines::wrapped, table};
use crate::archive::{
    record::{CaseRow, Record},
    sqlite::backup::Soundness,
};

/// Runs in a table, named by `ids`.
pub fn list(records: &[Record], ids: &[String], width: usize) -> String {
    let rows: Vec<_> = records
        .iter()
        .zip(ids)
        .map(|(record, id)| {
            vec![
                id.clone(),
                minute(&record.started_at),
                plain(&record.port),
                record.placement.clone(),
                optional(record.cable.as_deref()),
                record.says(),
                figure::ratio_or_below(record.ratio(), record.error_ratio_below.or(record.error_ratio_upper)),
                record.note.as_deref().map(plain).unwrap_or_default(),
            ]
        })
        .collect();
    let headings = ["run", "started", "port", "placement", "cable", "outcome", "ratio", "note"];
    // Cables and notes are seldom given: a column without any is left out.
    let has = |column: usize| column < 4 || rows.iter().any(|row| !matches!(row[column].as_str(), "" | "-"));
    let shown: Vec<usize> = (0..headings.len()).filter(|column| has(*column)).collect();
    let headings: Vec<&str> = shown.iter().map(|column| headings[*column]).collect();
    let rows: Vec<Vec<String>> =
        rows.iter().map(|row| shown.iter().map(|column| row[*column].clone()).collect()).collect();
    table::render(&headings, &rows, width)
}

/// Cases in a table.
pub fn cases(rows: &[CaseRow], width: usize) -> String {
    let rows: Vec<_> = rows
        .iter()
        .map(|row| {
            vec![
                plain(row.short_id()),
                minute(&row.changed_at),
                plain(&row.port),
                plain(&row.cable),
                CaseState::said(&row.state).to_owned(),
                plain(&row.says()),
            ]
        })
        .collect();
    table::render(&["case", "changed", "port", "cable", "state", "outcome"], &rows, width)
}

/// The columns of one run, one a line.
pub fn columns(record: &Record) -> String {
    let serde_json::Value::Object(values) = serde_json::to_value(record).unwrap_or_default() else {
        return String::new();
    };
    let value = |name: &str| match values.get(name) {
        None | Some(serde_json::Value::Null) => None,
        Some(serde_json::Value::String(text)) => Some(plain(text)),
        Some(other) => Some(other.to_string()),
    };
    Record::COLUMNS.iter().filter_map(|name| Some(format!("{name:<21}{}\n", value(name)?))).collect()
}

/// Two runs side by side.
pub fn difference(found: &Difference, ids: &[String; 2], width: usize) -> String {
    let [a, b] = ids;
    let mut out = format!("{}\n\n", wrapped("", &found.says, width));
    let row = |change: &Change| {
        let [a, b] = &change.values;
        vec![change.name.clone(), plain(a), plain(b), kind(change)]
    };
    let rows: Vec<_> = found.figures.iter().map(row).collect();
    out.push_str(&table::render(&["figure", a, b, "change"], &rows, width));
    if !found.conditions.is_empty() {
        let rows: Vec<_> = found.conditions.iter().map(row).map(|row| row[..3].to_vec()).collect();
        out.push('\n');
        out.push_str(&table::render(&["not made alike", a, b], &rows, width));
    }
    out.push_str(&format!("\nbeyond chance: at {} % over all figures together\n", found.confidence * 100.0));
    out
}

fn kind(change: &Change) -> String {
    let word = match change.change {
        Kind::Same => "same",
        Kind::Other => "different",
        Kind::Higher => "higher, beyond chance",
        Kind::Lower => "lower, beyond chance",
        Kind::WithinChance => "within chance",
        Kind::NotComparable => "not comparable",
    };
    match change.chance {
        Some(chance) if change.change != Kind::Same && chance < 0.995 => format!("{word} (p {})", probability(chance)),
        _ => word.to_owned(),
    }
}

fn probability(p: f64) -> String {
    match p {
        _ if p >= 0.01 => format!("{p:.2}"),
        _ if p < 1e-99 => "below 1e-99".into(),
        _ => format!("{p:.0e}"),
    }
}

/// What a look through the file found.
pub fn soundness(found: &Soundness) -> String {
    let mut out =
        format!("{} runs, {} of them without their report; {} cases\n", found.runs, found.without_report, found.cases);
    match found.problems.as_slice() {
        [] => out.push_str("sound\n"),
        problems => problems.iter().for_each(|problem| out.push_str(&format!("damaged: {}\n", plain(problem)))),
    }
    out
}

/// A time to the minute, as the machine that ran it had it.
fn minute(started_at: &str) -> String {
    started_at.get(..16).map_or_else(|| plain(started_at), |text| plain(&text.replacen('T', " ", 1)))
}

fn optional(label: Option<&str>) -> String {
    label.map_or("-".into(), plain)
}

/// What others wrote, without the power to steer a terminal; lines stay.
pub fn harmless(text: &str) -> String {
    text.chars().map(|c| if c.is_control() && c != '\n' { '\u{fffd}' } else { c }).collect()
}

/// The same in one line.
fn plain(text: &str) -> String {
    harmless(text).replace('\n', "\u{fffd}")
}
