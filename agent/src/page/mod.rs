//! Reports as pages of their own: one HTML file without scripts and without anything fetched, for screen and paper.
//!
//! Text from a report is escaped by the templates; drawings escape their own.

pub mod run;

/// Look of the page, for screen (light and dark) and paper.
const STYLE: &str = include_str!("page.css");
