//! Plain tables: a heading, a rule of hyphens, columns two spaces apart, the last column wrapped to the terminal.

use comfy_table::{ContentArrangement, Table, TableStyle};

/// A table of `rows` under `headings`.
pub fn render(headings: &[&str], rows: &[Vec<String>]) -> String {
    let mut table = Table::new();
    table.load_style(TableStyle::new()).set_content_arrangement(ContentArrangement::Dynamic).set_width(WIDTH);
    table.set_header(headings);
    for row in rows {
        table.add_row(row);
    }
    let mut text: String = table.lines().map(|line| format!("{}\n", line.trim_end())).collect();
    if let Some(end) = text.find('\n') {
        text.insert_str(end + 1, &format!("{}\n", "-".repeat(end)));
    }
    text
}

/// Fits a terminal and a ticket alike.
const WIDTH: u16 = 100;
