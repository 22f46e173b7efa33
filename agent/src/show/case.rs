//! A case for a person at a terminal.

use turnback_core::{
    base::caution::{Caution, LOCAL_CODES_FIRST},
    document::case::{
        Case, CaseState, Ended, Move, Showing, Source, Stage, StageName,
        ahead::{Ahead, Outlook},
    },
    judge::{Outcome, Verdict},
};

use super::{
    figure,
    lines::{one_line, without_controls, wrapped},
    table,
    text::{headline, how_sure, place_of},
};
use crate::archive::record::short_id;

/// The answer in about ten lines: verdict, what was tested, the deciding reason, what to do now and how.
pub fn answer(case: &Case, width: usize) -> String {
    answer_with(case, Some(&[]), width)
}

/// The same; `words` are options that the command that goes on with the case needs too. None: the case is not kept, so
/// that no command can go on with it.
pub fn answer_with(case: &Case, words: Option<&[String]>, width: usize) -> String {
    let v = &case.verdict;
    let mut out = format!("{}\n", wrapped("", &standing(case), width));
    let did = if v.outcome == Outcome::NotTested { "tried: " } else { "tested: " };
    out.push_str(&format!(
        "{}\n",
        wrapped(did, &format!("{}{}; {}", about(case), load(case.light_load()), stages_done(case)), width)
    ));
    if let Some(reason) = v.reasons.first() {
        out.push_str(&format!("{}\n", wrapped("found: ", &reason.text, width)));
    }
    if let Some(sure) = how_sure(v) {
        out.push_str(&format!("{}\n", wrapped("how sure: ", sure, width)));
    }
    let next = match case.state {
        CaseState::Open => "next stage: ",
        CaseState::Decided | CaseState::Exhausted | CaseState::Closed => "next: ",
    };
    if !v.next.is_empty() {
        out.push_str(&format!("{}\n", wrapped(next, &v.next, width)));
    }
    out.push_str(&words.map_or(String::new(), |words| commands(case, words)));
    without_controls(&out)
}

/// Everything else: every reason with its rule, the stages.
pub fn details(case: &Case, width: usize) -> String {
    let v = &case.verdict;
    let mut out = String::new();
    for reason in &v.reasons {
        out.push_str(&format!("{}\n", wrapped(&format!("{}: ", reason.rule), &reason.text, width)));
    }
    if !v.sureness.is_empty() {
        out.push_str(&format!("{}\n", wrapped("how sure: ", &v.sureness, width)));
    }
    if !case.stages.is_empty() {
        out.push('\n');
        out.push_str(&table::render(
            &["stage", "attempt", "plug", "shows", "tried", "failed", "rule or reason", "from"],
            &case.stages.iter().map(|stage| row(case, stage)).collect::<Vec<_>>(),
            width,
        ));
    }
    let origin = format!("{}, case {}, {}, opened {}", case.program, case.case, case.state.in_words(), case.opened_at);
    out.push_str(&format!("\n{}\n", wrapped("", &origin, width)));
    without_controls(&out)
}

/// Both, for a ticket.
pub fn ticket(case: &Case, width: usize) -> String {
    format!("{}\n{}", answer(case, width), details(case, width))
}

/// The verdict, or how an open case stands: only what is settled is said in the words of a verdict.
pub fn standing(case: &Case) -> String {
    match (case.state, so_far(&case.verdict)) {
        (CaseState::Open, Some(words)) => format!("NOT DECIDED YET: {words}"),
        (CaseState::Open, None) => "NOT DECIDED YET".to_owned(),
        _ => headline(&case.verdict),
    }
}

/// What an open case points to, which may still turn out otherwise; none if to nothing yet.
pub fn so_far(v: &Verdict) -> Option<String> {
    match v.outcome {
        Outcome::Fault => Some(format!("points to {}", place_of(v))),
        Outcome::Pass => Some("nothing has failed".to_owned()),
        Outcome::Undecided => None,
        Outcome::NotTested => Some("the last stage tested nothing".to_owned()),
    }
}

/// What an open case points to, and how sure that is; none while nothing has failed.
pub fn suspicion(v: &Verdict) -> Option<String> {
    // How sure that is stands first in its words; the figures behind it are in the details.
    let sure = v.sureness.split([':', ';']).next().unwrap_or_default();
    so_far(v).filter(|_| v.outcome == Outcome::Fault).map(|points| format!("{points}, {sure}"))
}

/// A load far below the line rate, as the end of a clause; empty for any other.
fn load(share: Option<f64>) -> String {
    share.map_or(String::new(), |share| format!(", {}", figure::of_line_rate(share)))
}

fn stages_done(case: &Case) -> String {
    let done = case.stages.iter().filter(|stage| stage.ended == Ended::Done).count();
    figure::counted(done as u64, "stage")
}

/// Commands to copy: whole, whatever the width.
fn commands(case: &Case, words: &[String]) -> String {
    let words: String = words.iter().map(|word| format!(" {}", as_word(word))).collect();
    let isolate = format!("{}{words}", isolate(&case.port.name, &["--case", short_id(&case.case)]));
    match (&case.again, case.state) {
        (_, CaseState::Open) => format!("go on with: {isolate}\n"),
        (Some(stage), _) => {
            let time = if matches!(stage, StageName::Soak(_)) { " --for 4h" } else { "" };
            let done = case.stages.iter().any(|s| s.name == *stage && matches!(s.ended, Ended::Done | Ended::SetAside));
            let again = if done { " again" } else { "" };
            format!("to do {stage}{again}: {isolate} --stage {}{time}\n", as_word(&stage.to_string()))
        }
        (None, _) => String::new(),
    }
}

/// Says which case this is.
pub fn opening(case: &Case, width: usize) -> String {
    wrapped(&format!("case {}: ", short_id(&case.case)), &about(case), width)
}

/// The command that goes on with a case of a port.
pub fn isolate(port: &str, words: &[&str]) -> String {
    let words: String = words.iter().map(|word| format!(" {}", as_word(word))).collect();
    format!("turnback isolate {}{words}", as_word(port))
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

/// What is known of a case that is taken up again, and how much is left to do.
pub fn recap(case: &Case, width: usize) -> String {
    let mut out =
        format!("{}\n", wrapped("", &format!("going on with case {}: {}", short_id(&case.case), about(case)), width));
    let points = so_far(&case.verdict).map_or(String::new(), |words| format!(", {words}"));
    let known = match (case.stages.iter().any(|stage| stage.ended == Ended::Done), case.verdict.reasons.first()) {
        (true, Some(reason)) => format!("after {}{points}: {}", stages_done(case), reason.text),
        _ => "nothing yet".to_owned(),
    };
    out.push_str(&format!("{}\n", wrapped("  known so far: ", &known, width)));
    if let Some(left) = left_to_do(case) {
        out.push_str(&format!("{}\n", wrapped("  left to do: ", &left, width)));
    }
    without_controls(&out)
}

/// How much is left to do in a case; none if nothing is.
pub fn left_to_do(case: &Case) -> Option<String> {
    let Outlook { steady, most } = case.outlook();
    let said = |ahead: Ahead| format!("{} and {}", figure::counted(ahead.stages.into(), "stage"), takes(ahead.time_s));
    let failed = |stage: &Stage| stage.result.as_ref().is_some_and(|r| r.showing == Showing::Fails);
    let more = match case.stages.iter().any(failed) {
        _ if steady == most => "",
        true => "; up to {most} if something else fails",
        false => " if nothing fails; up to {most} if something does",
    };
    let more = more.replace("{most}", &said(most));
    (steady.stages > 0).then(|| format!("about {} of testing{more}", said(steady)))
}

/// A time in the units that people use.
fn takes(seconds: u64) -> String {
    match seconds {
        0..=119 => format!("{seconds} s"),
        120..=7199 => format!("{} min", seconds.div_ceil(60)),
        _ => format!("{:.1} h", seconds as f64 / 3600.0),
    }
}

/// Port, cable and segments in a line.
pub fn about(case: &Case) -> String {
    let segments =
        if case.segments.is_empty() { String::new() } else { format!(" (segments {})", case.segments.join(", ")) };
    let plug = match (&case.options.return_port, &case.plug) {
        (Some(back), _) => format!(", return port {back} in place of a plug"),
        (None, Some(label)) => format!(", plug {label}"),
        (None, None) => String::new(),
    };
    one_line(&format!("{}, cable {}{segments}{plug}", case.port.name, case.cable))
}

fn row(case: &Case, stage: &Stage) -> Vec<String> {
    let (shows, tried, failed, rule) = match (&stage.result, stage.ended) {
        (Some(r), Ended::Done) => (
            case.shows(stage).unwrap_or_default(),
            figure::count(r.tried.units),
            figure::count(r.tried.failed),
            match &stage.why {
                Some(why) => format!("{}; {why}", r.rule),
                None => r.rule.to_string(),
            },
        ),
        (None, Ended::Done) if stage.pairs.is_some() => {
            // The pairs stand in full among the reasons.
            ("measured".to_owned(), String::new(), String::new(), String::new())
        }
        (_, ended) => {
            let word = match ended {
                Ended::Skipped => "skipped",
                Ended::SetAside => "set aside",
                Ended::Begun => "running",
                Ended::CutOff | Ended::Done => "cut off",
            };
            (word.to_owned(), String::new(), String::new(), stage.why.clone().unwrap_or_default())
        }
    };
    let counts = matches!(stage.ended, Ended::Done | Ended::Begun);
    let from = match stage.source {
        Source::Run if !counts => String::new(),
        Source::Run => stage.on_port.clone().map_or("run".to_owned(), |port| format!("run on {port}")),
        Source::Record => "record".into(),
        Source::Answer => "the technician".into(),
    };
    let plug = stage.plug.clone().unwrap_or_default();
    // What does not count leaves its number to the attempt that does.
    let attempt = if counts { stage.attempt.to_string() } else { String::new() };
    let row = [stage.name.to_string(), attempt, plug, shows, tried, failed, rule, from];
    row.iter().map(|cell| one_line(cell)).collect()
}

/// What a stage that is done found, in a line or two.
pub fn stage_line(case: &Case, stage: &Stage, width: usize) -> Option<String> {
    match (&stage.result, &stage.pairs) {
        (Some(result), _) => {
            let shows = format!("{}{}", case.shows(stage).unwrap_or_default(), load(result.light_load));
            Some(wrapped(&format!("{} {shows}: ", stage.name), &result.text, width))
        }
        (None, Some(pairs)) => Some(wrapped(&format!("{}: ", stage.name), &pairs.to_string(), width)),
        (None, None) => None,
    }
}

/// What to do for the next stage. Cautions are as in [`render_cautions`].
pub fn render_move(next: &Move, said: &mut Vec<Caution>, width: usize) -> String {
    let attempt = if next.attempt > 1 { format!(", attempt {}", next.attempt) } else { String::new() };
    let mut out = format!("\nstage {}{attempt}\n", next.stage);
    let told = [("  do: ", &next.hands), ("  check: ", &next.look), ("  why: ", &next.why)];
    for (what, text) in told.into_iter().filter(|(_, text)| !text.is_empty()) {
        out.push_str(&format!("{}\n", wrapped(what, text, width)));
    }
    if next.time_s > 0 {
        let no_link = next.no_link_s.map_or(String::new(), |s| format!(" with a link, {} without one", takes(s)));
        let takes = format!("about {}{no_link}", takes(next.time_s));
        out.push_str(&format!("{}\n", wrapped("  takes: ", &takes, width)));
    }
    out.push_str(&render_cautions(&next.cautions, said, width));
    out
}

/// Cautions, in full the first time in a sitting and by their titles after that; `said` remembers them.
pub fn render_cautions(cautions: &[Caution], said: &mut Vec<Caution>, width: usize) -> String {
    let mut out = String::new();
    let (again, new): (Vec<&Caution>, Vec<&Caution>) = cautions.iter().partition(|caution| said.contains(caution));
    for caution in &new {
        out.push_str(&format!("{}\n", wrapped("  caution: ", &caution.to_string(), width)));
    }
    if !again.is_empty() {
        let titles: Vec<&str> = again.iter().map(|caution| caution.title()).collect();
        out.push_str(&format!("{}\n", wrapped("  caution, as before: ", &titles.join("; "), width)));
    }
    if !new.is_empty() {
        out.push_str(&format!("{}\n", wrapped("  ", LOCAL_CODES_FIRST, width)));
    }
    said.extend(new);
    out
}
