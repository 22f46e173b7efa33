//! The way of the signal from this computer to the plug, with what is suspected marked.

use super::svg::{Anchor, Svg, shortened};

/// One thing on the way.
#[derive(Clone, Debug, PartialEq)]
pub struct Place {
    /// What it is: `port`, `cable`.
    pub kind: &'static str,
    /// What it is called, if anything.
    pub label: String,
    /// Drawn as a line and not as a box.
    pub is_cable: bool,
    /// The fault is here, or may be.
    pub is_suspect: bool,
    /// The signal is turned back here.
    pub turns_back: bool,
}

const WIDTH: f64 = 740.0;
const HEIGHT: f64 = 76.0;
const MIDDLE: f64 = 34.0;
const BOX: (f64, f64) = (104.0, 32.0);

/// Draws the places from left to right. Suspects are shaded and named, so that no colour is needed.
pub fn draw(id: &'static str, places: &[Place], description: &str) -> String {
    let mut svg = Svg::new(id, WIDTH, HEIGHT);
    let suspects = places.iter().filter(|p| p.is_suspect).count();
    let word = if suspects == 1 { "fault here" } else { "one of these" };
    let boxes = places.iter().filter(|p| !p.is_cable).count() as f64;
    let cables = places.iter().filter(|p| p.is_cable).count() as f64;
    // Boxes that touch are joined by a short piece; cables share what is left of the width.
    let joint = 16.0;
    let loop_room = 26.0;
    let joints = (places.len().saturating_sub(1)) as f64;
    let left_over = WIDTH - boxes * BOX.0 - joints * joint - loop_room - 4.0;
    let cable_length = if cables > 0.0 { (left_over / cables).clamp(30.0, 280.0) } else { 0.0 };
    let characters = |width: f64| (width / 6.7) as usize;
    let mut x = 2.0;
    for (number, place) in places.iter().enumerate() {
        if number > 0 {
            svg.line("line", (x, MIDDLE), (x + joint, MIDDLE));
            x += joint;
        }
        let wide = if place.is_cable { cable_length } else { BOX.0 };
        let centre = x + wide / 2.0;
        if place.is_cable {
            if place.is_suspect {
                svg.hatched((x, MIDDLE - 6.0), (wide, 12.0));
            } else {
                svg.rect("hollow", (x, MIDDLE - 3.0), (wide, 6.0));
            }
            svg.text("halo", Anchor::Middle, (centre, MIDDLE - 12.0), &shortened(&named(place), characters(wide)));
        } else {
            let top = MIDDLE - BOX.1 / 2.0;
            svg.rect("hollow", (x, top), BOX);
            if place.is_suspect {
                svg.hatched((x, top), BOX);
            }
            let label = shortened(&place.label, characters(wide - 4.0));
            let lines: &[(&str, f64)] =
                if label.is_empty() { &[(place.kind, 4.0)] } else { &[(place.kind, -2.5), (label.as_str(), 10.0)] };
            for (text, down) in lines {
                svg.text("halo", Anchor::Middle, (centre, MIDDLE + down), text);
            }
        }
        if place.is_suspect {
            svg.line("thick", (x, MIDDLE + 22.0), (x + wide, MIDDLE + 22.0));
            svg.text("strong halo", Anchor::Middle, (centre, MIDDLE + 37.0), word);
        }
        x += wide;
        if place.turns_back {
            let (up, down) = (MIDDLE - 7.0, MIDDLE + 7.0);
            svg.path("line", &format!("M{x} {up}H{0}A7 7 0 0 1 {0} {down}H{1}", x + 9.0, x + 3.0));
            svg.path("line", &format!("M{0} {1}L{2} {down}L{0} {3}", x + 7.0, down - 4.0, x + 2.0, down + 4.0));
        }
    }
    svg.finish("The way of the signal", description)
}

fn named(place: &Place) -> String {
    if place.label.is_empty() { place.kind.to_owned() } else { format!("{} {}", place.kind, place.label) }
}
