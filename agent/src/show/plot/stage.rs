//! Where the plug goes for a stage of a case: a drawing from top to bottom, which a phone shows in full size.

use turnback_core::document::case::{Case, Spot, StageName};

use super::svg::{Anchor, Svg, shortened};

/// One thing on the way, from the computer outwards.
struct Stop {
    kind: &'static str,
    label: String,
    /// Drawn as a line and not as a box.
    is_cable: bool,
    part: Part,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Part {
    /// The signal goes through it.
    Used,
    /// It turns the signal back here.
    Turns,
    /// It stays apart.
    Apart,
}

/// The drawing of a stage, one `svg` element; it says the same in words.
pub fn draw(case: &Case, stage: &StageName) -> String {
    let stops = stops(case, stage);
    let named = |stop: &Stop| format!("{} {}", stop.kind, stop.label).trim().to_owned();
    let of = |part: Part| stops.iter().filter(|stop| stop.part == part).map(named).collect::<Vec<_>>().join(", ");
    let way: Vec<_> = stops.iter().filter(|stop| stop.part != Part::Apart).map(named).collect();
    let apart = Some(of(Part::Apart)).filter(|apart| !apart.is_empty());
    let words = format!("{}{}.", way.join(", then "), apart.map_or(String::new(), |apart| format!("; apart: {apart}")));
    let mut svg = Svg::new("where", WIDTH, stops.iter().map(|stop| height(stop) + JOINT).sum::<f64>() + TURN);
    let mut y = 2.0;
    for (number, stop) in stops.iter().enumerate() {
        let apart = stop.part == Part::Apart;
        if number > 0 && !apart {
            svg.line("line", (MIDDLE, y - JOINT), (MIDDLE, y));
        }
        let tall = height(stop);
        if stop.is_cable {
            let (kind, wide) = if apart { ("away", 6.0) } else { ("hollow", 8.0) };
            svg.rect(kind, (MIDDLE - wide / 2.0, y), (wide, tall));
            svg.text("halo", Anchor::Start, (MIDDLE + 16.0, y + tall / 2.0 + 5.0), &text(stop, 28));
        } else {
            svg.rect(if apart { "away" } else { "hollow" }, (LEFT, y), (BOX, tall));
            let strong = if stop.part == Part::Turns { "strong" } else { "" };
            svg.text(strong, Anchor::Middle, (MIDDLE, y + tall / 2.0 + 5.0), &text(stop, 24));
        }
        y += tall;
        if stop.part == Part::Turns {
            let (left, right, low) = (MIDDLE - 9.0, MIDDLE + 9.0, y + 8.0);
            svg.path("line", &format!("M{right} {y}V{low}A9 9 0 0 1 {left} {low}V{}", y + 3.0));
            svg.path("line", &format!("M{0} {3}L{left} {2}L{1} {3}", left - 4.0, left + 4.0, y + 2.0, y + 8.0));
            y += TURN;
        }
        y += JOINT;
    }
    svg.finish("Where the plug goes", &words)
}

fn stops(case: &Case, stage: &StageName) -> Vec<Stop> {
    let stop = |kind, label: &str, is_cable, part| Stop { kind, label: label.to_owned(), is_cable, part };
    let plug = case.plug.as_deref().unwrap_or_default();
    let mut stops = vec![stop("this computer", "", false, Part::Used)];
    let port = |part| stop("port", &case.port.name, false, part);
    let turned = match stage {
        StageName::KnownGoodPort => {
            stops.extend([stop("a port that works", "", false, Part::Used), stop("plug", plug, false, Part::Turns)]);
            stops.push(port(Part::Apart));
            return stops;
        }
        StageName::CableTest => None,
        _ => stage.spot(),
    };
    if turned == Some(Spot::Internal) {
        stops.push(stop("chip of port", &case.port.name, false, Part::Turns));
        return stops;
    }
    stops.push(port(Part::Used));
    let plug = match stage {
        StageName::OtherPlug => stop("another plug", "", false, Part::Turns),
        _ => stop("plug", plug, false, Part::Turns),
    };
    let pieces: Vec<(&'static str, &str)> = match case.segments.is_empty() {
        true => vec![("cable", case.cable.as_str())],
        false => case.segments.iter().map(|label| ("segment", label.as_str())).collect(),
    };
    let within = match &turned {
        Some(Spot::FarEnd(Some(segment))) => {
            case.segments.iter().position(|label| label == segment).map_or(pieces.len(), |at| at + 1)
        }
        Some(Spot::FarEnd(None)) | None => pieces.len(),
        Some(Spot::AtPort | Spot::Internal) => 0,
    };
    stops.extend(pieces[..within].iter().map(|(kind, label)| stop(kind, label, true, Part::Used)));
    match turned {
        Some(_) => stops.push(plug),
        None => stops.push(stop("open end, no plug", "", false, Part::Used)),
    }
    stops.extend(pieces[within..].iter().map(|(kind, label)| stop(kind, label, true, Part::Apart)));
    stops
}

fn text(stop: &Stop, most: usize) -> String {
    let apart = if stop.is_cable && stop.part == Part::Apart { ": apart" } else { "" };
    shortened(format!("{} {}{apart}", stop.kind, stop.label).trim(), most)
}

fn height(stop: &Stop) -> f64 {
    if stop.is_cable { 40.0 } else { 32.0 }
}

const WIDTH: f64 = 320.0;
const MIDDLE: f64 = 110.0;
const LEFT: f64 = 10.0;
const BOX: f64 = 200.0;
const JOINT: f64 = 8.0;
/// For the arrow back.
const TURN: f64 = 20.0;

#[cfg(test)]
mod tests {
    use turnback_core::document::Document;

    use super::*;

    /// A stored case of three segments, without a label for its plug.
    const CASE: &str = include_str!("../../../../tests/fixtures/format1/case.json");

    #[test]
    fn the_plug_is_where_the_stage_turns_the_signal_back() {
        let Ok(Document::Case(case)) = Document::read(CASE) else { panic!("no case") };
        let (all, port) = ("segment office-riser, segment quay-duct, segment cabinet-3-tail", "port sim:bad-cable");
        let two = "then segment office-riser, then segment quay-duct, then plug; apart: segment cabinet-3-tail";
        for (stage, words) in [
            ("internal", "this computer, then chip of port sim:bad-cable.".to_owned()),
            ("at-port", format!("this computer, then {port}, then plug; apart: {all}.")),
            ("soak:far-end:quay-duct", format!("this computer, then {port}, {two}.")),
            ("other-plug", format!("this computer, then {port}, then another plug; apart: {all}.")),
            ("known-good-port", format!("this computer, then a port that works, then plug; apart: {port}.")),
            (
                "cable-test",
                format!("this computer, then {port}, then {}, then open end, no plug.", all.replace(", ", ", then ")),
            ),
        ] {
            let svg = draw(&case, &stage.parse().unwrap());
            assert!(svg.contains(&format!(">{words}</desc>")), "{stage}: {svg}");
        }
    }
}
