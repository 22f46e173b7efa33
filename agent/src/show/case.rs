//! A case for a person at a terminal.

use turnback_core::{
    base::caution::{Caution, LOCAL_CODES_FIRST},
    document::case::{Case, CaseState, Ended, Move, Showing, Source, Stage, StageName},
};

use super::{
    figure, table,
    text::{headline, one_line, without_controls, wrapped},
};

/// The whole case.
pub fn render(case: &Case) -> String {
    let v = &case.verdict;
    let mut out = format!("{}\n{}\n\n", headline(v), about(case));
    for reason in &v.reasons {
        out.push_str(&format!("{}\n", wrapped(&format!("{}: ", reason.rule), &reason.text)));
    }
    if !v.sureness.is_empty() {
        out.push_str(&format!("{}\n", wrapped("how sure: ", &v.sureness)));
    }
    let next = match case.state {
        CaseState::Open => "next stage: ",
        CaseState::Decided | CaseState::Exhausted => "next: ",
    };
    if !v.next.is_empty() {
        out.push_str(&format!("{}\n", wrapped(next, &v.next)));
    }
    if !case.stages.is_empty() {
        out.push('\n');
        out.push_str(&table::render(
            &["stage", "attempt", "plug", "shows", "tried", "failed", "decided by", "from"],
            &case.stages.iter().map(row).collect::<Vec<_>>(),
        ));
    }
    out.push_str(&format!(
        "\n{}, case {}, {}, opened {}\n",
        case.program,
        case.case,
        case.state.name(),
        case.opened_at
    ));
    if case.state == CaseState::Open {
        out.push_str(&format!(
            "go on with: turnback isolate {} --cable {} --case {}\n",
            as_word(&case.port.name),
            as_word(&case.cable),
            case.case
        ));
    } else if let Some(stage) = &case.again {
        let time = if matches!(stage, StageName::Soak(_)) { " --for 4h" } else { "" };
        out.push_str(&format!(
            "to do {stage} again: turnback isolate {} --cable {} --case {} --redo {stage}{time}\n",
            as_word(&case.port.name),
            as_word(&case.cable),
            case.case
        ));
    }
    without_controls(&out)
}

/// As one word of a shell's command line, so that it can be copied.
fn as_word(text: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_./:,@+=%".contains(c);
    if !text.is_empty() && text.chars().all(plain) {
        text.to_owned()
    } else {
        format!("'{}'", text.replace('\'', r"'\''"))
    }
}

/// Port, cable and segments in a line.
pub fn about(case: &Case) -> String {
    let segments =
        if case.segments.is_empty() { String::new() } else { format!(" (segments {})", case.segments.join(", ")) };
    let plug = case.plug.as_ref().map_or(String::new(), |label| format!(", plug {label}"));
    one_line(&format!("{}, cable {}{segments}{plug}", case.port.name, case.cable))
}

fn row(stage: &Stage) -> Vec<String> {
    let (shows, tried, failed, rule) = match (&stage.result, stage.ended) {
        (Some(r), Ended::Done) => (
            showing(r.showing).to_owned(),
            figure::count(r.tried.units),
            figure::count(r.tried.failed),
            r.rule.to_string(),
        ),
        (None, Ended::Done) if stage.pairs.is_some() => {
            let found = stage.pairs.as_ref().map(ToString::to_string).unwrap_or_default();
            ("measured".to_owned(), String::new(), String::new(), found)
        }
        (_, ended) => {
            let word = match ended {
                Ended::Skipped => "left out",
                Ended::SetAside => "set aside",
                Ended::Begun => "running",
                Ended::CutOff | Ended::Done => "cut off",
            };
            (word.to_owned(), String::new(), String::new(), stage.why.clone().unwrap_or_default())
        }
    };
    let from = match stage.source {
        Source::Run => stage.on_port.clone().map_or("run".to_owned(), |port| format!("run on {port}")),
        Source::Record => "record".into(),
        Source::Answer => "the technician".into(),
    };
    let plug = stage.plug.clone().unwrap_or_default();
    let row = [stage.name.to_string(), stage.attempt.to_string(), plug, shows, tried, failed, rule, from];
    row.iter().map(|cell| one_line(cell)).collect()
}

/// What a stage shows, in a word or two.
pub fn showing(showing: Showing) -> &'static str {
    match showing {
        Showing::Passes => "passes",
        Showing::Fails => "fails",
        Showing::HostFails => "this computer fails",
        Showing::Neither => "undecided",
        Showing::NotTested => "not tested",
    }
}

/// What a stage that is done found, in a line or two.
pub fn stage_line(stage: &Stage) -> Option<String> {
    match (&stage.result, &stage.pairs) {
        (Some(result), _) => Some(wrapped(&format!("{} {}: ", stage.name, showing(result.showing)), &result.text)),
        (None, Some(pairs)) => Some(wrapped(&format!("{}: ", stage.name), &pairs.to_string())),
        (None, None) => None,
    }
}

/// What to do for the next stage. A caution is given in full the first time in a sitting, and by its title, which
/// nobody skips, after that; `said` remembers them.
pub fn render_move(next: &Move, said: &mut Vec<Caution>) -> String {
    let attempt = if next.attempt > 1 { format!(", attempt {}", next.attempt) } else { String::new() };
    let mut out = format!("\nstage {}{attempt}\n", next.stage);
    for (what, text) in [("  do: ", &next.hands), ("  look: ", &next.look), ("  why: ", &next.why)] {
        out.push_str(&format!("{}\n", wrapped(what, text)));
    }
    let (again, new): (Vec<&Caution>, Vec<&Caution>) = next.cautions.iter().partition(|caution| said.contains(caution));
    for caution in &new {
        out.push_str(&format!("{}\n", wrapped("  caution: ", &caution.to_string())));
    }
    if !again.is_empty() {
        let titles: Vec<&str> = again.iter().map(|caution| caution.title()).collect();
        out.push_str(&format!("{}\n", wrapped("  caution, as before: ", &titles.join("; "))));
    }
    if !new.is_empty() {
        out.push_str(&format!("  {LOCAL_CODES_FIRST}\n"));
    }
    said.extend(new);
    out
}
