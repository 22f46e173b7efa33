//! Plain tables: a heading, a rule of hyphens, columns two spaces apart, the last column wrapped to the terminal.

use comfy_table::{ColumnConstraint, ContentArrangement, Table, TableStyle};

/// A table of `rows` under `headings`.
pub fn render(headings: &[&str], rows: &[Vec<String>]) -> String {
    let mut table = Table::new();
    table.load_style(TableStyle::new()).set_content_arrangement(ContentArrangement::Dynamic).set_width(WIDTH);
    table.set_header(headings);
    for row in rows {
        table.add_row(row);
    }
    // Only what is last is cut into lines: names and times stay whole, even if that takes a little more width.
    let widths: Vec<_> = table.column_max_content_widths().iter().map(|width| width + 2).collect();
    let before_last = widths.len().saturating_sub(1);
    let whole = widths[..before_last].iter().sum::<u16>();
    if whole <= WIDTH {
        table.set_width(WIDTH.max(whole + LAST_WIDTH_MIN));
        table.column_iter_mut().take(before_last).for_each(|column| {
            column.set_constraint(ColumnConstraint::ContentWidth);
        });
    }
    let mut text: String = table.lines().map(|line| format!("{}\n", line.trim_end())).collect();
    if let Some(end) = text.find('\n') {
        text.insert_str(end + 1, &format!("{}\n", "-".repeat(end)));
    }
    text
}

/// Fits a terminal and a ticket alike.
const WIDTH: u16 = 100;

/// Below this a column of words is no longer readable.
const LAST_WIDTH_MIN: u16 = 12;
