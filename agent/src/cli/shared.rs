//! Words that several commands have: where a run is recorded, and how a document is written.

use std::path::PathBuf;

/// Whether and where a run is recorded.
#[derive(Debug, Default, clap::Args)]
pub struct Record {
    /// Records file to write to [default: see `turnback records --help`]
    #[arg(long, value_name = "FILE", conflicts_with = "no_record")]
    pub store: Option<PathBuf>,
    /// Do not record anything
    #[arg(long)]
    pub no_record: bool,
}

/// How a document is written.
#[derive(Debug, clap::Args)]
pub struct FormArgs {
    /// Print one JSON document
    #[arg(long, group = "form")]
    pub json: bool,
    /// Print every figure as a row of CSV
    #[arg(long, group = "form")]
    pub csv: bool,
    /// Print plain text, for a ticket: what a terminal gets if nothing else is asked for
    #[arg(long, group = "form")]
    pub text: bool,
    /// Write to this file, which is replaced completely or not at all. A name that ends in .html, .json, .csv or .txt
    /// decides the form
    #[arg(long, value_name = "FILE")]
    pub output: Option<PathBuf>,
}
