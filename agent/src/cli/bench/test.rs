//! `turnback bench test`.

use std::{
    fs::File,
    io::{BufWriter, Write},
};

use turnback_core::{
    base::caution::Caution,
    bench::sim::{BenchRig, SimulatedBench},
    document::{card_test::step::Hands, lot::Lot},
};

use super::{Done, Failure, ONLY_SIMULATED, args::Test, lot::answer, usage};
use crate::{
    archive::{Archive, memory::Memory, sqlite::Store},
    cli::isolate::answer::{Answer, Answers},
    engine::cancel::Cancel,
    show::{bench as shown, lines::message_width},
    tell,
    work::{
        bench::{
            BenchError,
            lot::{self, Opening, procedure, rig},
            runner::{BenchEvent, BenchRunner, Wish},
        },
        check::end_on_signals,
    },
};

/// Tests the cards of a lot; the exit status is what is decided about the lot.
pub(super) fn run(args: &Test) -> Done {
    if !args.bench.starts_with("sim:") {
        return Err(Failure::Usage(format!("{} is no simulated bench", args.bench), Some(ONLY_SIMULATED)));
    }
    let rig = rig(&args.bench)?;
    let cancel = Cancel::default();
    end_on_signals(&cancel);
    let mut asker = Asker::new(args, &cancel)?;
    let mut events = Events::new(args)?;
    let mut archive: Box<dyn Archive> = if args.record.no_record {
        Box::new(Memory::default())
    } else {
        Box::new(Store::open_at(args.record.store.as_deref())?)
    };
    let lot = lot_of(&mut *archive, &rig, args.lot.as_deref())?;
    let label = lot.label.clone();
    tell!("lot {label}: {} cards, procedure {}", lot.quantity, lot.procedure.name);
    let seed = args.seed.unwrap_or_else(|| rig.seed.into());
    let bench = SimulatedBench::new(rig, seed);
    let mut runner = BenchRunner::new(lot, &mut *archive, bench, args.bench.clone(), cancel)?;
    let tested = runner.test(&args.cards, &mut |hands| asker.ask(hands), &mut |event| events.say(&event));
    let lot = runner.lot;
    events.end();
    tested?;
    answer(&*archive, &lot, args.json)
}

/// The lot with this label, or the one that comes with the bench, opened if it is not there.
fn lot_of(archive: &mut dyn Archive, rig: &BenchRig, label: Option<&str>) -> Result<Lot, Failure> {
    let name = label.unwrap_or(&rig.name);
    match (lot::find(archive, name)?, label) {
        (Some(lot), _) => Ok(lot),
        (None, Some(label)) => {
            let hint =
                "turnback bench lot open LABEL --quantity N opens one, turnback bench lot list shows those there are";
            Err(Failure::Usage(format!("no lot {label} is recorded"), Some(hint)))
        }
        (None, None) => Ok(lot::open(
            archive,
            Opening {
                label: name.to_owned(),
                source: rig.source.clone(),
                claim: rig.claim.clone(),
                quantity: rig.cards.len() as u32,
                procedure: procedure(&rig.procedure)?,
                sampling: None,
            },
        )?),
    }
}

/// Asks for what a person must move.
struct Asker {
    /// None: nothing is asked.
    answers: Option<Answers>,
    cautions_said: Vec<Caution>,
    quiet: bool,
}

impl Asker {
    fn new(args: &Test, cancel: &Cancel) -> Result<Self, Failure> {
        let answers = match &args.answers {
            _ if args.yes => None,
            Some(path) => Some(
                Answers::from_file(path)
                    .map_err(|error| usage(format!("cannot read the answers in {}: {error}", path.display())))?,
            ),
            None => Some(Answers::from_terminal(cancel.clone())),
        };
        Ok(Self { answers, cautions_said: Vec::new(), quiet: args.yes })
    }

    fn ask(&mut self, hands: &Hands) -> Result<Wish, BenchError> {
        if !self.quiet {
            tell::text(&shown::hands(hands, &mut self.cautions_said, message_width()));
        }
        let Some(answers) = &mut self.answers else { return Ok(Wish::Go) };
        loop {
            match answers.next() {
                Ok(Some(Ok(Answer::Go))) => return Ok(Wish::Go),
                Ok(Some(Ok(Answer::Leave))) => return Ok(Wish::Leave),
                Ok(Some(Ok(_))) => tell!("Press Enter when it is done, or type \"leave\" to go on another time."),
                Ok(Some(Err(text))) => tell!("{text}"),
                Ok(None) => {
                    tell!("No answer came, so the lot is kept for later. (With --yes nothing is asked.)");
                    return Ok(Wish::Leave);
                }
                Err(error) => {
                    let cause = format!("cannot read the answers: {error}");
                    return Err(BenchError::File { file: "answers".into(), cause });
                }
            }
        }
    }
}

/// Tells what happens, on the terminal and in a file.
struct Events {
    file: Option<BufWriter<File>>,
    failed: Option<std::io::Error>,
    quiet: bool,
}

impl Events {
    fn new(args: &Test) -> Result<Self, Failure> {
        let create = |path: &std::path::PathBuf| {
            File::create(path).map_err(|error| usage(format!("cannot write events to {}: {error}", path.display())))
        };
        let file = args.events.as_ref().map(create).transpose()?.map(BufWriter::new);
        Ok(Self { file, failed: None, quiet: args.json })
    }

    fn say(&mut self, event: &BenchEvent) {
        if let (Some(file), None) = (&mut self.file, &self.failed) {
            let line = serde_json::to_string(event).unwrap_or_default();
            self.failed = writeln!(file, "{line}").and_then(|()| file.flush()).err();
        }
        if let Some(line) = shown::event(event).filter(|_| !self.quiet) {
            tell!("{line}");
        }
    }

    fn end(&mut self) {
        if let Some(error) = self.failed.take() {
            tell!("warning: events after this point could not be written: {error}");
        }
    }
}
