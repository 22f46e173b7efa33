//! The printed page of one plug: drawing, table of wires, uses, limits, cautions.

use super::drawing::{Contact, Wiring};
use crate::base::caution::LOCAL_CODES_FIRST;

/// Columns that a terminal, a terminal server's console and a printed sheet all have.
const WIDTH: usize = 80;

/// Lays the page out. `more` is what only this kind of plug has to say, between the wires and the uses.
pub(super) fn render(wiring: &Wiring, more: &str) -> String {
    let mut page = format!("{} ({})\n\n", wiring.title, wiring.name);
    page += &paragraph("", "", wiring.view);
    page.push('\n');
    for line in wiring.drawing.trim_matches('\n').lines() {
        page += format!("    {line}").trim_end();
        page.push('\n');
    }
    page.push('\n');
    page += &wires(wiring);
    page += more;
    page += &list("Can test", wiring.tests.iter().copied());
    page += &list("Cannot show", wiring.cannot_show.iter().copied());
    page += &list("Before fitting it", wiring.cautions.iter().map(ToString::to_string));
    page += &paragraph("", "", LOCAL_CODES_FIRST);
    page
}

/// The table of wires, one row each, then the legend of the colours if there are any.
fn wires(wiring: &Wiring) -> String {
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
        text += format!("    {}", cells.join("  ")).trim_end();
        text.push('\n');
    }
    if coloured {
        text += "    wire: T568A / T568B; W white, G green, O orange, Bl blue, Br brown\n";
    }
    text.push('\n');
    text
}

/// A heading and a bullet for each item.
fn list<T: AsRef<str>>(heading: &str, items: impl Iterator<Item = T>) -> String {
    let bullets: String = items.map(|item| paragraph("  - ", "    ", item.as_ref())).collect();
    format!("{heading}\n{bullets}\n")
}

/// Breaks a text at spaces into lines of at most [`WIDTH`] columns; `first` starts the first line, `rest` the others.
fn paragraph(first: &str, rest: &str, text: &str) -> String {
    let mut lines = vec![first.to_owned()];
    let mut fresh = true;
    for word in text.split_whitespace() {
        let line = lines.last_mut().expect("starts with one line");
        if fresh {
            line.push_str(word);
        } else if line.len() + 1 + word.len() <= WIDTH {
            line.push(' ');
            line.push_str(word);
        } else {
            lines.push(format!("{rest}{word}"));
        }
        fresh = false;
    }
    lines.join("\n") + "\n"
}
