//! The page of a case.

use askama::Template;
use turnback_core::{
    base::caution::Caution,
    document::{
        case::{Case, Ended, Source, Stage},
        run::cannot_show,
    },
    kind::ethernet::link::Capabilities,
};

use super::{
    layout::{Listed, Sheet, Trail},
    run::identity,
};
use crate::show::{
    case as case_text, figure,
    lines::whole_seconds,
    plot::{self, Table},
};

/// The whole page.
///
/// # Errors
/// When the template cannot be filled, which the compiler has all but ruled out.
pub fn render(case: &Case) -> Result<String, askama::Error> {
    render_in_book(case, Vec::new())
}

/// The page as part of the agent's book, from where it leads back to other pages.
///
/// # Errors
/// As for [`render`].
pub fn render_in_book(case: &Case, trail: Vec<Trail>) -> Result<String, askama::Error> {
    // What to do with the hands stands above, as what to do now.
    let moves =
        case.next.as_ref().map_or(Vec::new(), |next| vec![("look", next.look.as_str()), ("why", next.why.as_str())]);
    Sheet {
        trail,
        subject: case_text::about(case),
        kind: "Report of a case",
        when: &whole_seconds(&case.changed_at),
        way: plot::case::signal_way(case),
        moves,
        facts: facts(case),
        figures: counts(case),
        plots: plot::case::figures(case),
        tables: vec![("Stages", stages(case))],
        cannot_show: Listed::new(cannot_show_in(case)),
        origin: format!("{}, case format {}, case {}", case.program, case.format, case.case),
        ..Sheet::new(case_text::standing(case), &case.verdict, &cautions(case))
    }
    .render()
}

/// Who, what, where.
fn facts(case: &Case) -> Vec<(&'static str, String)> {
    let mut facts = Vec::new();
    identity(&mut facts, "port", &case.port);
    facts.push(("cable", case.cable.clone()));
    if !case.segments.is_empty() {
        facts.push(("segments", case.segments.join(", ")));
    }
    facts.push(("plug", case.plug.clone().unwrap_or_else(|| "no label given".into())));
    facts.push(("opened", whole_seconds(&case.opened_at)));
    facts.push(("state", case.state.in_words().into()));
    facts
}

fn counts(case: &Case) -> Vec<(&'static str, String)> {
    let ended = |how: Ended| case.stages.iter().filter(|s| s.ended == how).count();
    let (done, skipped, cut_off) = (ended(Ended::Done), ended(Ended::Skipped), ended(Ended::CutOff));
    let results = || case.stages.iter().filter_map(|s| s.result.as_ref());
    vec![
        ("stages", format!("{done} done, {skipped} skipped, {cut_off} cut off")),
        ("bits compared", figure::count(results().map(|r| r.bits_compared).fold(0, u64::saturating_add))),
        ("seconds sending", figure::count(results().map(|r| r.seconds).fold(0, u64::saturating_add))),
    ]
}

/// Every stage in a row, the latest where there are too many.
fn stages(case: &Case) -> Table {
    let headings = vec!["stage", "plug", "from", "found", "failed", "of", "wrong bits", "shortest trip", "began"];
    let left_out = case.stages.len().saturating_sub(plot::ROWS_MAX);
    Table { left_out, ..Table::new(headings, case.stages[left_out..].iter().map(|stage| stage_row(case, stage))) }
}

fn stage_row(case: &Case, stage: &Stage) -> Vec<String> {
    let name = if stage.attempt > 1 { format!("{} ({})", stage.name, stage.attempt) } else { stage.name.to_string() };
    let from = match stage.source {
        Source::Run => "run",
        Source::Record => "record",
        Source::Answer => "answer",
    };
    let where_else = stage.on_port.as_ref().map_or(String::new(), |port| format!(" on {port}"));
    let why = stage.why.as_ref().map_or(String::new(), |why| format!(": {why}"));
    let mut row = vec![name, stage.plug.clone().unwrap_or_default(), format!("{from}{where_else}")];
    match (&stage.result, stage.ended) {
        (Some(result), Ended::Done) => row.extend([
            case.shows(stage).unwrap_or_default(),
            figure::count(result.tried.failed),
            figure::count(result.tried.units),
            figure::count(result.bit_errors),
            result.latency_ns.min.map_or("-".into(), figure::time_ns),
        ]),
        (None, Ended::Done) if stage.pairs.is_some() => {
            row.push(stage.pairs.as_ref().map(ToString::to_string).unwrap_or_default());
            row.extend(std::iter::repeat_n(String::new(), 4));
        }
        (_, ended) => {
            let how = match ended {
                Ended::Begun => "begun",
                Ended::Done => "done",
                Ended::Skipped => "skipped",
                Ended::SetAside => "set aside",
                Ended::CutOff => "cut off",
            };
            row.push(format!("{how}{why}"));
            row.extend(std::iter::repeat_n(String::new(), 4));
        }
    }
    row.push(stage.started_at.clone());
    row
}

/// Dangers of the next move, or, when nothing is left to do, of the media that were met.
fn cautions(case: &Case) -> Vec<Caution> {
    let mut cautions = match &case.next {
        Some(next) => next.cautions.clone(),
        None => case.stages.iter().filter_map(|s| s.result.as_ref()).flat_map(|r| r.link.medium.cautions()).collect(),
    };
    cautions.sort_unstable();
    cautions.dedup();
    cautions
}

fn cannot_show_in(case: &Case) -> Vec<String> {
    let capabilities: &Capabilities = &case.capabilities;
    let results = || case.stages.iter().filter_map(|s| s.result.as_ref());
    // A speed that some stage did reach is shown.
    let fallback =
        if results().all(|r| r.fallback_mbps.is_some()) { results().find_map(|r| r.fallback_mbps) } else { None };
    cannot_show(capabilities, fallback)
}
