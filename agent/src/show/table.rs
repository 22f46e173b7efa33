//! Plain tables: a heading, a rule of hyphens, columns two spaces apart.
//!
//! Where the columns do not fit, the widest are made narrower, and their cells are wrapped between words. Where that is
//! not enough either, each row is folded into several lines.

use super::lines::{columns, words, wrapped};

/// A table of `rows` under `headings`, at most `width` columns wide unless a word is wider by itself.
pub fn render(headings: &[&str], rows: &[Vec<String>], width: usize) -> String {
    let headings: Vec<String> = headings.iter().map(ToString::to_string).collect();
    let count = headings.len();
    let cells = |column: usize| rows.iter().chain([&headings]).filter_map(move |row| row.get(column));
    let widest = |column: usize| cells(column).map(|cell| columns(cell)).max().unwrap_or_default();
    let least = |column: usize| {
        let word = cells(column).flat_map(|cell| words(cell)).map(|word| columns(&word) + INDENT_WRAPPED).max();
        match widest(column) {
            short if short <= SHORT => short,
            long => long.min(word.unwrap_or_default().max(WIDTH_MIN)),
        }
    };
    let widest: Vec<usize> = (0..count).map(widest).collect();
    let least: Vec<usize> = (0..count).map(least).collect();
    let lines = folded(&least, width);
    let mut widths = Vec::new();
    for (number, line) in lines.iter().enumerate() {
        let room = width.saturating_sub(if number == 0 { 0 } else { INDENT });
        widths.extend(narrowed(&widest[line.clone()], &least[line.clone()], room));
    }
    let layout = Layout { lines, widths };
    let head = layout.row(&headings);
    let body: String = rows.iter().map(|row| layout.row(row)).collect();
    let rule = head.lines().chain(body.lines()).map(columns).max().unwrap_or_default();
    format!("{head}{}\n{body}", "-".repeat(rule))
}

/// Which columns stand on which line of a row.
struct Layout {
    /// Ranges of columns, a line each.
    lines: Vec<std::ops::Range<usize>>,
    widths: Vec<usize>,
}

impl Layout {
    fn row(&self, cells: &[String]) -> String {
        let mut text = String::new();
        for (number, range) in self.lines.iter().enumerate() {
            let line = self.line(range.clone(), cells, if number == 0 { 0 } else { INDENT });
            // Nothing to say on a line that only folding made.
            if number == 0 || !line.trim().is_empty() {
                text.push_str(&line);
            }
        }
        text
    }

    /// Some columns of a row beside each other, each wrapped to its width.
    fn line(&self, range: std::ops::Range<usize>, cells: &[String], indent: usize) -> String {
        let cell = |column: usize| {
            let cell = cells.get(column).map_or("", String::as_str);
            // A cell that fits stays as it is, its spaces too.
            let whole = columns(cell) <= self.widths[column];
            let text = if whole { cell.to_owned() } else { wrapped("", cell, self.widths[column]) };
            text.lines().map(str::to_owned).collect::<Vec<_>>()
        };
        let columns_of: Vec<(usize, Vec<String>)> = range.map(|column| (column, cell(column))).collect();
        let height = columns_of.iter().map(|(_, lines)| lines.len()).max().unwrap_or_default().max(1);
        let mut text = String::new();
        for number in 0..height {
            let mut line = " ".repeat(indent);
            for (column, lines) in &columns_of {
                let part = lines.get(number).map_or("", String::as_str);
                line.push_str(part);
                line.push_str(&" ".repeat((self.widths[*column] + GAP).saturating_sub(columns(part))));
            }
            text.push_str(&format!("{}\n", line.trim_end()));
        }
        text
    }
}

/// Fills lines with columns from the left, each at its least width.
fn folded(least: &[usize], width: usize) -> Vec<std::ops::Range<usize>> {
    let (mut lines, mut from, mut used) = (Vec::new(), 0, 0);
    for (column, &needed) in least.iter().enumerate() {
        if column > from && used + needed > width {
            lines.push(from..column);
            (from, used) = (column, INDENT);
        }
        used += needed + GAP;
    }
    lines.push(from..least.len());
    lines
}

/// Takes from the widest columns, one by one, until they fit or each is as narrow as it may be.
fn narrowed(widest: &[usize], least: &[usize], room: usize) -> Vec<usize> {
    let mut widths = widest.to_vec();
    while widths.iter().sum::<usize>() + GAP * widths.len().saturating_sub(1) > room {
        let shrinkable = (0..widths.len()).filter(|&column| widths[column] > least[column]);
        match shrinkable.max_by_key(|&column| widths[column]) {
            Some(column) => widths[column] -= 1,
            None => break,
        }
    }
    widths
}

const GAP: usize = 2;
const INDENT: usize = 4;
/// Later lines of a wrapped cell are indented by so much.
const INDENT_WRAPPED: usize = 2;
/// A column of entries no longer than this, such as a time to the minute, is not wrapped.
const SHORT: usize = 16;
/// Narrower than this a column of words can no longer be read.
const WIDTH_MIN: usize = 12;

#[cfg(test)]
mod tests {
    use super::*;

    fn rows() -> Vec<Vec<String>> {
        let row = |cells: [&str; 4]| cells.map(str::to_owned).to_vec();
        vec![
            row(["far-end:quay-duct", "1", "1 234 567", "bit errors, scattered over the whole frame"]),
            row(["soak", "2", "", ""]),
        ]
    }

    #[test]
    fn a_table_keeps_to_its_width_and_breaks_no_word() {
        for width in [40, 60, 80, 120] {
            let text = render(&["stage", "attempt", "tried", "says"], &rows(), width);
            assert!(text.lines().all(|line| columns(line) <= width && line.trim_end() == line), "{width}:\n{text}");
            let mut words: Vec<_> = text.split_whitespace().filter(|word| !word.starts_with("--")).collect();
            let mut wanted: Vec<String> = ["stage", "attempt", "tried", "says"].map(str::to_owned).to_vec();
            wanted.extend(rows().concat());
            let mut wanted: Vec<_> = wanted.iter().flat_map(|cell| cell.split_whitespace()).collect();
            words.sort_unstable();
            wanted.sort_unstable();
            assert_eq!(words, wanted, "{width}:\n{text}");
        }
    }

    #[test]
    fn a_wide_table_wraps_its_last_column_before_it_folds() {
        let text = render(&["stage", "attempt", "tried", "says"], &rows(), 68);
        let wanted = [
            "stage              attempt  tried      says",
            "-----------------------------------------------------------------",
            "far-end:quay-duct  1        1 234 567  bit errors, scattered over",
            "                                         the whole frame",
            "soak               2",
        ];
        assert_eq!(text.lines().collect::<Vec<_>>(), wanted);
        // One of several wide columns is wrapped as well.
        let row = |cells: [&str; 3]| cells.map(str::to_owned).to_vec();
        let both = render(
            &["figure", "first", "second"],
            &[row(["round trip", "5.0 us median, 13.0 us p99", "5.7 us median, 13.7 us p99"])],
            48,
        );
        let wanted = [
            "figure      first              second",
            "---------------------------------------------",
            "round trip  5.0 us median,     5.7 us median,",
            "              13.0 us p99        13.7 us p99",
        ];
        // By hand: 48 columns less 10 for the figure and two gaps of 2 leave 17 for each of the others.
        assert_eq!(both.lines().collect::<Vec<_>>(), wanted);
        let folded = render(&["stage", "attempt", "tried", "says"], &rows(), 40);
        assert!(folded.starts_with("stage              attempt  tried\n    says\n--"), "{folded}");
        assert!(folded.ends_with("\nsoak               2\n"), "a line that holds nothing is left out: {folded}");
    }
}
