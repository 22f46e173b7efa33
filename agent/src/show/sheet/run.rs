//! The page of one run.

use askama::Template;
use turnback_core::{
    base::figure::Group,
    document::run::{Report, figures},
    judge::{facts::Stopped, ratio::Basis},
    kind::port::PortIdentity,
};

use super::layout::{Listed, Sheet, Trail};
use crate::show::{
    figure,
    plot::{self, Table},
    tables, text,
};

/// The whole page.
///
/// # Errors
/// When the template cannot be filled, which the compiler has all but ruled out.
pub fn render(report: &Report) -> Result<String, askama::Error> {
    render_in_book(report, Vec::new())
}

/// The page as part of the daemon's book, from where it leads back to other pages.
///
/// # Errors
/// As for [`render`].
pub fn render_in_book(report: &Report, trail: Vec<Trail>) -> Result<String, askama::Error> {
    let figures = figures::lines(report, Group::Run);
    // Nothing was sent: then the seconds without link are no measurement to draw.
    let plots = if figures.is_empty() { Vec::new() } else { plot::run::figures(report) };
    let restored = report.settings_changed.iter().map(|setting| format!("restored: {setting}"));
    Sheet {
        trail,
        subject: text::subject(report),
        kind: "Report of a run",
        when: &report.started_at,
        way: plot::run::signal_way(report),
        facts: facts(report),
        figures,
        plots,
        tables: listed(report),
        cannot_show: Listed::new(report.cannot_show.iter().cloned()),
        notes: Listed::new(report.warnings.iter().cloned().chain(restored)),
        origin: format!(
            "{}, report format {}, run {}, seed {}",
            report.program, report.format, report.run, report.seed
        ),
        ..Sheet::new(text::headline(&report.verdict), &report.verdict, &report.cautions)
    }
    .render()
}

/// Who, what, where.
fn facts(report: &Report) -> Vec<(&'static str, String)> {
    let mut facts = Vec::new();
    if !report.machine.is_empty() {
        facts.push(("machine", report.machine.clone()));
    }
    identity(&mut facts, "port", &report.port);
    if let Some(port) = &report.return_port {
        identity(&mut facts, "return port", port);
    }
    facts.push(("placement", report.placement.to_string()));
    facts.push(("cable", report.cable.clone().unwrap_or_else(|| "no label given".into())));
    facts.extend(report.labels.given().into_iter().map(|(word, label)| (word, label.to_owned())));
    facts.extend(figures::lines(report, Group::Setup));
    facts.push(("profile", report.profile.clone()));
    if let Some(stopped) = report.stopped {
        facts.push(("ended early", stopped_in_words(stopped).into()));
    }
    facts
}

/// Name, addresses, driver, firmware and place of a port, as far as it has them.
pub(super) fn identity(facts: &mut Vec<(&'static str, String)>, word: &'static str, port: &PortIdentity) {
    facts.push((word, port.name.clone()));
    // Mostly the two addresses are one.
    let burnt_in = port.permanent_address.as_ref().filter(|burnt_in| port.address.as_ref() != Some(*burnt_in));
    let given = [
        ("address", port.address.as_ref()),
        ("burnt-in address", burnt_in),
        ("driver", port.driver.as_ref()),
        ("firmware", port.firmware.as_ref()),
        ("bus", port.bus.as_ref()),
    ];
    facts.extend(given.into_iter().filter_map(|(word, value)| Some((word, value?.clone()))));
}

fn stopped_in_words(stopped: Stopped) -> &'static str {
    match stopped {
        Stopped::ByUser => "by hand",
        Stopped::ForeignTraffic => "frames of other stations came in",
        Stopped::LinkLost => "the link went away",
        Stopped::PortGone => "the port vanished",
        Stopped::TakenIntoService => "the port was taken into service",
        Stopped::Reconfigured => "somebody changed the port's settings meanwhile",
        Stopped::TookTooLong => "it took far longer than planned",
        Stopped::WentSilent => "nothing came back any more",
    }
}

fn listed(report: &Report) -> Vec<(&'static str, Table)> {
    let mut all = Vec::new();
    let basis = report.error_ratio.map(|r| r.basis);
    // Where bits are counted, the plot of ratios shows these.
    if !report.references.is_empty() && basis != Some(Basis::Bits) && report.ethernet().is_some() {
        let rows = report.references.iter().map(|r| {
            let link = if r.link_up { "up" } else { "none" };
            vec![r.placement.to_string(), link.into(), figure::count(r.failures), figure::count(r.trials)]
        });
        let table = Table::new(vec!["placement", "link", "failed", "bits or frames tried"], rows);
        all.push(("The same port with the signal turned back elsewhere", table));
    }
    // A plot has a table of its own.
    let listed = tables::of(report).into_iter().filter(|table| !table.id.is_drawn());
    all.extend(listed.map(|table| (table.title, Table::new(table.headings, table.rows))));
    all
}
