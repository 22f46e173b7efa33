//! One figure of many runs over time, each a dot, with the limit that they are held against.

use super::scale::Scale;
use super::svg::{Anchor, Svg};

/// How a run is drawn: its shape tells what it found without colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// It passed: a full dot.
    Full,
    /// It passed and counted no error: a wedge that points down from the highest value that fits.
    Below,
    /// It found a fault: a cross.
    Cross,
    /// It decided nothing: a hollow dot.
    Hollow,
}

/// One run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dot {
    /// Its time on the axis.
    pub at: f64,
    /// Its figure.
    pub value: f64,
    /// How it is drawn.
    pub shape: Shape,
}

/// What to draw.
#[derive(Debug)]
pub struct Series<'a> {
    /// Unique on the page.
    pub id: &'static str,
    /// What is drawn.
    pub title: &'a str,
    /// What is to be seen.
    pub summary: &'a str,
    /// Along the bottom.
    pub x: Scale,
    /// Marks along the bottom with their words.
    pub x_marks: &'a [(f64, String)],
    /// Upwards.
    pub y: Scale,
    /// Its title, with unit.
    pub y_title: &'a str,
    /// How a number beside the upward axis is written.
    pub written: fn(f64) -> String,
    /// The runs, in any order.
    pub dots: &'a [Dot],
    /// A level that must not be passed, with its word.
    pub limit: Option<(f64, &'a str)>,
}

const WIDTH: f64 = 420.0;
const HEIGHT: f64 = 170.0;
const LEFT: f64 = 70.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 26.0;
const BOTTOM: f64 = 26.0;

/// Draws it.
pub fn draw(plot: &Series) -> String {
    let mut svg = Svg::new(plot.id, WIDTH, HEIGHT).in_class("plot series");
    let base = HEIGHT - BOTTOM;
    let x = |value: f64| LEFT + 8.0 + plot.x.at(value) * (WIDTH - LEFT - RIGHT - 16.0);
    let y = |value: f64| base - plot.y.at(value) * (base - TOP);
    for tick in plot.y.ticks(4) {
        svg.line("grid", (LEFT, y(tick)), (WIDTH - RIGHT, y(tick)));
        svg.text("", Anchor::End, (LEFT - 5.0, y(tick) + 4.0), &(plot.written)(tick));
    }
    svg.line("axis", (LEFT, base), (WIDTH - RIGHT, base));
    for (value, word) in plot.x_marks {
        svg.line("axis", (x(*value), base), (x(*value), base + 4.0));
        svg.text("", Anchor::Middle, (x(*value), base + 18.0), word);
    }
    if let Some((value, word)) = plot.limit {
        svg.line("mark", (LEFT, y(value)), (WIDTH - RIGHT, y(value)));
        svg.text("halo strong", Anchor::End, (WIDTH - RIGHT, y(value) - 4.0), word);
    }
    for dot in plot.dots {
        let (x, y) = (x(dot.at), y(dot.value));
        match dot.shape {
            Shape::Full => svg.circle("dot", (x, y), 3.0),
            Shape::Hollow => svg.circle("hollow", (x, y), 3.5),
            Shape::Below => svg.path("dot", &format!("M{0:.1} {1:.1}h7l-3.5 6z", x - 3.5, y)),
            Shape::Cross => svg.path("thick", &format!("M{0:.1} {1:.1}l8 8m0 -8l-8 8", x - 4.0, y - 4.0)),
        }
    }
    svg.text("title", Anchor::Start, (2.0, 12.0), plot.y_title);
    svg.finish(plot.title, plot.summary)
}

/// A scale that just holds these values, `more` among them: no room is given to where nothing is.
pub fn fitted(values: impl IntoIterator<Item = f64>, more: Option<f64>) -> Scale {
    let (low, high) = bounds(values.into_iter().chain(more));
    // One in a hundred, at least: the last digit of a steady figure is no movement.
    let room = ((high - low) * 0.1).max(high.abs() * 0.01).max(f64::MIN_POSITIVE);
    Scale::Linear { low: (low - room).max(0.0), high: high + room }
}

/// The same by factors of ten, for values above 0.
pub fn fitted_by_factors(values: impl IntoIterator<Item = f64>, more: Option<f64>) -> Scale {
    let (low, high) = bounds(values.into_iter().chain(more).filter(|value| *value > 0.0));
    Scale::Logarithmic { low: low / 2.0, high: (high * 2.0).max(low * 20.0) }
}

fn bounds(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let (low, high) = values
        .filter(|value| value.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
    if low > high { (1.0, 1.0) } else { (low, high) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Where the dots stand, from the drawing.
    fn heights(svg: &str) -> Vec<f64> {
        let of = |text: &str| text.split_once("cy=\"").unwrap().1.split_once('"').unwrap().0.parse().unwrap();
        svg.split("<circle").skip(1).map(of).collect()
    }

    #[test]
    fn a_higher_value_stands_higher_and_the_limit_between_is_between() {
        let dot = |at, value| Dot { at, value, shape: Shape::Full };
        let dots = [dot(0.0, 1e-9), dot(1.0, 1e-6)];
        let svg = draw(&Series {
            id: "t",
            title: "",
            summary: "",
            x: Scale::Linear { low: 0.0, high: 1.0 },
            x_marks: &[],
            y: fitted_by_factors(dots.iter().map(|d| d.value), Some(1e-7)),
            y_title: "",
            written: super::super::scale::short,
            dots: &dots,
            limit: Some((1e-7, "limit")),
        });
        let heights = heights(&svg);
        let limit = svg.split_once(&format!("class=\"mark\" d=\"M{LEFT} ")).unwrap().1.split_once('L').unwrap().0;
        let limit: f64 = limit.parse().unwrap();
        assert!(heights[1] < limit && limit < heights[0], "{heights:?} {limit}");
    }

    #[test]
    fn an_axis_holds_what_it_must_and_little_more() {
        let Scale::Linear { low, high } = fitted([200.0, 210.0], None) else { panic!("not even") };
        assert!(low < 200.0 && low > 190.0 && high > 210.0 && high < 220.0, "{low} {high}");
        let Scale::Logarithmic { low, high } = fitted_by_factors([0.0, 1e-9], Some(1e-7)) else { panic!("even") };
        assert!(low < 1e-9 && low > 1e-10 && high > 1e-7 && high < 1e-6, "{low} {high}");
        assert_eq!(fitted([], None).at(1.0), 0.5, "without values there is still an axis");
    }
}
