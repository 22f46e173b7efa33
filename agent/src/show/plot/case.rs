//! The plots of a case: its stages beside each other.

use turnback_core::{
    document::{
        case::Case,
        chart::{StageRatio, stage_ratios},
    },
    judge::Location,
};

use super::{
    Figure, Table,
    interval::{self, RATIOS_SUMMARY, Row, Rows},
    scale::{Scale, power, short},
    way::{self, Place, Way},
};
use crate::show::figure;

/// More rows than these are no picture; the latest are drawn.
const STAGES_MAX: usize = 24;

/// More segments than these have no room for their labels: the cable is drawn as one piece.
const SEGMENTS_MAX: usize = 7;

/// All plots that the case has figures for.
pub fn figures(case: &Case) -> Vec<Figure> {
    let all = stage_ratios(case);
    let stages = &all[all.len().saturating_sub(STAGES_MAX)..];
    [ratios(case, stages), trips(stages)].into_iter().flatten().collect()
}

/// The way of the signal through all segments, with what the verdict suspects.
pub fn signal_way(case: &Case) -> Way {
    let verdict = &case.verdict;
    let suspect = |location| verdict.location.contains(&location);
    let piece = |kind, label: &str, is_suspect| Place {
        kind,
        label: label.to_owned(),
        is_cable: true,
        is_suspect,
        turns_back: false,
    };
    let end = |kind, label: &str, location| Place { is_cable: false, ..piece(kind, label, suspect(location)) };
    let mut places = vec![end("computer", "", Location::Host), end("port", &case.port.name, Location::Port)];
    if case.segments.is_empty() || case.segments.len() > SEGMENTS_MAX {
        let label = verdict.segment.as_ref().map_or(case.cable.clone(), |s| format!("{}, segment {s}", case.cable));
        places.push(piece("cable", &label, suspect(Location::Cable)));
    } else {
        places.extend(case.segments.iter().map(|label| {
            let here = verdict.segment.as_ref().is_none_or(|segment| segment == label);
            piece("segment", label, here && suspect(Location::Cable))
        }));
    }
    places.push(Place { turns_back: true, ..end("plug", case.plug.as_deref().unwrap_or_default(), Location::Plug) });
    way::draw("way", &places)
}

fn ratios(case: &Case, stages: &[StageRatio]) -> Option<Figure> {
    let limit = stages.iter().find_map(|s| s.stage.result.as_ref()).map(|r| r.limit)?;
    let rows: Vec<_> = stages
        .iter()
        .map(|s| Row {
            label: s.label.clone(),
            interval: s.ratio.as_ref().map(|r| [r.lower, r.estimate, r.upper]),
            word: case.shows(s.stage).unwrap_or_default(),
        })
        .collect();
    let title = "Bit error ratio by stage, against the limit";
    let bounds = rows.iter().filter_map(|r| r.interval).flatten();
    let plot = Rows {
        id: "stages",
        title,
        summary: RATIOS_SUMMARY,
        x: interval::scale_around(bounds.chain([limit])),
        x_title: "bit error ratio, factors of ten",
        written: power,
        rows: &rows,
        pointer: Some((limit, "limit")),
    };
    Some(plot.figure(Table::new(
        vec!["stage", "failed", "tried", "ratio", "lower", "upper"],
        stages.iter().filter_map(|s| {
            let r = s.ratio.as_ref()?;
            let mut row = vec![s.label.clone(), figure::count(r.errors), figure::count(r.trials)];
            row.extend([r.estimate, r.lower, r.upper].map(figure::ratio));
            Some(row)
        }),
    )))
}

fn trips(stages: &[StageRatio]) -> Option<Figure> {
    let measured: Vec<_> = stages
        .iter()
        .filter_map(|s| {
            let trips = &s.stage.result.as_ref()?.latency_ns;
            Some((s.label.clone(), trips.clock.clone(), [trips.min?, trips.p50?, trips.p99?]))
        })
        .collect();
    if measured.len() < 2 {
        return None;
    }
    let most = measured.iter().map(|(_, _, [.., p99])| *p99).max()?;
    let (unit, unit_ns) = if most < 10_000 { ("ns", 1.0) } else { ("us", 1e3) };
    let rows: Vec<_> = measured
        .iter()
        .map(|(label, clock, trips)| Row {
            label: label.clone(),
            interval: Some(trips.map(|ns| ns as f64 / unit_ns)),
            word: format!("{clock} clock"),
        })
        .collect();
    let title = "Round trip of single frames by stage";
    // About 5 ns a metre each way: common practice, no source.
    let summary = "From the shortest trip, at the left end, to the 99 % point; the point is half. The left end grows \
        with the cable, about 10 ns a metre out and back; long frames take longer wherever the plug is.";
    let plot = Rows {
        id: "stage-trips",
        title,
        summary,
        x: Scale::Linear { low: 0.0, high: most as f64 / unit_ns * 1.02 },
        x_title: &format!("round trip, {unit}"),
        written: short,
        rows: &rows,
        pointer: None,
    };
    Some(plot.figure(Table::new(
        vec!["stage", "clock", "shortest, ns", "half, ns", "99 %, ns"],
        measured.iter().map(|(label, clock, trips)| {
            let mut row = vec![label.clone(), clock.clone()];
            row.extend(trips.map(figure::count));
            row
        }),
    )))
}
