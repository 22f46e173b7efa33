//! Columns over an axis of numbers or of names: delays, seconds, frame sizes, bits.

use super::scale::{Scale, short};
use super::svg::{Anchor, Svg};
use super::{Figure, Table};

/// One column. Where both parts are given, the shaded one stands on the solid one, or hangs below the axis.
#[derive(Clone, Copy, Debug, Default)]
pub struct Column {
    /// Its left edge on the axis.
    pub from: f64,
    /// Its right edge.
    pub to: f64,
    /// Height of the solid part.
    pub solid: f64,
    /// Height of the shaded part.
    pub hatched: f64,
}

/// What to draw.
#[derive(Debug)]
pub struct Columns<'a> {
    /// Unique on the page.
    pub id: &'static str,
    /// In the drawing's units: 360 is half a page, 740 a page.
    pub width: f64,
    /// What is drawn.
    pub title: &'a str,
    /// What is to be seen.
    pub summary: &'a str,
    /// Along the bottom.
    pub x: Scale,
    /// Its title, with unit.
    pub x_title: &'a str,
    /// Marks along the bottom with their words.
    pub x_marks: Vec<(f64, String)>,
    /// Upwards.
    pub y: Scale,
    /// Its title, with unit.
    pub y_title: &'a str,
    /// Heights are whole numbers, and so are the marks beside them.
    pub is_counted: bool,
    /// The columns, from left to right.
    pub columns: Vec<Column>,
    /// The shaded parts hang below the axis, on a scale of the same size.
    pub is_mirrored: bool,
    /// Stretches without data, shaded behind the columns.
    pub gaps: Vec<(f64, f64)>,
    /// Values of the bottom axis to point out.
    pub pointers: Vec<(f64, String)>,
}

impl Default for Columns<'_> {
    fn default() -> Self {
        let unit = Scale::Linear { low: 0.0, high: 1.0 };
        Self {
            id: "",
            width: HALF,
            title: "",
            summary: "",
            x: unit,
            x_title: "",
            x_marks: Vec::new(),
            y: unit,
            y_title: "",
            is_counted: false,
            columns: Vec::new(),
            is_mirrored: false,
            gaps: Vec::new(),
            pointers: Vec::new(),
        }
    }
}

impl Columns<'_> {
    /// Drawn, with what its shadings mean and the figures behind it.
    pub fn figure(&self, legend: Vec<(&'static str, &'static str)>, table: Table) -> Figure {
        Figure {
            id: self.id,
            title: self.title.to_owned(),
            summary: self.summary.to_owned(),
            legend,
            svg: draw(self),
            is_wide: self.width > HALF,
            table,
        }
    }
}

/// Width of a character at the size that a telephone shows.
const CHARACTER: f64 = 8.4;
const LEFT: f64 = 42.0;
const RIGHT: f64 = 10.0;
const BOTTOM: f64 = 38.0;

/// Draws them.
pub fn draw(plot: &Columns) -> String {
    // Half a page wide stands two by two; a wide one may be flatter.
    let height_of_all = if plot.width > 500.0 { 130.0 } else { 152.0 };
    let mut svg = Svg::new(plot.id, plot.width, height_of_all);
    let x = |value: f64| LEFT + plot.x.at(value) * (plot.width - LEFT - RIGHT);
    // The title of the upward axis stands above it, and what is pointed out below that.
    let top = if plot.pointers.is_empty() { 20.0 } else { 34.0 };
    let full = height_of_all - top - BOTTOM;
    let rise = if plot.is_mirrored { full / 2.0 } else { full };
    let base = top + rise;
    let height = |value: f64| plot.y.at(value) * rise;

    for (from, to) in &plot.gaps {
        svg.rect("gap", (x(*from), top), (x(*to) - x(*from), full));
    }
    let ticks = plot.y.ticks(if plot.is_mirrored { 2 } else { 4 });
    for tick in ticks.into_iter().filter(|t| !plot.is_counted || t.fract() == 0.0) {
        let sides: &[f64] = if plot.is_mirrored && tick > 0.0 { &[-1.0, 1.0] } else { &[-1.0] };
        for side in sides {
            let y = base + side * height(tick);
            svg.line("grid", (LEFT, y), (plot.width - RIGHT, y));
            svg.text("", Anchor::End, (LEFT - 5.0, y + 3.5), &short(tick));
        }
    }
    for column in &plot.columns {
        let (left, right) = (x(column.from), x(column.to));
        // A sliver of paper between neighbours, while there is room for one.
        let gap = if right - left > 4.0 { 0.6 } else { 0.0 };
        let (left, wide) = (left + gap, (right - left - 2.0 * gap).max(0.5));
        let solid = height(column.solid);
        svg.rect("solid", (left, base - solid), (wide, solid));
        if plot.is_mirrored {
            svg.hatched((left, base), (wide, height(column.hatched)));
        } else if column.hatched > 0.0 {
            let whole = height(column.solid + column.hatched);
            svg.hatched((left, base - whole), (wide, whole - solid));
        }
    }
    svg.line("axis", (LEFT, base), (plot.width - RIGHT, base));
    svg.line("axis", (LEFT, top), (LEFT, top + full));
    for (value, word) in &plot.x_marks {
        svg.line("axis", (x(*value), top + full), (x(*value), top + full + 4.0));
        svg.text("", Anchor::Middle, (x(*value), top + full + 15.0), word);
    }
    let mut last = f64::NEG_INFINITY;
    for (value, word) in &plot.pointers {
        svg.line("mark", (x(*value), top - 2.0), (x(*value), top + full));
        // Words that would overlap the one before are left to the table.
        let half = word.chars().count() as f64 * CHARACTER / 2.0;
        let at = x(*value).clamp(LEFT + half, plot.width - RIGHT - half);
        if at - half > last {
            svg.text("", Anchor::Middle, (at, top - 6.0), word);
            last = at + half + 4.0;
        }
    }
    svg.text("title", Anchor::Middle, (LEFT + (plot.width - LEFT - RIGHT) / 2.0, height_of_all - 5.0), plot.x_title);
    let scale = if plot.y.is_logarithmic() { ", factors of ten" } else { "" };
    svg.text("title", Anchor::Start, (2.0, 10.0), &format!("{}{scale}", plot.y_title));
    svg.finish(plot.title, plot.summary)
}

/// Width of a plot that takes half of the page.
pub const HALF: f64 = 360.0;

/// Columns over names instead of numbers, one place for each.
pub fn named_columns(names: impl IntoIterator<Item = String>) -> Vec<(f64, String)> {
    names.into_iter().enumerate().map(|(i, name)| (i as f64 + 0.5, name)).collect()
}

/// The column of one of `of` names; one or two columns are not blown up to fill the width.
pub fn column_at(number: usize, of: usize, solid: f64, hatched: f64) -> Column {
    let (middle, half) = (number as f64 + 0.5, (of as f64 * 0.08).min(0.32));
    Column { from: middle - half, to: middle + half, solid, hatched }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A wrong height is a lie in print: half the value is half the column.
    #[test]
    fn heights_follow_the_values() {
        let column = |from: f64, solid| Column { from, to: from + 1.0, solid, hatched: 0.0 };
        let svg = draw(&Columns {
            id: "t",
            width: 360.0,
            title: "",
            summary: "",
            x: Scale::Linear { low: 0.0, high: 3.0 },
            x_title: "",
            x_marks: Vec::new(),
            y: Scale::Linear { low: 0.0, high: 10.0 },
            y_title: "",
            is_counted: true,
            columns: vec![column(0.0, 10.0), column(1.0, 5.0), column(2.0, 0.0)],
            is_mirrored: false,
            gaps: Vec::new(),
            pointers: Vec::new(),
        });
        let heights: Vec<f64> = svg
            .split("<rect class=\"solid\"")
            .skip(1)
            .map(|rect| rect.split_once("height=\"").unwrap().1.split_once('"').unwrap().0.parse().unwrap())
            .collect();
        assert_eq!(heights.len(), 2, "nothing is drawn for 0: {svg}");
        assert!((heights[0] - 2.0 * heights[1]).abs() < 0.02, "{heights:?}");
    }
}
