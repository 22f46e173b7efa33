//! The plots that only a port of frames has: losses by size, rates without loss, errors by place in the frame, round
//! trips.

use turnback_core::{
    document::{
        chart::{SizeLoss, loss_by_size},
        run::{EthernetDetail, Latency, Report, ZeroLossRate},
    },
    signal::compare::DamageTally,
};

use super::{
    Figure, Table,
    columns::{Column, Columns, HALF, column_at, named_columns},
    scale::{Scale, short},
};
use crate::show::figure;

/// All of them, in reading order, with errors by bit position where they belong.
pub(super) fn figures(report: &Report, detail: &EthernetDetail, by_bit: Option<Figure>) -> Vec<Option<Figure>> {
    vec![
        by_size(&loss_by_size(&report.steps)),
        zero_loss(&detail.zero_loss_rates),
        by_bit,
        by_offset(&report.damage),
        latency("trips", "Round trip of single frames", &report.latency_ns),
        latency("trips-loaded", "Round trip under full flow", &detail.latency_loaded_ns),
    ]
}

fn by_size(sizes: &[SizeLoss]) -> Option<Figure> {
    let lost = |s: &SizeLoss| s.share(s.lost);
    let damaged = |s: &SizeLoss| s.share(s.damaged);
    let most = sizes.iter().map(|s| lost(s) + damaged(s)).fold(0.0, f64::max);
    let inside: u64 = sizes.iter().map(|s| s.lost_inside).sum();
    if most == 0.0 {
        return None;
    }
    let (unit, factor) = if most >= 1e-3 { ("% of frames", 100.0) } else { ("frames in a million", 1e6) };
    let title = "Frames lost or damaged, by size";
    let mut summary =
        "Share of the frames of each size. Errors spread evenly over the bits hit large frames more.".to_owned();
    if inside > 0 {
        summary.push_str(&format!(
            " {} frames lost in this computer are not drawn: they say nothing of plug or cable.",
            figure::count(inside)
        ));
    }
    let columns: Vec<_> = sizes
        .iter()
        .enumerate()
        .map(|(i, s)| column_at(i, sizes.len(), lost(s) * factor, damaged(s) * factor))
        .collect();
    let plot = Columns {
        id: "sizes",
        width: HALF,
        title,
        summary: &summary,
        x: Scale::Linear { low: 0.0, high: sizes.len() as f64 },
        x_title: "frame size with FCS, bytes",
        x_marks: named_columns(sizes.iter().map(|s| s.size_bytes.to_string())),
        y: Scale::for_heights(columns.iter().map(|c| c.solid + c.hatched)),
        y_title: unit,
        columns,
        ..Columns::default()
    };
    Some(plot.figure(
        vec![("solid", "lost on the way"), ("hatched", "came back damaged")],
        Table::new(
            vec!["size, bytes", "sent", "lost on the way", "lost in this computer", "damaged"],
            sizes.iter().map(|s| {
                let mut row = vec![s.size_bytes.to_string()];
                row.extend([s.sent, s.lost, s.lost_inside, s.damaged].map(figure::count));
                row
            }),
        ),
    ))
}

fn zero_loss(rates: &[ZeroLossRate]) -> Option<Figure> {
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
    let plot = Columns {
        id: "rates",
        width: HALF,
        title,
        summary,
        x: Scale::Linear { low: 0.0, high: rates.len() as f64 },
        x_title: "frame size with FCS, bytes",
        x_marks: named_columns(rates.iter().map(|z| z.size_bytes.to_string())),
        y: Scale::for_heights(columns.iter().map(|c| c.solid + c.hatched)),
        y_title: "frames a second",
        columns,
        ..Columns::default()
    };
    let rate = |r: Option<f64>| r.map_or("-".into(), |r| figure::count(r as u64));
    Some(plot.figure(
        vec![("solid", "no loss"), ("hatched", "up to the lowest rate with loss")],
        Table::new(
            vec!["size, bytes", "without loss, frames/s", "with loss, frames/s", "limited by"],
            rates.iter().map(|z| {
                let by = if z.limited_by_host { "this computer" } else { "" };
                vec![z.size_bytes.to_string(), rate(z.frames_per_second), rate(z.lossy_frames_per_second), by.into()]
            }),
        ),
    ))
}

fn by_offset(damage: &DamageTally) -> Option<Figure> {
    // Eighths, since the shortest frames have hardly more bytes than the 64 bins that are counted.
    let counts: Vec<u64> = damage.offsets.0.chunks(8).map(|part| part.iter().sum()).collect();
    if counts.iter().all(|c| *c == 0) {
        return None;
    }
    let title = "Errors by place in the frame";
    let summary = "Wrong bits by how far into the frame they are. Many towards its end speak of clock or buffer, an \
        even spread of the line.";
    let percent = |i: usize| i as f64 * 100.0 / counts.len() as f64;
    let columns: Vec<_> = counts
        .iter()
        .enumerate()
        .map(|(i, c)| Column { from: percent(i), to: percent(i + 1), solid: *c as f64, hatched: 0.0 })
        .collect();
    let plot = Columns {
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
        ..Columns::default()
    };
    Some(
        plot.figure(
            Vec::new(),
            Table::new(
                vec!["place, %", "wrong bits"],
                counts
                    .iter()
                    .enumerate()
                    .filter(|(_, c)| **c > 0)
                    .map(|(i, c)| vec![format!("{:.1} to {:.1}", percent(i), percent(i + 1)), figure::count(*c)]),
            ),
        ),
    )
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
    let pointers = [(trips.p50, "median"), (trips.p99, "99 %"), (trips.max, "max")]
        .into_iter()
        .filter_map(|(ns, word)| Some((ns? as f64, word.to_owned())))
        .collect();
    let plot = Columns {
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
        pointers,
        ..Columns::default()
    };
    Some(plot.figure(
        Vec::new(),
        Table::new(
            vec!["up to, ns", "trips"],
            bars.iter().filter(|b| b.count > 0).map(|b| vec![figure::count(b.upper_ns), figure::count(b.count)]),
        ),
    ))
}
