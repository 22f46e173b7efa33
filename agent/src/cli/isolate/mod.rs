//! `turnback isolate`: leads through a case.

pub(super) mod answer;
mod kept;
mod session;

use std::{collections::BTreeSet, process::ExitCode};

use turnback_core::{
    base::labels::Labels,
    document::case::{Case, CaseOptions, CaseState, Move, StageName, Who},
    judge::Outcome,
    kind::{Kind, serial::plug::LinePlug},
    plan::{PlanError, Profile, parse_duration},
};

use self::{answer::Answers, kept::Kept, session::Session};
use super::{NOT_TESTED, USAGE, args, check, complain, shared::Record};
use crate::{
    archive::{
        Archive,
        error::ArchiveError,
        memory::Memory,
        record::{CaseRow, short_id},
        sqlite::Store,
    },
    engine::{CheckError, cancel::Cancel},
    error_chain::{plain, with_causes},
    guard::state,
    ports::{PortError, name::PortName},
    show::{
        case as text, figure,
        lines::{message_width, output_width, tell, wrapped},
    },
    tell,
    work::{
        check::{end_on_signals, profile, seed},
        isolate::{
            self,
            error::CaseError,
            port::CasePort,
            runner::{CaseRunner, Opening, StagePlan, known_as},
            take_up::{TakenUp, Wanted, stored_case},
        },
        labels_mistyped,
    },
};

/// Leads through a case; the exit status is its verdict.
pub fn run(args: args::Isolate) -> ExitCode {
    match try_run(&args) {
        Ok(code) => code,
        Err(Failure::Usage(message, hint)) => {
            tell("error: ", &message);
            if let Some(hint) = hint {
                tell("hint: ", &hint);
            }
            ExitCode::from(USAGE)
        }
        Err(Failure::Port(error)) => {
            let hint = error.hint();
            let status = if error.is_wrong_use() { USAGE } else { NOT_TESTED };
            complain(&error, hint);
            ExitCode::from(status)
        }
        Err(Failure::Archive(error)) => {
            let hint = error.hint();
            complain(&error, hint);
            ExitCode::from(USAGE)
        }
        Err(Failure::NotReady { port, reasons }) => {
            tell_not_ready(&port, &reasons);
            ExitCode::from(NOT_TESTED)
        }
    }
}

fn tell_not_ready(port: &str, reasons: &[String]) {
    tell("", format_args!("NOT TESTED: {port} cannot be tested now. Leave plug and cable where they are."));
    for reason in reasons {
        tell!("{}", wrapped("  ", reason, message_width()));
    }
}

enum Failure {
    Usage(String, Option<String>),
    Port(PortError),
    Archive(ArchiveError),
    /// A run would be refused. Nothing was moved yet.
    NotReady {
        port: String,
        reasons: Vec<String>,
    },
}

impl From<PortError> for Failure {
    fn from(error: PortError) -> Self {
        Self::Port(error)
    }
}

impl From<ArchiveError> for Failure {
    fn from(error: ArchiveError) -> Self {
        Self::Archive(error)
    }
}

impl From<CaseError> for Failure {
    fn from(error: CaseError) -> Self {
        match error {
            CaseError::Check(CheckError::Port(error)) => Self::Port(error),
            CaseError::Archive(error) => Self::Archive(error),
            CaseError::NotReady { port, reasons } => Self::NotReady { port, reasons },
            CaseError::HearsItself { .. } => {
                let hint = "turnback check tests the port; to test its cable, connect the pair to a second RS-485 port";
                Self::Usage(with_causes(&error), Some(hint.to_owned()))
            }
            CaseError::OtherCase { ref case, .. } => {
                let command = text::isolate(&case.port.name, &["--case", short_id(&case.case)]);
                Self::Usage(with_causes(&error), Some(format!("`{command}` goes on with it")))
            }
            other => Self::Usage(with_causes(&other), None),
        }
    }
}

fn usage(message: impl Into<String>) -> Failure {
    Failure::Usage(message.into(), None)
}

fn stage_named(text: &str) -> Result<StageName, Failure> {
    text.parse().map_err(|error| usage(format!("{error}")))
}

fn try_run(args: &args::Isolate) -> Result<ExitCode, Failure> {
    // That needs no port.
    if let Some(why) = &args.close {
        return close(args, &mut *open_archive(&args.record).0, why);
    }
    let name = PortName::parse(&args.port);
    let seed = seed(args.seed, &name)?;
    let age = args.from_records.as_deref().map(parse_duration).transpose().map_err(|error| usage(error.to_string()))?;
    // What is wrong with the options is said before anything is opened.
    let mut options = CaseOptions::default();
    keep_options(args, &mut options)?;
    for word in args.stage.iter().chain(&args.skip).chain(&args.redo) {
        stage_named(word)?;
    }
    for words in &args.correct {
        session::corrected(words)?;
    }
    let (mut archive, is_file) = open_archive(&args.record);
    let cancel = Cancel::default();
    end_on_signals(&cancel);
    let answers = answers(args, &cancel)?;
    let (mut port, TakenUp { mut case, stored, was_closed, left_open }) = take_up(args, name, seed, &*archive)?;
    let _lock = isolate::lock(&case.case).map_err(PortError::Lock)?;
    case.laid_down = stored;
    if !stored && !args.correct.is_empty() {
        return Err(none_is_open(args, ": there is no stage to correct"));
    }
    tell_left_open(args, &case.cable, &left_open);
    refuse_another_end(args, &case)?;
    keep_options(args, &mut case.options)?;
    if age.is_some() && case.options.return_port.is_some() {
        return Err(usage("--from-records takes runs made with a plug, and this case has a return port in its place"));
    }
    case.settle();
    // A stage that this case does not have is said before the case is kept.
    for word in args.stage.iter().chain(&args.skip).chain(&args.redo) {
        known_as(&case, stage_named(word)?)?;
    }
    if case.port.kind == Kind::Ethernet
        && let Some((option, _)) =
            [("--line", &args.line), ("--wiring", &args.wiring)].iter().find(|(_, given)| given.is_some())
    {
        return Err(usage(format!("{} cannot take {option}: that is for serial lines", args.port)));
    }
    port.ready(None, args.although_in_service)?;
    let CaseOptions { known_good, return_port, .. } = case.options.clone();
    if case.capabilities.moves_plug && return_port.is_some() {
        return Err(usage(format!(
            "{} is a simulated rig, which has no second port: leave out --return-port",
            args.port
        )));
    }
    for other in [known_good, return_port].into_iter().flatten().filter(|_| !case.capabilities.moves_plug) {
        port.ready(Some(&other), args.although_in_service)?;
    }
    // Before a case is kept that nobody can go on with.
    if !stored && args.yes && args.stage.is_none() {
        refuse_hands(case.next.as_ref())?;
    }
    let plan = plan(args, &case.options, seed)?;
    if stored {
        if let Some(why) = was_closed {
            let told = format!("this case was closed ({why}); it is open again");
            tell!("{}", wrapped("note: ", &told, message_width()));
        }
        tell::text(&text::recap(&case, message_width()));
    } else {
        let labels = Labels { plug: case.plug.clone(), ..Labels::default() };
        for mistyped in labels_mistyped(&*archive, Some(&case.cable), &labels) {
            tell("warning: ", &mistyped);
        }
        tell!("{}", text::opening(&case, message_width()));
        if let Some(to_do) = text::left_to_do(&case).filter(|_| args.stage.is_none()) {
            tell!("{}", wrapped("  to do: ", &to_do, message_width()));
        }
    }
    let standing = case.verdict.clone();
    let mut session = Session {
        args,
        age,
        cancel: cancel.clone(),
        answers,
        runner: CaseRunner::new(case, &mut *archive, plan, cancel),
        port,
        is_file,
        was_stored: stored,
        cautions_said: Vec::new(),
        standing_said: text::suspicion(&standing),
    };
    session.apply_words()?;
    let led = session.lead();
    session.warn_if_unkept();
    let kept = session.kept();
    let case = session.runner.case;
    // What was found so far is told even if the last stage could not be done.
    let status = answer_with(args, &case, kept)?;
    kept.tell(args, &case);
    led?;
    Ok(status)
}

/// What needs an open case of this port and cable cannot be done; `so` says what follows.
fn none_is_open(args: &args::Isolate, so: &str) -> Failure {
    let text = format!("no case of {} and this cable is open{so}", args.port);
    Failure::Usage(text, Some("turnback records cases lists the cases".to_owned()))
}

/// What was found with a plug says nothing of a return port, and the other way round.
fn refuse_another_end(args: &args::Isolate, case: &Case) -> Result<(), Failure> {
    let was = &case.options.return_port;
    if args.return_port.is_none() || args.return_port == *was || case.stages.iter().all(|s| s.result.is_none()) {
        return Ok(());
    }
    let was = was.as_ref().map_or("a plug".to_owned(), |port| format!("return port {port}"));
    let text = format!("the stages of this case were done with {was}, and do not belong to others with a return port");
    Err(Failure::Usage(text, Some("--new opens another case".to_owned())))
}

/// Closes a case, also of a port that this machine does not have any more.
fn close(args: &args::Isolate, archive: &mut dyn Archive, why: &str) -> Result<ExitCode, Failure> {
    let cable = args.cable.as_deref().unwrap_or_default();
    let Some(case) = stored_case(archive, &args.port, args.case.as_deref(), cable)? else {
        return Err(none_is_open(args, ""));
    };
    let _lock = isolate::lock(&case.case).map_err(PortError::Lock)?;
    let plan = plan(args, &case.options, 0)?;
    let mut runner = CaseRunner::new(case, archive, plan, Cancel::default());
    runner.close(why.to_owned());
    if let Some(error) = runner.unkept() {
        return Err(error.into());
    }
    let case = runner.case;
    answer_with(args, &case, Kept::AsItStands)
}

/// What every stage of the case is run with.
fn plan(args: &args::Isolate, options: &CaseOptions, seed: u64) -> Result<StagePlan, Failure> {
    Ok(StagePlan {
        profile: Profile::named("quick").map_err(|error| usage(error.to_string()))?,
        seed,
        machine: state::machine(),
        although_in_service: args.although_in_service,
        line: check::line_words(options.line.as_deref(), options.wiring.as_deref()).map_err(usage)?,
    })
}

/// Prints how the case stands, and gives its exit status.
fn answer_with(args: &args::Isolate, case: &Case, kept: Kept) -> Result<ExitCode, Failure> {
    let printed = if args.json {
        serde_json::to_string_pretty(case).map_err(|error| usage(error.to_string()))? + "\n"
    } else if args.details {
        let width = output_width();
        format!("{}\n{}", text::details(case, width), text::answer_with(case, kept.words(args).as_deref(), width))
    } else {
        text::answer_with(case, kept.words(args).as_deref(), output_width())
    };
    Ok(super::print(&printed, ExitCode::from(exit_status(case))))
}

/// As for one run; but what an open case points to is no verdict yet.
fn exit_status(case: &Case) -> u8 {
    match (case.state, case.verdict.outcome) {
        (CaseState::Open, Outcome::Pass | Outcome::Fault) => Outcome::Undecided,
        (_, outcome) => outcome,
    }
    .exit_status()
}

/// Options that a case does not keep: a command that goes on with it needs them again.
fn words_to_repeat(args: &args::Isolate) -> Vec<String> {
    let mut words = Vec::new();
    if let Some(store) = &args.record.store {
        words.extend(["--store".to_owned(), store.display().to_string()]);
    }
    if let Some(seed) = args.seed {
        words.extend(["--seed".to_owned(), seed.to_string()]);
    }
    if args.although_in_service {
        words.push("--although-in-service".to_owned());
    }
    words
}

/// Keeps the options that were given; those that were not stay as they are.
fn keep_options(args: &args::Isolate, options: &mut CaseOptions) -> Result<(), Failure> {
    if args.profile.is_some() || options.profile.is_none() {
        let name = args.profile.as_deref().unwrap_or("quick");
        options.profile = Some(profile(name).map_err(|error| usage(with_causes(&error)))?);
    }
    if let Some(profile) = &mut options.profile {
        if !StagePlan::fits(profile) {
            return Err(usage(format!(
                "profile {} does not fit a stage: give one of kind steps, such as quick or standard",
                profile.name
            )));
        }
        if let Some(rate) = &args.rate {
            profile.rate = rate.parse().map_err(|error: PlanError| usage(error.to_string()))?;
        }
    }
    if let Some(time) = &args.soak_time {
        let time = parse_duration(time).map_err(|error| usage(error.to_string()))?;
        options.soak_s = time.as_secs_f64().ceil() as u64;
    }
    let line = check::line_words(args.line.as_deref(), args.wiring.as_deref()).map_err(usage)?;
    if line.plug == Some(LinePlug::Rs485) {
        return Err(CaseError::HearsItself { port: args.port.clone() }.into());
    }
    for (given, kept) in [
        (&args.line, &mut options.line),
        (&args.wiring, &mut options.wiring),
        (&args.known_good, &mut options.known_good),
        (&args.return_port, &mut options.return_port),
    ] {
        if given.is_some() {
            kept.clone_from(given);
        }
    }
    let CaseOptions { known_good, return_port, .. } = options;
    for (other, is) in [(&*known_good, "known-good"), (&*return_port, "return")] {
        if other.as_ref() == Some(&args.port) {
            return Err(usage(format!("{} is the port under test: the {is} port must be another", args.port)));
        }
    }
    if return_port.is_some() && known_good == return_port {
        return Err(usage("the known-good port and the return port must be two ports"));
    }
    Ok(())
}

/// The archive, and whether it is a file; where none can be used the case ends with the program, and that is said.
fn open_archive(record: &Record) -> (Box<dyn Archive>, bool) {
    if record.no_record {
        return (Box::new(Memory::default()), false);
    }
    match Store::open_at(record.store.as_deref()) {
        Ok(store) => (Box::new(store), true),
        Err(error) => {
            tell("warning: ", format_args!("{UNKEPT}: {}", with_causes(&error)));
            if let Some(hint) = error.hint() {
                tell("hint: ", &hint);
            }
            (Box::new(Memory::default()), false)
        }
    }
}

const UNKEPT: &str = "the case cannot be kept, and ends with this program";

fn answers(args: &args::Isolate, cancel: &Cancel) -> Result<Answers, Failure> {
    match &args.answers {
        Some(path) => Answers::from_file(path)
            .map_err(|error| usage(format!("cannot read the answers in {}: {}", path.display(), plain(&error)))),
        None => Ok(Answers::from_terminal(cancel.clone())),
    }
}

/// The port and the case to work on: the open case of this port and cable, unless another is wanted.
fn take_up(
    args: &args::Isolate,
    name: PortName,
    seed: u64,
    archive: &dyn Archive,
) -> Result<(CasePort, TakenUp), Failure> {
    let opening = Opening {
        cable: args.cable.clone().unwrap_or_default(),
        segments: args.segments.clone(),
        plug: args.plug.clone(),
    };
    let wanted = Wanted { id: args.case.clone(), go_on: !args.new, opening };
    Ok(CasePort::take_up(archive, name, seed, check::tell_left, wanted)?)
}

/// Other open cases of the port, in few words however many they are.
fn tell_left_open(args: &args::Isolate, cable: &str, left_open: &[CaseRow]) {
    let Some(open) = left_open.first() else { return };
    let cables: BTreeSet<String> = left_open.iter().map(|open| open.cable.clone()).collect();
    let cables: Vec<String> = cables.into_iter().collect();
    let words = match cables.len() {
        1 => format!("another open case, of cable {}. It moves the same plug.", open.cable),
        _ => format!("other open cases, of cables {}. They move the same plug.", figure::listed(&cables)),
    };
    tell!("{}", wrapped("note: ", &format!("{} has {words}", args.port), message_width()));
    // The cable names it, unless two cases are of one cable.
    let of_it = left_open.iter().map(|other| other.cable.as_str()).chain([cable]).filter(|one| *one == open.cable);
    let command = match of_it.count() {
        1 => text::isolate(&args.port, &["--cable", &open.cable]),
        _ => text::isolate(&args.port, &["--case", open.short_id()]),
    };
    tell("hint: ", format_args!("`{command}` goes on with it; with --close WHY behind it, it ends"));
}

/// With `--yes` alone nobody moves a plug.
fn refuse_hands(next: Option<&Move>) -> Result<(), Failure> {
    let Some(next) = next.filter(|next| !goes_unasked(next, false)) else { return Ok(()) };
    let hint = format!("do that, then run this again with --stage {} --yes; or leave out --yes", next.stage);
    Err(Failure::Usage(format!("somebody must move the plug first. {}", next.hands), Some(hint)))
}

/// Whether `--yes` alone lets a move go: nobody has to move anything, or the stage was named on the command line, which
/// says that everything is in place.
fn goes_unasked(next: &Move, stage_named: bool) -> bool {
    stage_named || next.who == Who::Program
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the sentence for people says must not decide: a translation would change what runs unasked.
    #[test]
    fn yes_goes_by_who_makes_the_move_and_not_by_its_words() {
        for (who, hands, unasked) in [
            (Who::Program, "the loop inside the chip is used, so leave the cable where it is", true),
            (Who::Person, "nothing is at the far end yet: put the plug there", false),
        ] {
            let next = Move {
                stage: StageName::CableTest,
                attempt: 1,
                still: false,
                who,
                hands: hands.into(),
                look: String::new(),
                why: String::new(),
                cautions: Vec::new(),
                time_s: 0,
                no_link_s: None,
            };
            assert_eq!(goes_unasked(&next, false), unasked, "{hands}");
            assert!(goes_unasked(&next, true), "the stage was named");
        }
    }
}
