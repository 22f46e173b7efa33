//! The label of a card: an SVG in millimetres, with a code that a scanner reads.

use qrcode::{Color, EcLevel, QrCode};
use turnback_core::document::card_test::CardTest;

use super::plot::svg::escaped;

/// Size of a label, millimetres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Size {
    /// Along the text.
    pub width: f64,
    /// Across it.
    pub height: f64,
}

impl Size {
    /// Reads `62x29`.
    ///
    /// # Errors
    /// What is allowed.
    pub fn parse(text: &str) -> Result<Self, String> {
        let wrong =
            || format!("size `{text}` is not WIDTHxHEIGHT in millimetres, from 40x20 to 150x150, such as 62x29");
        let (width, height) = text.split_once(['x', 'X']).ok_or_else(wrong)?;
        let (width, height): (f64, f64) = (width.parse().map_err(|_| wrong())?, height.parse().map_err(|_| wrong())?);
        let fits = (40.0..=150.0).contains(&width) && (20.0..=150.0).contains(&height);
        if fits { Ok(Self { width, height }) } else { Err(wrong()) }
    }
}

/// What the code of a label holds: the id of the card test and the grade.
pub fn code(test: &CardTest) -> String {
    format!("turnback:card-test:{}:{}", test.test, test.grade.name())
}

/// The label.
///
/// # Errors
/// The code does not fit, which its length rules out.
pub fn render(test: &CardTest, size: Size) -> Result<String, qrcode::types::QrError> {
    let Size { width, height } = size;
    let side = (height - 2.0 * EDGE).min(width * 0.42);
    let left = EDGE + side + EDGE;
    let room = width - left - EDGE;
    let card = &test.card;
    let date = test.changed_at.get(..10).unwrap_or_default();
    let lines = [
        (1.8, test.grade.name().to_uppercase()),
        (1.0, test.verdict.scope.clone().unwrap_or_default()),
        (1.15, test.label.clone()),
        (1.0, card.part.clone().unwrap_or_else(|| card.device.clone())),
        (1.0, card.serial.as_ref().map_or(String::new(), |serial| format!("serial {serial}"))),
        (1.0, card.addresses().next().unwrap_or_default().to_owned()),
        (1.0, format!("tested {date}, {}", test.procedure.name)),
    ];
    let lines: Vec<_> = lines.into_iter().filter(|(_, line)| !line.is_empty()).collect();
    let units: f64 = lines.iter().map(|(scale, _)| scale * LEADING).sum();
    let unit = ((height - 2.0 * EDGE) / units).min(3.6);
    let mut text = String::new();
    let mut y = EDGE;
    for (scale, line) in &lines {
        // A letter of this font is at most this wide; a longer line is set smaller.
        let letters = line.chars().count() as f64 * LETTER;
        let font = (unit * scale).min(room / letters.max(1.0));
        y += unit * scale * LEADING;
        let weight = if *scale > 1.0 { " font-weight=\"bold\"" } else { "" };
        text.push_str(&format!(
            "<text x=\"{left:.2}\" y=\"{:.2}\" font-size=\"{font:.2}\"{weight}>{}</text>",
            y - unit * scale * 0.3,
            escaped(line)
        ));
    }
    Ok(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}mm\" height=\"{height}mm\" \
         viewBox=\"0 0 {width} {height}\" font-family=\"DejaVu Sans Mono, monospace\">\
         <title>{}</title><rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/>{}{text}</svg>\n",
        escaped(&test.label),
        squares(&code(test), (EDGE, (height - side) / 2.0), side)?
    ))
}

/// A QR code as one path, `side` millimetres wide with its quiet zone of four modules (ISO/IEC 18004).
fn squares(text: &str, (x, y): (f64, f64), side: f64) -> Result<String, qrcode::types::QrError> {
    let code = QrCode::with_error_correction_level(text, EcLevel::M)?;
    let width = code.width();
    let module = side / (width + 2 * QUIET) as f64;
    let mut path = String::new();
    for (place, _) in code.to_colors().into_iter().enumerate().filter(|(_, color)| *color == Color::Dark) {
        let at = |modules: usize, from: f64| from + (modules + QUIET) as f64 * module;
        let (left, top) = (at(place % width, x), at(place / width, y));
        path.push_str(&format!("M{left:.3} {top:.3}h{module:.3}v{module:.3}h-{module:.3}z"));
    }
    Ok(format!("<path d=\"{path}\" shape-rendering=\"crispEdges\"/>"))
}

/// Modules of the quiet zone around a code. From memory (ISO/IEC 18004).
const QUIET: usize = 4;
/// Margin of the label, millimetres.
const EDGE: f64 = 1.2;
/// Height of a line in parts of its font size.
const LEADING: f64 = 1.25;
/// Width of a letter in parts of the font size.
const LETTER: f64 = 0.62;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_size_is_read_and_refused_with_what_is_allowed() {
        assert_eq!(Size::parse("62x29"), Ok(Size { width: 62.0, height: 29.0 }));
        for wrong in ["62", "x", "10x29", "62x500", "62x-1"] {
            assert!(Size::parse(wrong).unwrap_err().contains("62x29"), "{wrong}");
        }
    }

    /// The three finder patterns of a code are dark seven modules long (ISO/IEC 18004, from memory).
    #[test]
    fn a_code_has_its_finder_patterns() {
        let path = squares("turnback", (0.0, 0.0), 29.0).unwrap();
        // Version 1 has 21 modules, and 29 with its quiet zone: a module is 1 mm here.
        for (x, y) in [(4, 4), (10, 4), (4, 10), (18, 4), (24, 4), (4, 18), (4, 24)] {
            assert!(path.contains(&format!("M{x}.000 {y}.000h")), "{x} {y}");
        }
        assert!(!path.contains("M24.000 24.000h"), "the fourth corner has none");
    }
}
