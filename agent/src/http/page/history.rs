//! The plots of a port's past: each run a column at its time.

use jiff::Timestamp;
use turnback_core::{judge::Outcome, kind::Kind};

use crate::{
    daemon::agent::RecordLine,
    show::{
        figure,
        plot::{
            Figure, Table,
            columns::{self, Column, Columns},
            scale::{Scale, power, short},
        },
    },
};

const HALF: f64 = 360.0;

/// Plots of records of a port of this kind, the newest first, as seen at a time in ms since 1970. Without two runs
/// there is no past to draw.
pub fn figures(records: &[RecordLine], kind: Kind, now_ms: i64) -> Vec<Figure> {
    let past: Vec<Past> = records.iter().rev().filter_map(|record| Past::new(record, now_ms)).collect();
    if past.len() < 2 {
        return Vec::new();
    }
    [ratios(&past), trips(&past, kind)].into_iter().flatten().collect()
}

/// A run, and how many seconds ago it began.
struct Past<'a> {
    ago_s: f64,
    record: &'a RecordLine,
}

impl<'a> Past<'a> {
    fn new(record: &'a RecordLine, now_ms: i64) -> Option<Self> {
        let began: Timestamp = record.started_at.parse().ok()?;
        let ago_s = (now_ms - began.as_millisecond()).max(0) as f64 / 1e3;
        Some(Self { ago_s, record })
    }
}

fn ratios(past: &[Past]) -> Option<Figure> {
    let measured = || past.iter().filter_map(|p| Some((p, p.record.bit_error_ratio?)));
    if measured().all(|(_, ratio)| ratio == 0.0) {
        return None;
    }
    let faults = past.iter().filter(|p| p.record.outcome == Outcome::Fault).count();
    let summary = format!(
        "The likeliest ratio by each of {} runs; {faults} of them found a fault (dashed). No column: no error, or \
         none could be counted.",
        past.len()
    );
    // In the power of ten of the highest: an axis has no room for more digits. One of factors is marked with powers
    // anyway.
    let highest = measured().map(|(_, ratio)| ratio).fold(0.0, f64::max);
    let (unit, y_title) = match Scale::for_heights(measured().map(|(_, ratio)| ratio)).is_logarithmic() {
        true => (1.0, "bit error ratio".to_owned()),
        false => {
            let unit = 10_f64.powf(highest.log10().floor());
            (unit, format!("bit error ratio, in {}", power(unit)))
        }
    };
    Some(over_time(past, "past-ratio", "Bit error ratio of each run", &summary, &y_title, &|record| {
        record.bit_error_ratio.map(|ratio| (ratio / unit, figure::ratio(ratio)))
    }))
}

fn trips(past: &[Past], kind: Kind) -> Option<Figure> {
    let longest = past.iter().filter_map(|p| p.record.latency_ns_p50).max()?;
    let (unit, unit_ns) = match longest {
        0..10_000 => ("ns", 1.0),
        10_000..10_000_000 => ("us", 1e3),
        _ => ("ms", 1e6),
    };
    let summary =
        "Half of a run's round trips took at most this. A step up or down without a new cable is worth a look.";
    let title = match kind {
        Kind::Serial => "Median round trip of one byte, each run",
        Kind::Ethernet => "Median round trip of each run",
    };
    Some(over_time(past, "past-trip", title, summary, &format!("round trip, {unit}"), &|record| {
        record.latency_ns_p50.map(|ns| (ns as f64 / unit_ns, figure::time_ns(ns)))
    }))
}

/// Columns of what `value` says of each run: a number, and the same in words.
fn over_time(
    past: &[Past],
    id: &'static str,
    title: &str,
    summary: &str,
    y_title: &str,
    value: &dyn Fn(&RecordLine) -> Option<(f64, String)>,
) -> Figure {
    let longest = past.iter().map(|p| p.ago_s).fold(1.0, f64::max) * 1.03;
    let (unit, unit_s) = match longest {
        s if s < 300.0 => ("s", 1.0),
        s if s < 10_800.0 => ("min", 60.0),
        s if s < 259_200.0 => ("h", 3600.0),
        _ => ("days", 86_400.0),
    };
    let half = longest / (2.5 * past.len().max(30) as f64);
    let columns: Vec<_> = past
        .iter()
        .filter_map(|p| {
            let (solid, _) = value(p.record)?;
            Some(Column { from: -p.ago_s - half, to: -p.ago_s + half, solid, hatched: 0.0 })
        })
        .collect();
    let marks = Scale::Linear { low: -longest / unit_s, high: 0.0 }.ticks(5);
    let faults = past.iter().filter(|p| p.record.outcome == Outcome::Fault);
    let svg = columns::draw(&Columns {
        id,
        width: HALF,
        title,
        summary,
        x: Scale::Linear { low: -longest - half, high: half },
        x_title: &format!("{unit} before now"),
        x_marks: marks.into_iter().map(|m| (m * unit_s, short(m.abs()))).collect(),
        y: Scale::for_heights(columns.iter().map(|c| c.solid)),
        y_title,
        is_counted: false,
        columns,
        is_mirrored: false,
        gaps: Vec::new(),
        pointers: faults.map(|p| (-p.ago_s, "fault".to_owned())).collect(),
    });
    let rows = past.iter().rev().map(|p| {
        let measured = value(p.record).map_or("-".into(), |(_, words)| words);
        vec![p.record.started_at.clone(), p.record.outcome.name().to_owned(), measured]
    });
    Figure {
        id,
        title: title.to_owned(),
        summary: summary.to_owned(),
        legend: Vec::new(),
        svg,
        is_wide: false,
        table: Table::new(vec!["begun", "found", "figure"], rows),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(minute: u32, outcome: Outcome, ratio: Option<f64>) -> RecordLine {
        RecordLine {
            run: format!("run-{minute}"),
            started_at: format!("2026-03-01T12:{minute:02}:00+00:00"),
            port: "quay0".into(),
            cable: None,
            placement: "at-port".into(),
            profile: "quick".into(),
            outcome,
            location: Vec::new(),
            rule: None,
            bit_error_ratio: ratio,
            latency_ns_p50: Some(12_000 + u64::from(minute)),
        }
    }

    fn now_ms() -> i64 {
        "2026-03-01T12:30:00Z".parse::<Timestamp>().unwrap().as_millisecond()
    }

    #[test]
    fn a_past_of_one_run_is_not_drawn() {
        assert!(figures(&[record(1, Outcome::Pass, Some(0.0))], Kind::Ethernet, now_ms()).is_empty());
    }

    #[test]
    fn every_run_is_in_the_table_and_every_fault_is_pointed_out() {
        let records = [
            record(20, Outcome::Fault, Some(2e-6)),
            record(10, Outcome::Pass, Some(0.0)),
            record(5, Outcome::NotTested, None),
        ];
        let figures = figures(&records, Kind::Ethernet, now_ms());
        let ratio = figures.iter().find(|f| f.id == "past-ratio").unwrap();
        let found: Vec<_> = ratio.table.rows.iter().map(|row| (row[1].as_str(), row[2].as_str())).collect();
        assert_eq!(found, [("fault", "2e-6"), ("pass", "0"), ("not-tested", "-")]);
        assert_eq!(ratio.svg.matches("class=\"mark\"").count(), 1, "{}", ratio.svg);
        assert!(ratio.svg.contains("bit error ratio, in 10⁻⁶"), "{}", ratio.svg);
        assert!(figures.iter().any(|f| f.id == "past-trip" && !f.svg.contains(">-0<")));
    }

    #[test]
    fn ratios_far_apart_are_marked_with_powers_of_ten() {
        let records = [record(20, Outcome::Fault, Some(1e-5)), record(10, Outcome::Pass, Some(2e-9))];
        let figures = figures(&records, Kind::Ethernet, now_ms());
        let svg = &figures.iter().find(|f| f.id == "past-ratio").unwrap().svg;
        assert!(svg.contains(">10⁻⁸<") && svg.contains(">10⁻⁶<") && !svg.contains(", in "), "{svg}");
    }

    #[test]
    fn a_port_without_errors_has_no_plot_of_errors() {
        let records = [record(20, Outcome::Pass, Some(0.0)), record(10, Outcome::Pass, Some(0.0))];
        assert!(figures(&records, Kind::Ethernet, now_ms()).iter().all(|f| f.id != "past-ratio"));
    }
}
