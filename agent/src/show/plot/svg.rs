//! One SVG drawing as text, well-formed whatever it is given.

use std::fmt::Write;

/// A drawing in its own units, which the page scales.
#[derive(Debug)]
pub struct Svg {
    id: &'static str,
    class: &'static str,
    width: f64,
    height: f64,
    body: String,
}

/// On which side of its point a text stands.
#[derive(Clone, Copy, Debug)]
pub enum Anchor {
    /// It begins there.
    Start,
    /// It is centred.
    Middle,
    /// It ends there.
    End,
}

impl Svg {
    /// An empty drawing; `id` must be unique on the page.
    pub fn new(id: &'static str, width: f64, height: f64) -> Self {
        Self { id, class: "plot", width, height, body: String::new() }
    }

    /// The same, under these classes of the style sheet.
    pub fn in_class(self, class: &'static str) -> Self {
        Self { class, ..self }
    }

    /// A line from `a` to `b`.
    pub fn line(&mut self, class: &str, a: (f64, f64), b: (f64, f64)) {
        self.path(class, &format!("M{} {}L{} {}", n(a.0), n(a.1), n(b.0), n(b.1)));
    }

    /// A path in SVG's own words.
    pub fn path(&mut self, class: &str, d: &str) {
        let _ = write!(self.body, r#"<path class="{class}" d="{d}"/>"#);
    }

    /// A rectangle; nothing if it has no area.
    pub fn rect(&mut self, class: &str, (x, y): (f64, f64), (w, h): (f64, f64)) {
        if w > 0.0 && h > 0.0 {
            let _ = write!(
                self.body,
                r#"<rect class="{class}" x="{}" y="{}" width="{}" height="{}"/>"#,
                n(x),
                n(y),
                n(w),
                n(h)
            );
        }
    }

    /// A rectangle shaded with slanted lines, told from a solid one without colour.
    pub fn hatched(&mut self, at: (f64, f64), (w, h): (f64, f64)) {
        if w > 0.0 && h > 0.0 {
            let _ = write!(
                self.body,
                r#"<rect fill="url(#{}-hatch)" x="{}" y="{}" width="{}" height="{}"/>"#,
                self.id,
                n(at.0),
                n(at.1),
                n(w),
                n(h)
            );
            self.rect("hatch-edge", at, (w, h));
        }
    }

    /// A circle.
    pub fn circle(&mut self, class: &str, (x, y): (f64, f64), r: f64) {
        let _ = write!(self.body, r#"<circle class="{class}" cx="{}" cy="{}" r="{}"/>"#, n(x), n(y), n(r));
    }

    /// A text on its base line.
    pub fn text(&mut self, class: &str, anchor: Anchor, (x, y): (f64, f64), text: &str) {
        let anchor = match anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let _ = write!(
            self.body,
            r#"<text class="{class}" text-anchor="{anchor}" x="{}" y="{}">{}</text>"#,
            n(x),
            n(y),
            escaped(text)
        );
    }

    /// The whole element, with its name and description for those who cannot see it.
    pub fn finish(self, title: &str, description: &str) -> String {
        let Self { id, class, width, height, body } = self;
        let hatch = if body.contains("-hatch)") {
            format!(
                "<defs><pattern id=\"{id}-hatch\" width=\"4\" height=\"4\" patternUnits=\"userSpaceOnUse\" \
                 patternTransform=\"rotate(45)\"><path class=\"hatch-line\" d=\"M0 0V4\"/></pattern></defs>"
            )
        } else {
            String::new()
        };
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"{class}\" viewBox=\"0 0 {} {}\" role=\"img\" \
             aria-labelledby=\"{id}-title {id}-description\"><title id=\"{id}-title\">{}</title>\
             <desc id=\"{id}-description\">{}</desc>{hatch}{body}</svg>",
            n(width),
            n(height),
            escaped(title),
            escaped(description),
        )
    }
}

/// Two digits are finer than any printer; a value that is no number would make the drawing unreadable, so it is put at
/// 0.
fn n(value: f64) -> String {
    let rounded = (value * 100.0).round() / 100.0;
    if rounded.is_finite() { format!("{}", rounded + 0.0) } else { "0".into() }
}

/// Text for XML: markup is written as entities, and characters that XML 1.0 does not allow (2.2) are replaced.
pub fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            '\t' | '\n' | '\r' => safe.push(' '),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => safe.push('\u{fffd}'),
            c => safe.push(c),
        }
    }
    safe
}

/// At most so many characters of a label, so that one long word cannot push a drawing apart. Where there is room for
/// both, the end stays too: labels of one place differ there.
pub fn shortened(text: &str, most: usize) -> String {
    let length = text.chars().count();
    if length <= most {
        return text.to_owned();
    }
    let end = if most >= END_SHOWN * 2 { END_SHOWN } else { 0 };
    let start = text.chars().take(most.saturating_sub(end + 1));
    start.chain(['…']).chain(text.chars().skip(length - end)).collect()
}

/// Room for the number of an attempt and a little more.
const END_SHOWN: usize = 6;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn markup_in_a_text_stays_text() {
        let mut svg = Svg::new("t", 10.0, 10.0);
        svg.text("", Anchor::Start, (1.0, 2.0), "</text><script>alert('1')</script>\u{0}\u{1b}");
        let drawn = svg.finish("a \"b\" & <c>", "");
        assert!(!drawn.contains("<script") && !drawn.contains('\u{0}') && !drawn.contains('\u{1b}'), "{drawn}");
        assert!(drawn.contains("a &quot;b&quot; &amp; &lt;c&gt;"));
    }

    #[test]
    fn what_is_no_number_is_still_drawn() {
        let mut svg = Svg::new("t", 10.0, 10.0);
        svg.line("axis", (f64::NAN, f64::INFINITY), (-0.001, 1.005));
        assert!(svg.finish("", "").contains("M0 0L0 1"));
    }

    #[test]
    fn a_long_label_is_cut_at_a_character() {
        assert_eq!(shortened("Q-12", 4), "Q-12");
        assert_eq!(shortened("Kajüte-ß-17", 5), "Kajü…");
        assert_eq!(shortened("far-end:crane-rail-north (2)", 24), "far-end:crane-rai…th (2)");
    }
}
