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
            is_wide: false,
            table,
        }
    }
}

/// A row is a line of words, and the interval below them: so a telephone shows it as large as a desk does.
const ROW: f64 = 32.0;
const TOP: f64 = 24.0;
const BOTTOM: f64 = 38.0;
const SIDE: f64 = 16.0;
const LABEL_MAX: usize = 24;

/// Draws the rows. On a scale by factors, which has no 0, an interval that reaches down to 0 runs out at the left with
/// an arrow.
pub fn draw(plot: &Rows) -> String {
    let (left, right) = (SIDE, HALF - SIDE);
    let bottom = TOP + ROW * plot.rows.len() as f64;
    let height = bottom + BOTTOM;
    let mut svg = Svg::new(plot.id, HALF, height);
    let x = |value: f64| left + plot.x.at(value) * (right - left);
    for tick in plot.x.ticks(4) {
        svg.line("grid", (x(tick), TOP), (x(tick), bottom));
        svg.text("", Anchor::Middle, (x(tick), bottom + 15.0), &(plot.written)(tick));
    }
    svg.line("axis", (left, bottom), (right, bottom));
    for (number, row) in plot.rows.iter().enumerate() {
        let top = TOP + ROW * number as f64;
        let (words, y) = (top + 13.0, top + 22.0);
        svg.text("halo", Anchor::Start, (2.0, words), &shortened(&row.label, LABEL_MAX));
        svg.text("halo strong", Anchor::End, (HALF - 2.0, words), &shortened(&row.word, LABEL_MAX));
        let Some([lower, middle, upper]) = row.interval else {
            svg.text("title", Anchor::Start, (left, y + 5.0), "not measured");
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
