//! The plots of one run's report. A plot without anything to show is not drawn.

use turnback_core::{
    base::placement::Placement,
    document::{
        chart::{SizeLoss, TimeColumn, loss_by_size, placed_ratios, worst_seconds},
        run::{Latency, Report},
    },
    judge::Location,
};

use super::{
    Figure, Table,
    columns::{self, Column, Columns},
    interval::{self, Row, Rows},
    line,
    scale::{Scale, power, short},
    way::{self, Place},
};
use crate::show::figure;

pub(super) const HALF: f64 = 360.0;
const WHOLE: f64 = 740.0;

/// More columns than these cannot be told apart on paper.
const TIME_COLUMNS: usize = 160;

/// All plots that the report has figures for, in reading order.
pub fn figures(report: &Report) -> Vec<Figure> {
    [
        ratios(report),
        over_time(report),
        by_size(&loss_by_size(&report.steps)),
        zero_loss(report),
        by_bit(report),
        by_offset(report),
        line::speeds(report),
        line::turnaround(report),
        // Of a serial port the turnaround says it all.
        if carries_bytes(report) { None } else { latency("trips", "Round trip of single frames", &report.latency_ns) },
        latency("trips-loaded", "Round trip under full flow", &report.latency_loaded_ns),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn carries_bytes(report: &Report) -> bool {
    report.line.is_some()
}

/// The way of the signal, with what the verdict suspects.
pub fn signal_way(report: &Report) -> String {
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
    let svg = interval::draw(&Rows {
        id: "ratios",
        width: WHOLE,
        title,
        summary,
        x: interval::scale_around(bounds.chain([limit])),
        x_title: "bit error ratio, factors of ten",
        written: power,
        rows: &rows,
        pointer: Some((limit, "limit")),
    });
    Some(Figure {
        id: "ratios",
        title: title.into(),
        summary: summary.into(),
        legend: Vec::new(),
        svg,
        is_wide: true,
        table: Table::new(
            vec!["plug", "failed", "tried", "ratio", "lower", "upper"],
            placed.iter().map(|r| {
                let mut row = vec![r.place.clone(), figure::count(r.errors), figure::count(r.trials)];
                row.extend([r.estimate, r.lower, r.upper].map(figure::ratio));
                row
            }),
        ),
    })
}

/// How to read intervals of ratios.
pub(super) const RATIOS_SUMMARY: &str = "A point is the likeliest ratio, the line its interval; an arrow: the interval reaches \
    down to 0. Left of the limit is good.";

/// Frames lost or damaged over time; each column as high as its worst second.
fn over_time(report: &Report) -> Option<Figure> {
    let columns = worst_seconds(&report.seconds, TIME_COLUMNS);
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
    let (units, unit_failed) =
        if carries_bytes(report) { ("bytes", "bytes failed") } else { ("frames", "frames failed") };
    let bad: u64 = columns.iter().map(|c| c.errored).sum();
    let mut summary = format!(
        "What was lost or damaged in {each}, in {units}; {} of {} s had any.",
        figure::count(bad),
        figure::count(last.to_s)
    );
    if columns.iter().any(|c| is_idle(&c)) {
        summary.push_str(" Grey: nothing was sent.");
    }
    let t = &report.totals;
    let inside = t.frames_lost_in_host + t.frames_never_left + t.bytes_lost_in_host;
    if inside > 0 {
        summary.push_str(&format!(
            " {} of the {units} were lost in this computer, which says nothing of plug or cable.",
            figure::count(inside)
        ));
    }
    let x = Scale::Linear { low: 0.0, high: last.to_s as f64 };
    let marks = Scale::Linear { low: 0.0, high: last.to_s as f64 / unit_s }.ticks(8);
    let svg = columns::draw(&Columns {
        id: "time",
        width: WHOLE,
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
        is_mirrored: false,
        gaps: columns.iter().filter(is_idle).map(|c| (c.from_s as f64, c.to_s as f64)).collect(),
        pointers: Vec::new(),
    });
    let row = |c: &TimeColumn| {
        vec![
            format!("{} to {}", c.from_s, c.to_s),
            figure::count(c.worst_failed),
            figure::count(c.errored),
            figure::count(c.idle),
        ]
    };
    Some(Figure {
        id: "time",
        title: title.into(),
        summary,
        legend: Vec::new(),
        svg,
        is_wide: true,
        table: Table::new(
            vec!["seconds", "failed in the worst one", "seconds with errors", "seconds without sending"],
            columns.iter().filter(|c| c.worst_failed > 0 || c.idle > 0).map(row),
        ),
    })
}

fn time_unit(seconds: u64) -> (&'static str, f64) {
    match seconds {
        0..=299 => ("s", 1.0),
        300..=10_799 => ("min", 60.0),
        10_800..=259_199 => ("h", 3600.0),
        _ => ("days", 86_400.0),
    }
}

/// Columns over names instead of numbers, one place for each.
pub(super) fn named_columns(names: impl IntoIterator<Item = String>) -> Vec<(f64, String)> {
    names.into_iter().enumerate().map(|(i, name)| (i as f64 + 0.5, name)).collect()
}

/// The column of one of `of` names; one or two columns are not blown up to fill the width.
pub(super) fn column_at(number: usize, of: usize, solid: f64, hatched: f64) -> Column {
    let (middle, half) = (number as f64 + 0.5, (of as f64 * 0.08).min(0.32));
    Column { from: middle - half, to: middle + half, solid, hatched }
}

fn by_size(sizes: &[SizeLoss]) -> Option<Figure> {
    let on_the_way = |s: &SizeLoss| s.share(s.lost.saturating_add(s.damaged));
    let inside = |s: &SizeLoss| s.share(s.lost_inside);
    let most = sizes.iter().map(|s| on_the_way(s) + inside(s)).fold(0.0, f64::max);
    if most == 0.0 {
        return None;
    }
    let (unit, factor) = if most >= 1e-3 { ("% of frames", 100.0) } else { ("frames in a million", 1e6) };
    let title = "Loss by frame size";
    let summary = "Share of the frames of each size that were lost or damaged. Errors spread evenly over the bits hit large \
                   frames more.";
    let columns: Vec<_> = sizes
        .iter()
        .enumerate()
        .map(|(i, s)| column_at(i, sizes.len(), on_the_way(s) * factor, inside(s) * factor))
        .collect();
    let svg = columns::draw(&Columns {
        id: "sizes",
        width: HALF,
        title,
        summary,
        x: Scale::Linear { low: 0.0, high: sizes.len() as f64 },
        x_title: "frame size with FCS, bytes",
        x_marks: named_columns(sizes.iter().map(|s| s.size_bytes.to_string())),
        y: Scale::for_heights(columns.iter().map(|c| c.solid + c.hatched)),
        y_title: unit,
        is_counted: false,
        columns,
        is_mirrored: false,
        gaps: Vec::new(),
        pointers: Vec::new(),
    });
    let mut legend = vec![("solid", "lost on the way, or came back damaged")];
    if sizes.iter().any(|s| s.lost_inside > 0) {
        legend.push(("hatched", "lost in this computer: says nothing of plug or cable"));
    }
    Some(Figure {
        id: "sizes",
        title: title.into(),
        summary: summary.into(),
        legend,
        svg,
        is_wide: false,
        table: Table::new(
            vec!["size, bytes", "sent", "lost on the way", "lost in this computer", "damaged"],
            sizes.iter().map(|s| {
                let mut row = vec![s.size_bytes.to_string()];
                row.extend([s.sent, s.lost, s.lost_inside, s.damaged].map(figure::count));
                row
            }),
        ),
    })
}

fn zero_loss(report: &Report) -> Option<Figure> {
    let rates = &report.zero_loss_rates;
    if rates.is_empty() {
        return None;
    }
    let title = "Highest rate without loss";
    let summary = "Found by bisection for each size; what lies above was tried and lost frames.";
    let columns: Vec<_> = rates
        .iter()
        .enumerate()
        .map(|(i, z)| {
            let good = z.frames_per_second.unwrap_or(0.0);
            column_at(i, rates.len(), good, z.lossy_frames_per_second.map_or(0.0, |bad| (bad - good).max(0.0)))
        })
        .collect();
    let svg = columns::draw(&Columns {
        id: "rates",
        width: HALF,
        title,
        summary,
        x: Scale::Linear { low: 0.0, high: rates.len() as f64 },
        x_title: "frame size with FCS, bytes",
        x_marks: named_columns(rates.iter().map(|z| z.size_bytes.to_string())),
        y: Scale::for_heights(columns.iter().map(|c| c.solid + c.hatched)),
        y_title: "frames a second",
        is_counted: false,
        columns,
        is_mirrored: false,
        gaps: Vec::new(),
        pointers: Vec::new(),
    });
    let rate = |r: Option<f64>| r.map_or("-".into(), |r| figure::count(r as u64));
    Some(Figure {
        id: "rates",
        title: title.into(),
        summary: summary.into(),
        legend: vec![("solid", "no loss"), ("hatched", "up to the lowest rate with loss")],
        svg,
        is_wide: false,
        table: Table::new(
            vec!["size, bytes", "without loss, frames/s", "with loss, frames/s", "limited by"],
            rates.iter().map(|z| {
                let by = if z.limited_by_host { "this computer" } else { "" };
                vec![z.size_bytes.to_string(), rate(z.frames_per_second), rate(z.lossy_frames_per_second), by.into()]
            }),
        ),
    })
}

fn by_bit(report: &Report) -> Option<Figure> {
    let damage = &report.damage;
    if damage.bit_errors == 0 {
        return None;
    }
    let bytes = carries_bytes(report);
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
        "Wrong bits by their place in the character. A single tall column is a stuck bit of the chip or adapter; a line hits all \
         places alike."
    } else {
        "Wrong bits by their place in words of 8 bytes. A single tall column is a stuck or coupled bit of a bus or memory; a line \
         hits all places alike."
    };
    let columns: Vec<_> = up
        .iter()
        .zip(&down)
        .enumerate()
        .map(|(i, (up, down))| Column { from: i as f64, to: i as f64 + 1.0, solid: *up as f64, hatched: *down as f64 })
        .collect();
    let svg = columns::draw(&Columns {
        id: "bits",
        width: HALF,
        title,
        summary,
        x: Scale::Linear { low: 0.0, high: up.len() as f64 },
        x_title: if bytes {
            "bit of the character, in the order sent"
        } else {
            "bit of the word, lowest of each byte first"
        },
        x_marks: (0..8_u8)
            .map(|mark| mark * if bytes { 1 } else { 8 })
            .map(|bit| (f64::from(bit) + 0.5, bit.to_string()))
            .collect(),
        y: Scale::for_heights(columns.iter().flat_map(|c| [c.solid, c.hatched])),
        y_title: "wrong bits",
        is_counted: true,
        columns,
        is_mirrored: true,
        gaps: Vec::new(),
        pointers: Vec::new(),
    });
    Some(Figure {
        id: "bits",
        title: title.into(),
        summary: summary.into(),
        legend: vec![("solid", "sent 0, came back 1 (up)"), ("hatched", "sent 1, came back 0 (down)")],
        svg,
        is_wide: false,
        table: Table::new(
            vec!["bit", "0 became 1", "1 became 0"],
            up.iter()
                .zip(&down)
                .enumerate()
                .filter(|(_, (up, down))| **up + **down > 0)
                .map(|(i, (up, down))| vec![i.to_string(), figure::count(*up), figure::count(*down)]),
        ),
    })
}

fn by_offset(report: &Report) -> Option<Figure> {
    // Eighths, since a wrong bit is placed to its 8-byte word, and a short frame has no more than eight of these.
    let counts: Vec<u64> = report.damage.offsets.0.chunks(8).map(|part| part.iter().sum()).collect();
    if counts.iter().all(|c| *c == 0) || carries_bytes(report) {
        return None;
    }
    let title = "Errors by place in the frame";
    let summary = "Wrong bits by how far into the frame they are. Many towards its end speak of clock or buffer, an even \
                   spread of the line.";
    let percent = |i: usize| i as f64 * 100.0 / counts.len() as f64;
    let columns: Vec<_> = counts
        .iter()
        .enumerate()
        .map(|(i, c)| Column { from: percent(i), to: percent(i + 1), solid: *c as f64, hatched: 0.0 })
        .collect();
    let svg = columns::draw(&Columns {
        id: "offsets",
        width: HALF,
        title,
        summary,
        x: Scale::Linear { low: 0.0, high: 100.0 },
        x_title: "place in the frame, % of its length",
        x_marks: [0.0, 25.0, 50.0, 75.0, 100.0].map(|p| (p, short(p))).into(),
        y: Scale::for_heights(columns.iter().map(|c| c.solid)),
        y_title: "wrong bits",
        is_counted: true,
        columns,
        is_mirrored: false,
        gaps: Vec::new(),
        pointers: Vec::new(),
    });
    Some(Figure {
        id: "offsets",
        title: title.into(),
        summary: summary.into(),
        legend: Vec::new(),
        svg,
        is_wide: false,
        table: Table::new(
            vec!["place, %", "wrong bits"],
            counts
                .iter()
                .enumerate()
                .filter(|(_, c)| **c > 0)
                .map(|(i, c)| vec![format!("{:.1} to {:.1}", percent(i), percent(i + 1)), figure::count(*c)]),
        ),
    })
}

fn latency(id: &'static str, title: &str, trips: &Latency) -> Option<Figure> {
    let bars = &trips.histogram;
    let last = bars.last()?.upper_ns.max(1) as f64;
    let (unit, unit_ns) = match last {
        _ if last < 1e4 => ("ns", 1.0),
        _ if last < 1e7 => ("us", 1e3),
        _ if last < 1e10 => ("ms", 1e6),
        _ => ("s", 1e9),
    };
    // The first bar is as wide as the others, wherever in it the shortest trip was.
    let edge = |number: usize| bars.get(number).map(|b| b.upper_ns.max(1) as f64);
    let widening = edge(1).zip(edge(0)).map_or(1.006, |(second, first)| (second / first).max(1.001));
    let mut from = bars[0].upper_ns.max(1) as f64 / widening;
    let mut columns = Vec::new();
    for bar in bars {
        columns.push(Column { from, to: bar.upper_ns as f64, solid: bar.count as f64, hatched: 0.0 });
        from = bar.upper_ns as f64;
    }
    // Trips that are all alike are one narrow column, not one as wide as the plot.
    let (low, high) = (columns[0].from, last);
    let (low, high) = if high / low < 1.1 { (low / 1.05, high * 1.05) } else { (low, high) };
    let x = Scale::Logarithmic { low, high };
    let marks = Scale::Logarithmic { low: low / unit_ns, high: high / unit_ns }.ticks(6);
    let summary =
        format!("How many of {} trips took how long, by the {} clock.", figure::count(trips.count), trips.clock);
    let pointers = [(trips.p50, "half"), (trips.p99, "99 %"), (trips.max, "max")]
        .into_iter()
        .filter_map(|(ns, word)| Some((ns? as f64, word.to_owned())))
        .collect();
    let svg = columns::draw(&Columns {
        id,
        width: HALF,
        title,
        summary: &summary,
        x,
        x_title: &format!("round trip, {unit}"),
        x_marks: marks.into_iter().map(|m| (m * unit_ns, short(m))).collect(),
        y: Scale::for_heights(columns.iter().map(|c| c.solid)),
        y_title: "trips",
        is_counted: true,
        columns,
        is_mirrored: false,
        gaps: Vec::new(),
        pointers,
    });
    Some(Figure {
        id,
        title: title.to_owned(),
        summary,
        legend: Vec::new(),
        svg,
        is_wide: false,
        table: Table::new(
            vec!["up to, ns", "trips"],
            bars.iter().filter(|b| b.count > 0).map(|b| vec![figure::count(b.upper_ns), figure::count(b.count)]),
        ),
    })
}
