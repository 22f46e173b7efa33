//! Ratios with their intervals in rows under each other, against a limit.

use turnback_core::series::PlacedRatio;

use super::scale::{Scale, power};
use super::svg::{Anchor, Svg, shortened};

const ROW: f64 = 26.0;
const LEFT: f64 = 150.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 24.0;
const BOTTOM: f64 = 36.0;

/// Draws the rows on an axis by factors that holds every bound and the limit. A ratio whose lower bound is 0 runs out at the
/// left with an arrow, since such an axis has no 0.
pub fn draw(
    id: &'static str,
    width: f64,
    (title, summary): (&str, &str),
    rows: &[PlacedRatio],
    limit: Option<f64>,
) -> String {
    let height = TOP + ROW * rows.len() as f64 + BOTTOM;
    let mut svg = Svg::new(id, width, height);
    let above_zero =
        || rows.iter().flat_map(|r| [r.lower, r.estimate, r.upper]).chain(limit).filter(|v| *v > 0.0 && v.is_finite());
    let least = above_zero().fold(f64::INFINITY, f64::min);
    let most = above_zero().fold(0.0, f64::max);
    let (low, high) = if most > 0.0 {
        (10_f64.powf((least / 2.0).log10().floor()), 10_f64.powf((most * 1.2).log10().ceil()).min(1.0))
    } else {
        (0.1, 1.0)
    };
    let scale = Scale::Logarithmic { low, high: high.max(low * 10.0) };
    let x = |value: f64| LEFT + scale.at(value) * (width - LEFT - RIGHT);
    let bottom = height - BOTTOM;
    for tick in scale.ticks(if width > 500.0 { 9 } else { 4 }) {
        svg.line("grid", (x(tick), TOP), (x(tick), bottom));
        svg.text("", Anchor::Middle, (x(tick), bottom + 15.0), &power(tick));
    }
    svg.line("axis", (LEFT, bottom), (width - RIGHT, bottom));
    for (number, row) in rows.iter().enumerate() {
        let y = TOP + ROW * (number as f64 + 0.5);
        svg.text("", Anchor::End, (LEFT - 8.0, y + 4.0), &shortened(&row.place, 21));
        let (from, to) = (if row.lower > 0.0 { x(row.lower) } else { LEFT + 1.0 }, x(row.upper));
        svg.line("line", (from, y), (to, y));
        svg.line("line", (to, y - 5.0), (to, y + 5.0));
        if row.lower > 0.0 {
            svg.line("line", (from, y - 5.0), (from, y + 5.0));
        } else {
            svg.path("line", &format!("M{0} {1}L{2} {3}L{0} {4}", LEFT + 7.0, y - 5.0, LEFT + 1.0, y, y + 5.0));
        }
        if row.estimate > 0.0 {
            svg.circle("dot", (x(row.estimate), y), 4.0);
        }
    }
    if let Some(limit) = limit.filter(|l| *l > 0.0) {
        svg.line("mark", (x(limit), TOP - 6.0), (x(limit), bottom));
        svg.text("", Anchor::Middle, (x(limit), TOP - 10.0), "limit");
    }
    svg.text(
        "title",
        Anchor::Middle,
        (LEFT + (width - LEFT - RIGHT) / 2.0, height - 5.0),
        "bit error ratio (by factors)",
    );
    svg.finish(title, summary)
}
