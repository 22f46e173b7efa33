//! The page of one run.

use askama::Template;
use turnback_core::{
    caution::LOCAL_CODES_FIRST,
    evidence::{Basis, Stopped},
    report::{PortIdentity, Report},
    verdict::{Outcome, Reason},
};

use super::STYLE;
use crate::{
    output::{figure, text},
    plot::{self, Figure, Table},
};

/// The whole page.
///
/// # Errors
/// When the template cannot be filled, which the compiler has all but ruled out.
pub fn render(report: &Report) -> Result<String, askama::Error> {
    View::new(report).render()
}

#[derive(Template)]
#[template(path = "page/run.html")]
struct View<'a> {
    report: &'a Report,
    style: String,
    headline: String,
    subject: String,
    outcome: &'static str,
    pennant: &'static str,
    way: String,
    reasons: Listed<&'a Reason>,
    cautions: Vec<[&'static str; 3]>,
    local_codes_first: &'static str,
    facts: Vec<(&'static str, String)>,
    figures: Vec<(&'static str, String)>,
    plots: Vec<Figure>,
    tables: Vec<(&'static str, Table)>,
    warnings: Listed<&'a String>,
    settings: Listed<&'a String>,
    cannot_show: Listed<&'a String>,
}

/// As much of a list as a page has room for, and how many entries were left out.
struct Listed<T> {
    shown: Vec<T>,
    left_out: usize,
}

/// Entries of a list on the page; the JSON holds all.
const LISTED_MAX: usize = 10;

impl<T> Listed<T> {
    fn new(all: impl IntoIterator<Item = T>) -> Self {
        let mut all = all.into_iter();
        let shown: Vec<T> = all.by_ref().take(LISTED_MAX).collect();
        Self { shown, left_out: all.count() }
    }
}

impl<'a> View<'a> {
    fn new(report: &'a Report) -> Self {
        Self {
            report,
            style: format!("{STYLE}{}", plot::STYLE),
            headline: text::headline(&report.verdict),
            subject: text::subject(report),
            outcome: report.verdict.outcome.name(),
            pennant: pennant(report.verdict.outcome),
            way: plot::run::signal_way(report),
            reasons: Listed::new(&report.verdict.reasons),
            cautions: report.cautions.iter().map(|c| [c.title(), c.harm(), c.action()]).collect(),
            local_codes_first: LOCAL_CODES_FIRST,
            facts: facts(report),
            figures: text::figures(report),
            plots: plot::run::figures(report),
            tables: tables(report),
            warnings: Listed::new(&report.warnings),
            settings: Listed::new(&report.settings_changed),
            cannot_show: Listed::new(&report.cannot_show),
        }
    }

    fn has_remarks(&self) -> bool {
        !self.warnings.shown.is_empty() || !self.settings.shown.is_empty()
    }
}

/// Who, what, where.
fn facts(report: &Report) -> Vec<(&'static str, String)> {
    let mut facts = vec![("port", report.port.name.clone())];
    let mut identity = |port: &PortIdentity, of: [&'static str; 5]| {
        let given =
            [&port.address, &port.permanent_address, &port.driver, &port.firmware, &port.bus].map(Option::as_deref);
        let burnt_in_differs = port.permanent_address != port.address;
        for (number, (name, value)) in of.into_iter().zip(given).enumerate() {
            // Mostly the two addresses are one.
            if let Some(value) = value
                && (number != 1 || burnt_in_differs)
            {
                facts.push((name, value.to_owned()));
            }
        }
    };
    identity(&report.port, ["address", "burnt-in address", "driver", "firmware", "bus"]);
    if let Some(port) = &report.return_port {
        facts.push(("return port", port.name.clone()));
    }
    facts.push(("plug", report.placement.to_string()));
    facts.push(("cable", report.cable.clone().unwrap_or_else(|| "no label given".into())));
    let link = &report.link;
    let speed = link.speed_mbps.map_or(String::new(), |mbps| format!(", {mbps} Mb/s"));
    let duplex = match link.full_duplex {
        Some(true) => ", full duplex",
        Some(false) => ", half duplex",
        None => "",
    };
    facts.push(("link", format!("{}{speed}{duplex}", if link.up { "up" } else { "none" })));
    if report.link_flaps > 0 {
        facts.push(("link drops", figure::count(report.link_flaps)));
    }
    facts.push(("began", report.started_at.clone()));
    facts.push(("profile", report.profile.clone()));
    if let Some(stopped) = report.stopped {
        facts.push(("ended early", stopped_in_words(stopped).into()));
    }
    facts
}

fn stopped_in_words(stopped: Stopped) -> &'static str {
    match stopped {
        Stopped::ByUser => "by hand",
        Stopped::ForeignTraffic => "frames of other stations came in",
        Stopped::LinkLost => "the link went away",
        Stopped::PortGone => "the port vanished",
        Stopped::TakenIntoService => "the port was taken into service",
    }
}

fn tables(report: &Report) -> Vec<(&'static str, Table)> {
    let mut tables = Vec::new();
    if !report.references.is_empty() {
        let what = match report.error_ratio.map(|r| r.basis) {
            Some(Basis::Frames) => "frames failed",
            _ => "bits failed",
        };
        let rows = report.references.iter().map(|r| {
            let link = if r.link_up { "up" } else { "none" };
            vec![r.placement.to_string(), link.into(), figure::count(r.failures), figure::count(r.trials)]
        });
        tables.push((
            "The same port with the signal turned back elsewhere",
            Table::new(vec!["plug", "link", what, "of"], rows),
        ));
    }
    if !report.steps.is_empty() {
        let (headings, rows) = text::step_rows(report);
        tables.push(("Steps", Table { headings, ..Table::new(Vec::new(), rows) }));
    }
    tables
}

/// The pennant of an outcome: its shape tells it without colour.
fn pennant(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "M2 2H40L30 14L40 26H2Z",
        Outcome::Fault => "M2 2H40L30 14L40 26H2Z M8 6L24 22 M24 6L8 22",
        Outcome::Undecided => "M2 2H40L30 14L40 26H2Z M2 14H30",
        Outcome::NotTested => "M2 2H40L30 14L40 26H2Z",
    }
}
