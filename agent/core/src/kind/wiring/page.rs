//! The printed page of one plug: drawing, table of wires, uses, limits, cautions.

use super::drawing::{Contact, Wiring};
use crate::base::caution::LOCAL_CODES_FIRST;

/// Columns that a terminal, a terminal server's console and a printed sheet all have.
const WIDTH: usize = 80;

/// Lays the page out in lines of at most `width` columns, as far as the drawing allows, and never more than [`WIDTH`].
/// `more` is what only this kind of plug has to say, between the wires and the uses.
pub(super) fn render(wiring: &Wiring, more: &str, width: usize) -> String {
    let width = width.min(WIDTH);
    let mut page = paragraph("", "  ", &format!("{} ({})", wiring.title, wiring.name), width) + "\n";
    page += &paragraph("", "", wiring.view, width);
    page.push('\n');
    let drawing: Vec<&str> = wiring.drawing.trim_matches('\n').lines().map(str::trim_end).collect();
    // A drawing too wide for the terminal begins at its edge.
    let fits = drawing.iter().all(|line| 4 + line.len() <= width);
    let blanks = |line: &&str| line.len() - line.trim_start().len();
    let margin = drawing.iter().filter(|line| !line.is_empty()).map(blanks).min().unwrap_or_default();
    for line in drawing {
        page += format!("    {line}").get(if fits { 0 } else { 4 + margin }..).unwrap_or_default().trim_end();
        page.push('\n');
    }
    page.push('\n');
    page += &wires(wiring, width);
    page += more;
    page += &list("Can test", wiring.tests.iter().copied(), width);
    page += &list("Cannot show", wiring.cannot_show.iter().copied(), width);
    page += &list("Before fitting it", wiring.cautions.iter().map(ToString::to_string), width);
    page += &paragraph("", "", LOCAL_CODES_FIRST, width);
    page
}

/// The table of wires, one row each, then the legend of the colours if there are any.
fn wires(wiring: &Wiring, width: usize) -> String {
    let coloured = wiring.contacts.iter().any(|contact| contact.colours.is_some());
    let cells = |contact: &Contact| {
        let colours = contact.colours.map(|c| format!("{} / {}", c.t568a, c.t568b)).unwrap_or_default();
        [contact.label.to_owned(), contact.signal.to_owned(), colours]
    };
    let head = ["from", "signal", "wire", "to", "signal", "wire", ""].map(str::to_owned);
    let rows = wiring.wires().map(|(from, to)| {
        let remark = if wiring.optional.contains(&to.label) { "or left open" } else { "" };
        let [[a, b, c], [d, e, f]] = [cells(from), cells(to)];
        [a, b, c, d, e, f, remark.to_owned()]
    });
    let table: Vec<_> = std::iter::once(head).chain(rows).collect();
    let shown: Vec<usize> = (0..7).filter(|column| coloured || !matches!(column, 2 | 5)).collect();
    let widths: Vec<usize> =
        shown.iter().map(|&column| table.iter().map(|row| row[column].len()).max().unwrap_or(0)).collect();

    let mut text = String::new();
    for row in &table {
        let cells: Vec<_> =
            shown.iter().zip(&widths).map(|(&column, &width)| format!("{:width$}", row[column])).collect();
        let line = format!("    {}", cells.join("  ")).trim_end().to_owned();
        // The remark behind a wire goes below it where it does not fit beside it.
        match line.strip_suffix(row[6].as_str()) {
            Some(wire) if line.len() > width => text += &format!("{}\n      ({})\n", wire.trim_end(), row[6]),
            _ => text += &format!("{line}\n"),
        }
    }
    if coloured {
        let legend = "wire: T568A / T568B; W white, G green, O orange, Bl blue, Br brown";
        text += &paragraph("    ", "    ", legend, width);
    }
    text.push('\n');
    text
}

/// A heading and a bullet for each item.
fn list<T: AsRef<str>>(heading: &str, items: impl Iterator<Item = T>, width: usize) -> String {
    let bullets: String = items.map(|item| paragraph("  - ", "    ", item.as_ref(), width)).collect();
    format!("{heading}\n{bullets}\n")
}

/// Breaks a text at spaces into lines of at most `width` columns; `first` starts the first line, `rest` the others.
pub(super) fn paragraph(first: &str, rest: &str, text: &str, width: usize) -> String {
    let mut lines = vec![first.to_owned()];
    let mut fresh = true;
    for word in text.split_whitespace() {
        let line = lines.last_mut().expect("starts with one line");
        if fresh {
            line.push_str(word);
        } else if line.len() + 1 + word.len() <= width {
            line.push(' ');
            line.push_str(word);
        } else {
            lines.push(format!("{rest}{word}"));
        }
        fresh = false;
    }
    lines.join("\n") + "\n"
}
