//! The way of the signal from this computer to the plug, with what is suspected marked.

use super::svg::{Anchor, Svg, shortened};

/// One thing on the way.
#[derive(Clone, Debug, Default, PartialEq)]
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

/// The way of the signal, drawn and in words.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Way {
    /// One `svg` element.
    pub svg: String,
    /// The same in a sentence, where the drawing is too small to be read.
    pub words: String,
}

const WIDTH: f64 = 740.0;
const HEIGHT: f64 = 76.0;
const MIDDLE: f64 = 34.0;
const BOX_HEIGHT: f64 = 32.0;
/// Between neighbours.
const JOINT: f64 = 16.0;
/// For the arrow back.
const LOOP: f64 = 24.0;
/// Width of a character.
const CHARACTER: f64 = 6.7;

/// Draws the places from left to right. Suspects are shaded and named, so that no colour is needed.
pub fn draw(id: &'static str, places: &[Place]) -> Way {
    let mut svg = Svg::new(id, WIDTH, HEIGHT);
    let suspects: Vec<_> = places.iter().filter(|p| p.is_suspect).collect();
    let cables = places.iter().filter(|p| p.is_cable).count() as f64;
    let boxes = places.len() as f64 - cables;
    let room = WIDTH - LOOP - 4.0 - JOINT * (places.len() as f64 - 1.0);
    // Cables get what boxes leave; without cables the boxes share it all.
    let box_width = if cables > 0.0 { 104.0 } else { (room / boxes.max(1.0)).min(200.0) };
    let cable_length = (room - boxes * box_width) / cables.max(1.0);
    let mut x = 2.0;
    for (number, place) in places.iter().enumerate() {
        if number > 0 {
            svg.line("line", (x, MIDDLE), (x + JOINT, MIDDLE));
            x += JOINT;
        }
        let wide = if place.is_cable { cable_length } else { box_width };
        if place.is_cable {
            piece_of_cable(&mut svg, place, x, wide)
        } else {
            box_of(&mut svg, place, x, wide)
        }
        if place.is_suspect {
            svg.line("thick", (x, MIDDLE + 22.0), (x + wide, MIDDLE + 22.0));
            let word = if suspects.len() == 1 { "fault here" } else { "one of these" };
            // A narrow piece has no room for words; its mark is enough.
            if suspects.len() == 1 || wide > 12.0 * CHARACTER {
                svg.text("strong halo", Anchor::Middle, (x + wide / 2.0, MIDDLE + 37.0), word);
            }
        }
        x += wide;
        if place.turns_back {
            let (up, down) = (MIDDLE - 7.0, MIDDLE + 7.0);
            svg.path("line", &format!("M{x} {up}H{0}A7 7 0 0 1 {0} {down}H{1}", x + 9.0, x + 3.0));
            svg.path("line", &format!("M{0} {1}L{2} {down}L{0} {3}", x + 7.0, down - 4.0, x + 2.0, down + 4.0));
        }
    }
    let named = |places: &mut dyn Iterator<Item = &Place>, between: &str| {
        places.map(|p| format!("{} {}", p.kind, p.label).trim().to_owned()).collect::<Vec<_>>().join(between)
    };
    let suspected = match suspects.len() {
        0 => "nothing is suspected".into(),
        _ => format!("suspected: {}", named(&mut suspects.iter().copied(), " or ")),
    };
    let words = format!("{}; {suspected}.", named(&mut places.iter(), ", "));
    Way { svg: svg.finish("The way of the signal", &words), words }
}

fn box_of(svg: &mut Svg, place: &Place, x: f64, wide: f64) {
    let corner = (x, MIDDLE - BOX_HEIGHT / 2.0);
    svg.rect("hollow", corner, (wide, BOX_HEIGHT));
    if place.is_suspect {
        svg.hatched(corner, (wide, BOX_HEIGHT));
    }
    let label = shortened(&place.label, characters(wide - 6.0));
    let lines: &[(&str, f64)] =
        if label.is_empty() { &[(place.kind, 4.0)] } else { &[(place.kind, -2.5), (label.as_str(), 10.0)] };
    for (text, down) in lines {
        svg.text("halo", Anchor::Middle, (x + wide / 2.0, MIDDLE + down), text);
    }
}

fn piece_of_cable(svg: &mut Svg, place: &Place, x: f64, long: f64) {
    if place.is_suspect {
        svg.hatched((x, MIDDLE - 6.0), (long, 12.0));
    } else {
        svg.rect("hollow", (x, MIDDLE - 3.0), (long, 6.0));
    }
    let whole = format!("{} {}", place.kind, place.label);
    let name = if whole.chars().count() <= characters(long) || place.label.is_empty() { &whole } else { &place.label };
    svg.text(
        "halo",
        Anchor::Middle,
        (x + long / 2.0, MIDDLE - 12.0),
        &shortened(name.trim(), characters(long + JOINT)),
    );
}

fn characters(width: f64) -> usize {
    (width / CHARACTER) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    fn places(cables: usize, suspect: usize) -> Vec<Place> {
        let mut places =
            vec![Place { kind: "computer", ..Place::default() }, Place { kind: "port", ..Place::default() }];
        places.extend((0..cables).map(|i| Place {
            kind: "segment",
            label: format!("Q-12-{i}"),
            is_cable: true,
            ..Place::default()
        }));
        places.push(Place { kind: "plug", turns_back: true, ..Place::default() });
        places[suspect].is_suspect = true;
        places
    }

    /// Right edges of everything drawn, from the numbers in the drawing.
    fn rightmost(svg: &str) -> f64 {
        let number = |text: &str, name: &str| {
            let rest = text.split_once(&format!(" {name}=\"")).unwrap().1;
            rest.split_once('"').unwrap().0.parse::<f64>().unwrap()
        };
        svg.split("<rect").skip(1).map(|rect| number(rect, "x") + number(rect, "width")).fold(0.0, f64::max)
    }

    #[test]
    fn any_number_of_segments_fits() {
        for cables in 0..=7 {
            let svg = draw("way", &places(cables, 1)).svg;
            assert!(rightmost(&svg) <= WIDTH - LOOP, "{cables}: {}", rightmost(&svg));
            assert!(svg.contains("fault here") && svg.contains("suspected: port."), "{svg}");
        }
    }

    #[test]
    fn a_suspect_is_told_without_colour() {
        let healthy = draw("way", &places(1, 2)[..2]).svg;
        assert!(!healthy.contains("hatch") && healthy.contains("nothing is suspected"), "{healthy}");
        assert!(draw("way", &places(1, 2)).svg.contains("url(#way-hatch)"));
    }
}
