//! Values with their intervals in rows under each other: stages of a case, places of a run.

use super::columns::HALF;
use super::scale::Scale;
use super::svg::{Anchor, Svg, shortened};
use super::{Figure, Table};

/// One row.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Row {
    /// What was measured.
    pub label: String,
    /// Lower end, middle and upper end; none when nothing was measured.
    pub interval: Option<[f64; 3]>,
    /// What follows from it, in a word or two; may be empty.
    pub word: String,
}

/// What to draw.
#[derive(Debug)]
pub struct Rows<'a> {
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
    /// How its values are written.
    pub written: fn(f64) -> String,
    /// The rows from top to bottom.
    pub rows: &'a [Row],
    /// A value to point out, and its word.
    pub pointer: Option<(f64, &'a str)>,
}

impl Rows<'_> {
    /// Drawn, with the figures behind it.
    pub fn figure(&self, table: Table) -> Figure {
        Figure {
            id: self.id,
            title: self.title.to_owned(),
            summary: self.summary.to_owned(),
            legend: Vec::new(),
            svg: draw(self),
            is_wide: self.width > HALF,
            table,
        }
    }
}

const ROW: f64 = 21.0;
const TOP: f64 = 22.0;
const BOTTOM: f64 = 34.0;
/// Width of a character.
const CHARACTER: f64 = 6.7;
const LABEL_MAX: usize = 24;

/// Draws the rows. On a scale by factors, which has no 0, an interval that reaches down to 0 runs out at the left with
/// an arrow.
pub fn draw(plot: &Rows) -> String {
    let longest = |texts: &mut dyn Iterator<Item = &String>| texts.map(|t| t.chars().count()).max().unwrap_or(0);
    let labels = longest(&mut plot.rows.iter().map(|r| &r.label)).min(LABEL_MAX);
    let words = longest(&mut plot.rows.iter().map(|r| &r.word)).min(LABEL_MAX);
    let left = labels as f64 * CHARACTER + 14.0;
    let right = plot.width - 16.0 - words as f64 * CHARACTER;
    let bottom = TOP + ROW * plot.rows.len() as f64;
    let height = bottom + BOTTOM;
    let mut svg = Svg::new(plot.id, plot.width, height);
    let x = |value: f64| left + plot.x.at(value) * (right - left);
    for tick in plot.x.ticks(if plot.width > 500.0 { 7 } else { 3 }) {
        svg.line("grid", (x(tick), TOP), (x(tick), bottom));
        svg.text("", Anchor::Middle, (x(tick), bottom + 14.0), &(plot.written)(tick));
    }
    svg.line("axis", (left, bottom), (right, bottom));
    for (number, row) in plot.rows.iter().enumerate() {
        let y = TOP + ROW * (number as f64 + 0.5);
        svg.text("", Anchor::End, (left - 8.0, y + 4.0), &shortened(&row.label, LABEL_MAX));
        svg.text("strong", Anchor::Start, (right + 10.0, y + 4.0), &shortened(&row.word, LABEL_MAX));
        let Some([lower, middle, upper]) = row.interval else {
            svg.text("title", Anchor::Start, (left + 8.0, y + 4.0), "not measured");
            continue;
        };
        let runs_out = plot.x.is_logarithmic() && lower <= 0.0;
        let (from, to) = (if runs_out { left + 1.0 } else { x(lower) }, x(upper));
        svg.line("line", (from, y), (to, y));
        svg.line("line", (to, y - 5.0), (to, y + 5.0));
        if runs_out {
            svg.path("line", &format!("M{0} {1}L{2} {3}L{0} {4}", left + 7.0, y - 5.0, left + 1.0, y, y + 5.0));
        } else {
            svg.line("line", (from, y - 5.0), (from, y + 5.0));
        }
        if middle > 0.0 {
            svg.circle("dot", (x(middle), y), 3.6);
        }
    }
    if let Some((value, word)) = plot.pointer {
        svg.line("mark", (x(value), TOP - 6.0), (x(value), bottom));
        svg.text("", Anchor::Middle, (x(value), TOP - 10.0), word);
    }
    svg.text("title", Anchor::Middle, ((left + right) / 2.0, height - 4.0), plot.x_title);
    svg.finish(plot.title, plot.summary)
}

/// A scale by factors, in whole powers of ten, that holds every value above 0.
pub fn scale_around(values: impl IntoIterator<Item = f64>) -> Scale {
    let (least, most) = values
        .into_iter()
        .filter(|v| *v > 0.0 && v.is_finite())
        .fold((f64::INFINITY, 0.0_f64), |(least, most), v| (least.min(v), most.max(v)));
    if most == 0.0 {
        return Scale::Logarithmic { low: 0.1, high: 1.0 };
    }
    let low = 10_f64.powf((least / 2.0).log10().floor());
    Scale::Logarithmic { low, high: 10_f64.powf((most * 1.2).log10().ceil()).min(1.0).max(low * 10.0) }
}

/// How to read intervals of ratios.
pub const RATIOS_SUMMARY: &str = "A point is the likeliest ratio, the line its interval; an arrow: the interval \
    reaches down to 0. Left of the limit is good.";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scale_holds_every_value_and_no_zero() {
        let scale = scale_around([0.0, 3e-9, 2e-6, 1e-7]);
        assert_eq!(scale, Scale::Logarithmic { low: 1e-9, high: 1e-5 });
        assert_eq!(scale_around([0.0]), Scale::Logarithmic { low: 0.1, high: 1.0 });
        assert_eq!(scale_around([0.9]), Scale::Logarithmic { low: 0.1, high: 1.0 });
    }

    #[test]
    fn a_stage_without_figures_says_so() {
        let rows = [
            Row { label: "at-port".into(), interval: Some([0.0, 0.0, 1e-9]), word: "passes".into() },
            Row { label: "far-end:duct".into(), interval: None, word: "fails".into() },
        ];
        let svg = draw(&Rows {
            id: "t",
            width: 740.0,
            title: "",
            summary: "",
            x: scale_around([1e-9, 1e-7]),
            x_title: "",
            written: super::super::scale::power,
            rows: &rows,
            pointer: Some((1e-7, "limit")),
        });
        for word in ["at-port", "passes", "far-end:duct", "not measured", "fails", "limit"] {
            assert!(svg.contains(word), "{word}");
        }
        assert!(!svg.contains("circle"), "a ratio of 0 has no place on a scale by factors: {svg}");
    }
}
