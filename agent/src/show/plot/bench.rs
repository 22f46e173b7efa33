//! The plots of cards and lots.

use turnback_core::{
    bench::{
        facts::{Facts, LoadFacts},
        findings::least_mbps,
        procedure::TestName,
    },
    document::{
        card_test::CardTest,
        lot::{Distribution, Lot},
    },
};

use super::{
    Figure, Table,
    columns::{Column, Columns, HALF, column_at, named_columns},
    scale::{Scale, short},
};

/// Temperature and throughput of a card under load.
pub fn card(test: &CardTest) -> Vec<Figure> {
    let load = match test.last(TestName::Load).and_then(|attempt| attempt.facts.as_ref()) {
        Some(Facts::Load(load)) => load,
        _ => return Vec::new(),
    };
    let limits = test.procedure.load.clone().unwrap_or_default();
    let warmth: Vec<(f64, f64)> = load.samples.iter().filter_map(|s| Some((s.at_s, s.celsius?))).collect();
    let rate: Vec<(f64, f64)> = load.samples.iter().map(|sample| (sample.at_s, sample.mbps)).collect();
    let least = least_mbps(load, &limits);
    [
        over_time(
            load,
            "warmth",
            "Temperature under load",
            "degrees C",
            Bound::AtMost(limits.temperature_max_c),
            &warmth,
        ),
        over_time(load, "rate", "Throughput of all ports", "Mb/s", Bound::AtLeast(least), &rate),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// What a value is asked to keep.
#[derive(Clone, Copy)]
enum Bound {
    AtMost(f64),
    AtLeast(f64),
}

fn over_time(
    load: &LoadFacts,
    id: &'static str,
    title: &str,
    unit: &'static str,
    bound: Bound,
    values: &[(f64, f64)],
) -> Option<Figure> {
    let end = load.samples.last()?.at_s;
    let most = values.iter().map(|(_, value)| *value).max_by(f64::total_cmp)?;
    let step = end / load.samples.len() as f64;
    let column = |(at, value): &(f64, f64)| Column { from: at - step, to: *at, solid: *value, hatched: 0.0 };
    let least = values.iter().map(|(_, value)| *value).min_by(f64::total_cmp)?;
    let (limit, summary) = match bound {
        Bound::AtMost(limit) => {
            (limit, format!("The highest value is {most:.0} {unit}; at most {limit:.0} {unit} is allowed."))
        }
        Bound::AtLeast(limit) => {
            (limit, format!("The lowest value is {least:.0} {unit}; at least {limit:.0} {unit} is asked."))
        }
    };
    let x = Scale::Linear { low: 0.0, high: end };
    let plot = Columns {
        id,
        width: HALF,
        title,
        summary: &summary,
        x,
        x_title: "seconds",
        x_marks: x.ticks(5).into_iter().map(|tick| (tick, short(tick))).collect(),
        y: Scale::Linear { low: 0.0, high: most.max(limit) * 1.05 },
        y_title: unit,
        columns: values.iter().map(column).collect(),
        ..Columns::default()
    };
    let rows = values.iter().map(|(at, value)| vec![format!("{at:.0}"), format!("{value:.1}")]);
    let table = Table::new(vec!["seconds", unit], rows);
    Some(plot.figure(Vec::new(), table))
}

/// Reasons by frequency, measured values card by card, and the operating characteristic of a sampled lot.
pub fn lot(lot: &Lot) -> Vec<Figure> {
    let mut figures: Vec<Figure> = reasons(lot).into_iter().collect();
    let ids = ["spread-link", "spread-warmth", "spread-rate"];
    figures.extend(ids.into_iter().zip(&lot.summary.figures).map(|(id, spread)| distribution(id, spread)));
    figures.extend(operating_characteristic(lot));
    figures
}

fn reasons(lot: &Lot) -> Option<Figure> {
    let reasons = &lot.summary.reasons;
    let most = f64::from(reasons.first()?.cards);
    let summary = match reasons.get(1) {
        Some(second) if second.cards == reasons[0].cards => {
            format!("No reason counts more than {most:.0} of the cards.")
        }
        _ => format!("{} is the most frequent reason.", reasons[0].rule),
    };
    let names = reasons.iter().map(|reason| reason.rule.to_string().trim_start_matches("card-").to_owned());
    let plot = Columns {
        id: "reasons",
        width: WIDE,
        title: "Reasons against cards",
        summary: &summary,
        x: Scale::Linear { low: 0.0, high: reasons.len() as f64 },
        x_title: "rule",
        x_marks: named_columns(names),
        y: Scale::Linear { low: 0.0, high: most * 1.05 },
        y_title: "cards",
        is_counted: true,
        columns: reasons
            .iter()
            .enumerate()
            .map(|(at, reason)| column_at(at, reasons.len(), f64::from(reason.cards), 0.0))
            .collect(),
        ..Columns::default()
    };
    let rows = reasons.iter().map(|reason| vec![reason.rule.to_string(), reason.cards.to_string()]);
    Some(plot.figure(Vec::new(), Table::new(vec!["rule", "cards"], rows)))
}

/// Width of a plot as wide as the page.
const WIDE: f64 = 740.0;

fn distribution(id: &'static str, spread: &Distribution) -> Figure {
    let most = spread.cards.iter().map(|spot| spot.value).max_by(f64::total_cmp).unwrap_or(1.0);
    let far: Vec<&str> = spread.cards.iter().filter(|spot| spot.is_outlier).map(|spot| spot.card.as_str()).collect();
    let far =
        if far.is_empty() { "none is far from the others".to_owned() } else { format!("far off: {}", far.join(", ")) };
    let title = format!("{} of each card", capitalised(&spread.name));
    let summary = format!("The median is {:.1} {}; {far}.", spread.median, spread.unit);
    let column = |(at, spot): (usize, &turnback_core::document::lot::Spot)| {
        let (solid, hatched) = if spot.is_outlier { (0.0, spot.value) } else { (spot.value, 0.0) };
        Column { from: at as f64 + 0.15, to: at as f64 + 0.85, solid, hatched }
    };
    // A card without a figure has no column, so columns are known by the numbers in the labels and not by counting.
    let every = spread.cards.len().div_ceil(MARKS_MAX).max(1);
    let marks = spread.cards.iter().enumerate().step_by(every);
    let plot = Columns {
        id,
        width: HALF,
        title: &title,
        summary: &summary,
        x: Scale::Linear { low: 0.0, high: spread.cards.len() as f64 },
        x_title: "cards, by the numbers in their labels",
        x_marks: marks.map(|(at, spot)| (at as f64 + 0.5, number(&spot.card).to_owned())).collect(),
        y: Scale::Linear { low: 0.0, high: most * 1.05 },
        y_title: &spread.unit,
        columns: spread.cards.iter().enumerate().map(column).collect(),
        ..Columns::default()
    };
    let rows = spread.cards.iter().map(|spot| {
        vec![spot.card.clone(), format!("{:.2}", spot.value), if spot.is_outlier { "far off" } else { "" }.to_owned()]
    });
    let table = Table::new(vec!["card", "value", "note"], rows);
    let legend = vec![("solid", "like the others"), ("hatched", "far off")];
    plot.figure(legend, table)
}

/// The number at the end of a card's label; the whole label where it has none.
fn number(label: &str) -> &str {
    let number = label.rsplit(|c: char| !c.is_ascii_digit()).next().unwrap_or_default();
    if number.is_empty() { label } else { number }
}

/// As many numbers as fit below the columns.
const MARKS_MAX: usize = 16;

fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

fn operating_characteristic(lot: &Lot) -> Option<Figure> {
    let plan = &lot.sampling.as_ref()?.plan;
    let curve = plan.curve(40);
    let (last, _) = *curve.last()?;
    let step = curve.get(1).map_or(1, |(faulty, _)| *faulty);
    let title = "Operating characteristic of the sampling plan";
    let (faulty, risk) = plan.consumers_point(0.1);
    let summary = format!(
        "A lot at the AQL is rejected with probability {:.3}; one with {faulty} faulty is accepted with {risk:.3}.",
        plan.producers_risk()
    );
    let half = f64::from(step) * 0.4;
    let column = |(faulty, accepted): &(u32, f64)| {
        let at = f64::from(*faulty);
        Column { from: at - half, to: at + half, solid: *accepted, hatched: 0.0 }
    };
    let x = Scale::Linear { low: -half, high: f64::from(last) + half };
    let plot = Columns {
        id: "characteristic",
        width: HALF,
        title,
        summary: &summary,
        x,
        x_title: "faulty cards in the lot",
        x_marks: x.ticks(6).into_iter().filter(|tick| *tick >= 0.0).map(|tick| (tick, short(tick))).collect(),
        y: Scale::Linear { low: 0.0, high: 1.0 },
        y_title: "probability of acceptance",
        columns: curve.iter().map(column).collect(),
        ..Columns::default()
    };
    let rows = curve.iter().map(|(faulty, accepted)| vec![faulty.to_string(), format!("{accepted:.4}")]);
    let table = Table::new(vec!["faulty", "accepted with"], rows);
    Some(plot.figure(Vec::new(), table))
}
