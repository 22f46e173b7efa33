//! The plots that only a serial port has: what it made of each speed, and how long bytes take to come back.

use turnback_core::{
    document::run::{SerialDetail, Turnaround},
    kind::serial::facts::FormatTrial,
};

use super::{
    Figure, Table,
    columns::{Columns, HALF, column_at, named_columns},
    scale::Scale,
};
use crate::show::figure;

/// All of them, in reading order, with errors by bit position where they belong.
pub(super) fn figures(detail: &SerialDetail, by_bit: Option<Figure>) -> Vec<Option<Figure>> {
    vec![by_bit, speeds(&detail.speeds), turnaround(&detail.turnaround)]
}

/// Every speed that the port took, by the share of the line speed that was reached.
fn speeds(trials: &[FormatTrial]) -> Option<Figure> {
    let taken: Vec<(u32, &FormatTrial)> =
        trials.iter().filter_map(|trial| Some((trial.taken?.bits_per_second, trial))).collect();
    if taken.is_empty() {
        return None;
    }
    // A trial whose pace was not measured is drawn whole: whether it was clean is what counts.
    let share = |trial: &FormatTrial| trial.share_of_line.map_or(100.0, |share| 100.0 * share);
    let columns: Vec<_> = taken
        .iter()
        .enumerate()
        .map(|(i, (_, trial))| match trial.is_clean() {
            true => column_at(i, taken.len(), share(trial), 0.0),
            false => column_at(i, taken.len(), 0.0, share(trial)),
        })
        .collect();
    let title = "Speeds tried";
    let summary = "The share of the line speed that was reached, in percent. A clean speed brought every byte back.";
    let plot = Columns {
        id: "speeds",
        width: HALF,
        title,
        summary,
        x: Scale::Linear { low: 0.0, high: taken.len() as f64 },
        x_title: "speed, thousand bits a second",
        x_marks: named_columns(taken.iter().enumerate().map(|(i, (speed, _))| {
            // So many names do not fit side by side.
            if taken.len() > NAMES_MAX && i % 3 != 0 { String::new() } else { (f64::from(*speed) / 1000.0).to_string() }
        })),
        y: Scale::for_heights(columns.iter().map(|c| c.solid + c.hatched)),
        y_title: "% of the line speed",
        columns,
        ..Columns::default()
    };
    Some(plot.figure(
        vec![("solid", "clean"), ("hatched", "bytes lost, extra or wrong")],
        Table::new(
            vec!["bits a second", "sent", "failed", "% of the line speed"],
            taken.iter().map(|(speed, trial)| {
                vec![
                    figure::count((*speed).into()),
                    figure::count(trial.counts.sent),
                    figure::count(trial.counts.failed()),
                    trial.share_of_line.map_or("-".into(), |share| format!("{:.1}", 100.0 * share)),
                ]
            }),
        ),
    ))
}

/// Half of the trips of each block size, split into the bytes' own time on the line and what comes on top.
fn turnaround(trips: &[Turnaround]) -> Option<Figure> {
    let rows: Vec<(String, f64, f64)> = trips
        .iter()
        .filter_map(|t| {
            let ms = |ns: u64| ns as f64 / 1e6;
            let on_line = t.line_ns.unwrap_or(0);
            let name = format!("{}{}", t.block_bytes, if t.low_latency { "*" } else { "" });
            Some((name, ms(on_line), ms(t.p50_ns?.saturating_sub(on_line))))
        })
        .collect();
    if rows.is_empty() {
        return None;
    }
    let columns: Vec<_> =
        rows.iter().enumerate().map(|(i, (_, solid, hatched))| column_at(i, rows.len(), *solid, *hatched)).collect();
    let title = "Turnaround";
    let summary = "Time until the last byte of a block is back; half of the trips took no longer. With *: the \
        driver's setting for low latency.";
    let plot = Columns {
        id: "turnaround",
        width: HALF,
        title,
        summary,
        x: Scale::Linear { low: 0.0, high: rows.len() as f64 },
        x_title: "bytes sent together",
        x_marks: named_columns(rows.iter().map(|(name, ..)| name.clone())),
        y: Scale::for_heights(columns.iter().map(|c| c.solid + c.hatched)),
        y_title: "ms",
        columns,
        ..Columns::default()
    };
    Some(
        plot.figure(
            vec![("solid", "on the line"), ("hatched", "in chip, driver and program")],
            Table::new(
                vec!["bytes", "on the line, ms", "beside it, ms"],
                rows.iter()
                    .map(|(name, on_line, beside)| vec![name.clone(), format!("{on_line:.3}"), format!("{beside:.3}")]),
            ),
        ),
    )
}

/// More names than these are thinned out under a plot of half a page.
const NAMES_MAX: usize = 7;
