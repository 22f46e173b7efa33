//! The plots of one run's report. A plot without anything to show is not drawn.

use turnback_core::{
    base::placement::Placement,
    document::{
        chart::{TimeColumn, placed_ratios, worst_seconds},
        run::{Detail, Report},
    },
    judge::Location,
};

use super::{
    Figure, Table,
    columns::{Column, Columns, HALF},
    ethernet,
    interval::{self, RATIOS_SUMMARY, Row, Rows},
    scale::{Scale, power, short},
    serial,
    way::{self, Place, Way},
};
use crate::show::figure;

/// More columns than these cannot be told apart on paper.
const TIME_COLUMNS: usize = 100;

/// All plots that the report has figures for, in reading order.
pub fn figures(report: &Report) -> Vec<Figure> {
    let own = match &report.detail {
        Detail::Ethernet(detail) => ethernet::figures(report, detail, by_bit(report)),
        Detail::Serial(detail) => serial::figures(detail, by_bit(report)),
    };
    [ratios(report), over_time(report)].into_iter().chain(own).flatten().collect()
}

/// The way of the signal, with what the verdict suspects.
pub fn signal_way(report: &Report) -> Way {
    let place = |kind, label: &str, location| Place {
        kind,
        label: label.to_owned(),
        is_cable: location == Location::Cable,
        is_suspect: report.verdict.location.contains(&location),
        turns_back: false,
    };
    let mut places =
        vec![place("computer", &report.machine, Location::Host), place("port", &report.port.name, Location::Port)];
    if matches!(report.placement, Placement::FarEnd | Placement::ReturnPort) {
        places.push(place("cable", report.cable.as_deref().unwrap_or_default(), Location::Cable));
    }
    match report.placement {
        Placement::Internal => {}
        Placement::AtPort | Placement::FarEnd => {
            places.push(place("plug", report.labels.plug.as_deref().unwrap_or_default(), Location::Plug));
        }
        Placement::ReturnPort => {
            let name = report.return_port.as_ref().map_or("", |p| p.name.as_str());
            places.push(place("return port", name, Location::ReturnPort));
        }
    }
    if report.placement != Placement::ReturnPort
        && let Some(last) = places.last_mut()
    {
        last.turns_back = true;
    }
    way::draw("way", &places)
}

/// Ratios at several places against the limit.
fn ratios(report: &Report) -> Option<Figure> {
    let placed = placed_ratios(report);
    let limit = report.error_ratio?.limit;
    let title = "Bit error ratio against the limit";
    let summary = RATIOS_SUMMARY;
    let bounds = placed.iter().flat_map(|r| [r.lower, r.estimate, r.upper]);
    let rows: Vec<_> = placed
        .iter()
        .map(|r| Row { label: r.place.clone(), interval: Some([r.lower, r.estimate, r.upper]), word: String::new() })
        .collect();
    let plot = Rows {
        id: "ratios",
        title,
        summary,
        x: interval::scale_around(bounds.chain([limit])),
        x_title: "bit error ratio, factors of ten",
        written: power,
        rows: &rows,
        pointer: Some((limit, "limit")),
    };
    Some(plot.figure(Table::new(
        vec!["plug", "failed", "tried", "ratio", "lower", "upper"],
        placed.iter().map(|r| {
            let mut row = vec![r.place.clone(), figure::count(r.errors), figure::count(r.trials)];
            row.extend([r.estimate, r.lower, r.upper].map(figure::ratio));
            row
        }),
    )))
}

/// Frames lost or damaged over time; each column as high as its worst second.
fn over_time(report: &Report) -> Option<Figure> {
    let columns = worst_seconds(&report.seconds, report.seconds_each, TIME_COLUMNS);
    let (first, last) = (columns.first()?, columns.last()?);
    if columns.iter().all(|c| c.worst_failed == 0) {
        return None;
    }
    // A second without sending now and then is between two steps.
    let is_idle = |c: &&TimeColumn| c.idle == c.to_s - c.from_s;
    let length = first.to_s - first.from_s;
    let (unit, unit_s) = time_unit(last.to_s);
    let each = if length == 1 {
        "each second".into()
    } else {
        format!("the worst second of every {}", figure::seconds(length as f64))
    };
    let title = "Errors over time";
    let (units, unit_failed) = match &report.detail {
        Detail::Ethernet(_) => ("frames", "frames failed"),
        Detail::Serial(_) => ("bytes", "bytes failed"),
    };
    let bad: u64 = columns.iter().map(|c| c.errored).sum();
    let mut summary = format!(
        "What was lost or damaged in {each}, in {units}; {} of {} s had any.",
        figure::count(bad),
        figure::count(last.to_s)
    );
    if columns.iter().any(|c| is_idle(&c)) {
        summary.push_str(" Grey: nothing was sent.");
    }
    let inside = report.totals.lost_inside();
    if inside > 0 {
        summary.push_str(&format!(
            " {} of the {units} were lost in this computer, which says nothing of plug or cable.",
            figure::count(inside)
        ));
    }
    let x = Scale::Linear { low: 0.0, high: last.to_s as f64 };
    let marks = Scale::Linear { low: 0.0, high: last.to_s as f64 / unit_s }.ticks(8);
    let plot = Columns {
        id: "time",
        width: HALF,
        title,
        summary: &summary,
        x,
        x_title: &format!("time since the run began, {unit}"),
        x_marks: marks.into_iter().map(|m| (m * unit_s, short(m))).collect(),
        y: Scale::for_heights(columns.iter().map(|c| c.worst_failed as f64)),
        y_title: unit_failed,
        is_counted: true,
        columns: columns
            .iter()
            .map(|c| Column { from: c.from_s as f64, to: c.to_s as f64, solid: c.worst_failed as f64, hatched: 0.0 })
            .collect(),
        gaps: columns.iter().filter(is_idle).map(|c| (c.from_s as f64, c.to_s as f64)).collect(),
        ..Columns::default()
    };
    let row = |c: &TimeColumn| {
        vec![
            format!("{} to {}", c.from_s, c.to_s),
            figure::count(c.worst_failed),
            figure::count(c.errored),
            figure::count(c.idle),
        ]
    };
    Some(plot.figure(
        Vec::new(),
        Table::new(
            vec!["seconds", "failed in the worst one", "seconds with errors", "seconds without sending"],
            columns.iter().filter(|c| c.worst_failed > 0 || c.idle > 0).map(row),
        ),
    ))
}

fn time_unit(seconds: u64) -> (&'static str, f64) {
    match seconds {
        0..=299 => ("s", 1.0),
        300..=10_799 => ("min", 60.0),
        10_800..=259_199 => ("h", 3600.0),
        _ => ("days", 86_400.0),
    }
}

fn by_bit(report: &Report) -> Option<Figure> {
    let damage = &report.damage;
    if damage.bit_errors == 0 {
        return None;
    }
    let bytes = report.serial().is_some();
    // A line knows no words: its characters are counted, bit by bit.
    let fold = |counts: &[u64]| -> Vec<u64> {
        if !bytes {
            return counts.to_vec();
        }
        (0..8).map(|bit| counts.iter().skip(bit).step_by(8).sum()).collect()
    };
    let (up, down) = (fold(&damage.zeros_to_ones_by_word_bit.0), fold(&damage.ones_to_zeros_by_word_bit.0));
    let title = "Errors by bit position";
    let summary = if bytes {
        "Wrong bits by their place in the character. A single tall column is a stuck bit of the chip or adapter; a \
         line hits all places alike."
    } else {
        "Wrong bits by their place in words of 8 bytes. A single tall column is a stuck or coupled bit of a bus or \
         memory; a line hits all places alike."
    };
    let columns: Vec<_> = up
        .iter()
        .zip(&down)
        .enumerate()
        .map(|(i, (up, down))| Column { from: i as f64, to: i as f64 + 1.0, solid: *up as f64, hatched: *down as f64 })
        .collect();
    let plot = Columns {
        id: "bits",
        width: HALF,
        title,
        summary,
        x: Scale::Linear { low: 0.0, high: up.len() as f64 },
        x_title: if bytes { "bit of the character, in the order sent" } else { "bit of 64, lowest of each byte first" },
        x_marks: (0..8_u8)
            .map(|mark| mark * if bytes { 1 } else { 8 })
            .map(|bit| (f64::from(bit) + 0.5, bit.to_string()))
            .collect(),
        y: Scale::for_heights(columns.iter().flat_map(|c| [c.solid, c.hatched])),
        y_title: "wrong bits",
        is_counted: true,
        columns,
        is_mirrored: true,
        ..Columns::default()
    };
    Some(
        plot.figure(
            vec![("solid", "sent 0, came back 1 (up)"), ("hatched", "sent 1, came back 0 (down)")],
            Table::new(
                vec!["bit", "0 became 1", "1 became 0"],
                up.iter()
                    .zip(&down)
                    .enumerate()
                    .filter(|(_, (up, down))| **up + **down > 0)
                    .map(|(i, (up, down))| vec![i.to_string(), figure::count(*up), figure::count(*down)]),
            ),
        ),
    )
}
