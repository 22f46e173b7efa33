//! Plots as SVG, of runs ([`run`], with those that only one kind of port has in [`ethernet`] and [`serial`]), of cases
//! ([`case`]), and of cards and lots ([`mod@bench`]), in one style, readable in black and white and by those who cannot
//! see them.
//!
//! A [`Figure`] carries its drawing and the same figures as a table. Colours and strokes come from [`STYLE`], which the
//! page that holds the figures must include once; it only uses the page's own `--ink`, `--paper`, `--fill`, `--faint`
//! and `--mark`.

pub mod bench;
pub mod case;
pub mod columns;
pub mod ethernet;
pub mod interval;
pub mod run;
pub mod scale;
pub mod serial;
pub mod series;
pub mod stage;
pub mod svg;
pub mod way;

/// Rules for the classes that the drawings use.
pub const STYLE: &str = include_str!("plot.css");

/// A drawing, what it says in words, and its figures.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// Unique on a page; letters and hyphens.
    pub id: &'static str,
    /// What is drawn, a few words.
    pub title: String,
    /// What is to be seen in it, one or two sentences.
    pub summary: String,
    /// What the shadings mean, if there are several: the drawing of each and its word.
    pub legend: Vec<(&'static str, &'static str)>,
    /// The drawing: one `svg` element.
    pub svg: String,
    /// As wide as the page, not half of it.
    pub is_wide: bool,
    /// The figures drawn.
    pub table: Table,
}

/// A table of figures.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Table {
    /// Column headings, units included.
    pub headings: Vec<&'static str>,
    /// Rows, no more than [`ROWS_MAX`].
    pub rows: Vec<Vec<String>>,
    /// Rows left out.
    pub left_out: usize,
}

/// Longer tables are cut; the report's JSON and CSV hold every row.
pub const ROWS_MAX: usize = 60;

impl Table {
    /// The first [`ROWS_MAX`] rows and how many more there are.
    pub fn new(headings: Vec<&'static str>, rows: impl IntoIterator<Item = Vec<String>>) -> Self {
        let mut rows = rows.into_iter();
        let shown: Vec<_> = rows.by_ref().take(ROWS_MAX).collect();
        Self { headings, rows: shown, left_out: rows.count() }
    }
}
