//! Plain tables: a heading, a rule of hyphens, columns two spaces apart.
//!
//! The last column is wrapped to the width between words. Where the columns before it do not fit either, each row is
//! folded into several lines.

use super::lines::{columns, wrapped};

/// A table of `rows` under `headings`, at most `width` columns wide unless a cell before the last is wider by itself.
pub fn render(headings: &[&str], rows: &[Vec<String>], width: usize) -> String {
    let headings: Vec<String> = headings.iter().map(ToString::to_string).collect();
    let widest = |column: usize| {
        let cells = rows.iter().chain([&headings]).filter_map(|row| row.get(column));
        cells.map(|cell| columns(cell)).max().unwrap_or_default()
    };
    let widths: Vec<usize> = (0..headings.len()).map(widest).collect();
    let layout = Layout { lines: folded(&widths, width), widths, width };
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
    width: usize,
}

impl Layout {
    fn row(&self, cells: &[String]) -> String {
        let mut text = String::new();
        for (number, range) in self.lines.iter().enumerate() {
            let mut line = " ".repeat(if number == 0 { 0 } else { INDENT });
            for column in range.clone() {
                let cell = cells.get(column).map_or("", String::as_str);
                if column + 1 == self.widths.len() {
                    line.push_str(&self.last(cell, columns(&line)));
                } else {
                    line.push_str(cell);
                    line.push_str(&" ".repeat(self.widths[column] + GAP - columns(cell)));
                }
            }
            // Nothing to say on a line that only folding made.
            if number == 0 || !line.trim().is_empty() {
                line.lines().for_each(|line| text.push_str(&format!("{}\n", line.trim_end())));
            }
        }
        text
    }

    /// The cell of the last column, which starts `at` so many columns from the left.
    fn last(&self, cell: &str, at: usize) -> String {
        let room = self.width.saturating_sub(at).max(LAST_WIDTH_MIN);
        if columns(cell) <= room {
            return cell.to_owned();
        }
        wrapped("", cell, room).replace('\n', &format!("\n{}", " ".repeat(at)))
    }
}

/// Fills lines with columns from the left.
fn folded(widths: &[usize], width: usize) -> Vec<std::ops::Range<usize>> {
    let (mut lines, mut from, mut used) = (Vec::new(), 0, 0);
    for (column, &needed) in widths.iter().enumerate() {
        let is_last = column + 1 == widths.len();
        let needed = if is_last { needed.min(LAST_WIDTH_MIN) } else { needed };
        if column > from && used + needed > width {
            lines.push(from..column);
            (from, used) = (column, INDENT);
        }
        used += needed + GAP;
    }
    lines.push(from..widths.len());
    lines
}

const GAP: usize = 2;
const INDENT: usize = 4;
/// Narrower than this a column of words can no longer be read.
const LAST_WIDTH_MIN: usize = 24;

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
        let folded = render(&["stage", "attempt", "tried", "says"], &rows(), 40);
        assert!(folded.starts_with("stage              attempt  tried\n    says\n--"), "{folded}");
        assert!(folded.ends_with("\nsoak               2\n"), "a line that holds nothing is left out: {folded}");
    }
}
