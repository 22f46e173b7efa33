//! `turnback bench test`.

use std::{
    fs::File,
    io::{BufWriter, Write},
};

use turnback_core::{
    base::{caution::Caution, figure::counted, labels::named},
    bench::{card::address_bytes, sim::SimulatedBench},
    document::card_test::settle::Lack,
};

use super::{Done, Failure, args::Test, lot::answer, progress::Progress, usage};
use crate::{
    archive::{Archive, memory::Memory, sqlite::Store},
    cli::isolate::answer::{Answer, Answers, WHEN_DONE},
    engine::cancel::Cancel,
    guard::state,
    ports::restore,
    show::{
        bench as shown,
        lines::{message_width, tell},
    },
    tell,
    work::{
        bench::{
            BenchError, RealBench,
            asking::{BenchEvent, Request, Wish},
            lot::{self, rig},
            only_one,
            runner::{BenchRunner, REFERENCE_LABEL},
            seam::{Bench, Occasion},
        },
        check::end_on_signals,
    },
};

/// Tests the cards of a lot; the exit status is what is decided about the lot.
pub(super) fn run(args: &Test) -> Done {
    let simulated = args.cards.first().filter(|first| first.starts_with("sim:"));
    let (name, cards) = match simulated {
        Some(name) => (name.clone(), &args.cards[1..]),
        None => (state::machine(), &args.cards[..]),
    };
    let rig = simulated.map(|name| rig(name)).transpose()?;
    let mut events = Events::new(args)?;
    let cancel = Cancel::default();
    end_on_signals(&cancel);
    let mut asker = Asker::new(args, rig.is_some(), &cancel)?;
    let _only = if rig.is_none() { Some(only_one()?) } else { None };
    let mut bench: Box<dyn Bench> = match &rig {
        Some(rig) if args.plugs.is_empty() && args.reference.is_none() => {
            let seed = args.seed.unwrap_or_else(|| rig.seed.into());
            Box::new(SimulatedBench::new(rig.clone(), seed))
        }
        Some(_) => return Err(usage("a simulated bench brings its own plugs and reference card")),
        None => Box::new(this_computer(args)?),
    };
    let mut archive: Box<dyn Archive> = if args.record.no_record {
        Box::new(Memory::default())
    } else {
        Box::new(Store::open_at(args.record.store.as_deref())?)
    };
    let lot = lot::of_bench(&mut *archive, rig.as_ref(), args.lot.as_deref())?;
    tell!("{}: {} cards, procedure {}", named("lot", &lot.label), lot.quantity, lot.procedure.name);
    let mut runner = BenchRunner::new(lot, &mut *archive, &mut *bench, name, cancel)?;
    let progress = Progress::new(rig.is_some(), args.json);
    let mut ask = |request: Request<'_>| {
        progress.clear();
        asker.ask(request)
    };
    let tested = runner.test(cards, &mut ask, &mut |event| progress.happened(&event, events.say(&event).as_deref()));
    let (lot, lacks) = (runner.lot, runner.lacks);
    drop(progress);
    events.end();
    tested?;
    let answered = answer(&*archive, &lot, args.json);
    tell_lacks(&lacks, rig.is_some());
    answered
}

/// Says which cards stay unfinished because the bench has nothing good left for them, and the way out.
fn tell_lacks(lacks: &[(String, Lack)], is_simulated: bool) {
    for (at, (card, lack)) in lacks.iter().enumerate() {
        if lacks[..at].iter().any(|(_, told)| told == lack) {
            continue;
        }
        let card = if card == REFERENCE_LABEL { "the reference card" } else { card };
        let cards = match lacks.iter().filter(|(_, other)| other == lack).count() - 1 {
            0 => format!("{card} stays"),
            more => format!("{card} and {} stay", counted(more as u64, "more card")),
        };
        tell("warning: ", format_args!("{cards} unfinished: {}", lack.in_words()));
        // The same way out is told once.
        if lacks[..at].iter().any(|(_, told)| told.what == lack.what) {
            continue;
        }
        let how = match (lack.what, is_simulated) {
            ("plug", true) => " (a simulated bench has its plugs in its rig file)",
            ("plug", false) => " (--plugs names the plugs of this bench)",
            _ => "",
        };
        tell("hint: ", format_args!("{}{how}", lack.way_out()));
    }
}

/// This computer as a bench, if it has a card that can be tested.
fn this_computer(args: &Test) -> Result<RealBench, Failure> {
    if args.lot.is_none() {
        let hint =
            "turnback bench lot open LABEL --quantity NUMBER opens one; turnback bench rigs lists simulated benches";
        return Err(Failure::Usage("cards of this computer are tested for a lot: --lot LABEL".into(), Some(hint)));
    }
    let twice = args.plugs.iter().enumerate().find(|(at, plug)| args.plugs[..*at].contains(plug));
    if let Some((_, plug)) = twice {
        return Err(usage(format!("--plugs: two plugs are called {plug}, so a fault of one would be the other's")));
    }
    for told in restore::restore_left() {
        tell!("restored: {told}");
    }
    let mut bench = RealBench::new(args.plugs.clone(), args.reference.clone())?.looked_at(!args.yes);
    let there = bench.cards()?;
    if there.iter().all(|card| !card.why_not.is_empty()) {
        let why = there.iter().flat_map(|card| card.why_not.iter().cloned()).collect::<Vec<_>>().join("; ");
        let why = if why.is_empty() { "there is none".to_owned() } else { why };
        let hint = "turnback bench cards lists the cards of this computer";
        return Err(Failure::Usage(format!("no card of this computer can be tested: {why}"), Some(hint)));
    }
    Ok(bench)
}

/// Asks for what a person must move.
struct Asker {
    /// None: nothing is asked.
    answers: Option<Answers>,
    cautions_said: Vec<Caution>,
    /// The bench exchanges cards and plugs itself.
    moves_itself: bool,
    /// What is said where no answer comes.
    unanswered: &'static str,
}

impl Asker {
    fn new(args: &Test, moves_itself: bool, cancel: &Cancel) -> Result<Self, Failure> {
        let answers = match &args.answers {
            _ if args.yes => None,
            Some(path) => Some(
                Answers::from_file(path)
                    .map_err(|error| usage(format!("cannot read the answers in {}: {error}", path.display())))?,
            ),
            None => Some(Answers::from_terminal(cancel.clone())),
        };
        let unanswered = match args.record.no_record {
            true => "No answer came, so this ends here, and the lot is not kept. (With --yes nothing is asked.)",
            false => "No answer came, so the lot is kept for later. (With --yes nothing is asked.)",
        };
        Ok(Self { answers, cautions_said: Vec::new(), moves_itself, unanswered })
    }

    fn ask(&mut self, Request { hands, occasion, .. }: Request<'_>) -> Result<Wish, BenchError> {
        let Some(answers) = &mut self.answers else { return Ok(Wish::unasked(occasion, self.moves_itself)) };
        tell::text(&shown::hands(hands, !self.moves_itself, &mut self.cautions_said, message_width()));
        match occasion {
            Occasion::Sticker => return read_sticker(answers, self.unanswered),
            Occasion::Light(_) => return read_light(answers, self.unanswered),
            Occasion::Fitting | Occasion::Exchange => {}
        }
        loop {
            match answers.next(WHEN_DONE) {
                Ok(Some(Ok(Answer::Go))) => return Ok(Wish::Go),
                Ok(Some(Ok(Answer::Leave))) => return Ok(Wish::Leave),
                Ok(Some(Ok(_))) => tell("", "Press Enter when it is done, or type \"leave\" to go on another time."),
                Ok(Some(Err(text))) => tell("", &text),
                Ok(None) => {
                    tell("", self.unanswered);
                    return Ok(Wish::Leave);
                }
                Err(error) => return Err(unreadable(&error)),
            }
        }
    }
}

/// The port whose light blinks.
fn read_light(answers: &mut Answers, unanswered: &str) -> Result<Wish, BenchError> {
    loop {
        match answers.line("Port that blinks (Enter: nobody can see it) >").map_err(|error| unreadable(&error))? {
            None => {
                tell("", unanswered);
                return Ok(Wish::Leave);
            }
            Some(line) if line.is_empty() => return Ok(Wish::Nobody),
            Some(line) if line == "leave" => return Ok(Wish::Leave),
            Some(line) if line == "none" || line.parse().is_ok_and(|port: u32| port > 0) => {
                return Ok(Wish::Read(line));
            }
            Some(line) => tell(
                "",
                format_args!(
                    "\"{line}\" is no number of a port. Type it, or \"none\" if no light blinks. Press Enter if nobody \
                     can see it, or type \"leave\" to go on another time."
                ),
            ),
        }
    }
}

/// The address on a sticker. A scanner is a keyboard that ends with Enter.
fn read_sticker(answers: &mut Answers, unanswered: &str) -> Result<Wish, BenchError> {
    loop {
        match answers.line("Address on the sticker >").map_err(|error| unreadable(&error))? {
            None => {
                tell("", unanswered);
                return Ok(Wish::Leave);
            }
            Some(line) if line.is_empty() || line == "none" => return Ok(Wish::Nobody),
            Some(line) if line == "leave" => return Ok(Wish::Leave),
            Some(line) => match address_bytes(&line) {
                Some(_) => return Ok(Wish::Read(line)),
                None => tell(
                    "",
                    format_args!(
                        "\"{line}\" is no address such as 00:00:5e:00:53:10. Press Enter if the sticker has none, or \
                         type \"leave\" to go on another time."
                    ),
                ),
            },
        }
    }
}

fn unreadable(error: &std::io::Error) -> BenchError {
    BenchError::File { file: "answers".into(), cause: format!("cannot read the answers: {error}") }
}

/// What happens, in words and in a file.
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

    /// Writes an event to the file; what is told of it.
    fn say(&mut self, event: &BenchEvent) -> Option<String> {
        if let (Some(file), None) = (&mut self.file, &self.failed) {
            let line = serde_json::to_string(event).unwrap_or_default();
            self.failed = writeln!(file, "{line}").and_then(|()| file.flush()).err();
        }
        shown::event(event, message_width()).filter(|_| !self.quiet)
    }

    fn end(&mut self) {
        if let Some(error) = self.failed.take() {
            tell("warning: ", format_args!("events after this point could not be written: {error}"));
        }
    }
}
