//! The bench at work by itself: a card that appears is tested, a test that was cut off goes on, and whatever needs
//! hands is shown, announced, and waits until somebody answers.
//!
//! One thread, which carries out a test on one card or several, and then looks anew. A test of hours goes on by itself,
//! `apart`, and holds up neither new cards nor answers. [`state`] holds what is asked and answered, [`room`] keeps the
//! bench away from what is not its own, `cards` and `view` show it, [`paper`] writes certificates and labels. How cards
//! are tested is in [`work::bench`](crate::work::bench).

mod apart;
mod cards;
mod pace;
pub mod paper;
mod records;
pub mod room;
pub mod state;
#[cfg(test)]
mod tests;
mod view;

use std::{
    cell::RefCell,
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
    time::{Duration, Instant},
};

use turnback_core::{
    bench::sim::{BenchRig, SimulatedBench},
    document::card_test::{CardTest, Grade},
};

use self::{
    apart::Apart,
    cards::{Cards, Noted, Shown},
    records::Records,
    room::Room,
    state::{BENCH, Heard, Kept},
};
use super::{
    agent::{BenchView, Happening},
    announce::hands::HandsNeeded,
    host::Host,
    status::Shared,
};
use crate::{
    archive::error::ArchiveError,
    config::BenchConfig,
    error_chain::with_causes,
    guard::{lock::PortLock, state::machine},
    work::bench::{
        BenchError, RealBench,
        asking::{BenchEvent, Request, Wish},
        lot, only_one,
        runner::{BenchRunner, Manner, REFERENCE_LABEL, Waits},
        seam::{Bench, Came, Order},
    },
};

/// Works until the daemon ends. Blocks: it is for a thread of its own.
pub fn work<S: Host>(host: &S, shared: &Arc<Shared>) {
    let mut at_work: Option<AtWork> = None;
    let kept = Records(Arc::clone(&shared.logbook)).logbook().note(BENCH);
    let kept = kept.ok().flatten().and_then(|text| serde_json::from_str(&text).ok());
    shared.bench.inner().kept = kept.unwrap_or_default();
    while !shared.bench.cancel.is_cancelled() {
        let config = match &at_work {
            // What takes hours is not lost for a new configuration.
            Some(bench) if bench.apart.is_some() => Some(bench.config.clone()),
            _ => shared.status().config.bench.clone(),
        };
        if at_work.as_ref().map(|bench| &bench.config) != config.as_ref() {
            // A bench that goes lets its cards go before another takes them.
            at_work = None;
        }
        let Some(config) = config else {
            shared.bench.inner().view = None;
            shared.bench.darken(&BTreeSet::new());
            trouble(shared, None);
            shared.bench.wait(IDLE);
            continue;
        };
        let done = match &mut at_work {
            Some(bench) => bench.go(shared),
            None => AtWork::new(host.bench_speed(), config).and_then(|bench| at_work.insert(bench).go(shared)),
        };
        let wait = match done {
            Ok(true) => continue,
            Ok(false) => at_work.as_ref().map_or(LOOK_AGAIN, AtWork::next_look),
            Err(error) => {
                let hint = error.hint().map_or(String::new(), |hint| format!(" ({hint})"));
                trouble(shared, Some(format!("{}{hint}", with_causes(&error))));
                TRY_AGAIN
            }
        };
        shared.bench.wait(wait);
    }
    if let Some(Err(error)) = at_work.map(|mut bench| bench.end(shared)) {
        tracing::warn!(error = with_causes(&error), "what came of the last tests is not recorded");
    }
}

/// A bench at work.
struct AtWork {
    config: BenchConfig,
    rig: Option<BenchRig>,
    /// Plugs and slots belong to it under this name.
    name: String,
    bench: Box<dyn Bench + Send>,
    /// Nobody else tests this machine's cards meanwhile.
    _only: Option<PortLock>,
    speed: Option<f64>,
    /// All cards of the lot wait for each other: what is asked for next is taken from another card.
    regardless: bool,
    /// The tests that go on by themselves.
    apart: Option<Apart>,
    /// Cards whose test was cut off: how often in a row, and until when they are left alone.
    rests: BTreeMap<String, (u32, Instant)>,
    /// Labels of the cards whose paper is to be written; none: nobody has looked yet.
    unwritten: Option<BTreeSet<String>>,
}

impl AtWork {
    fn new(speed: Option<f64>, config: BenchConfig) -> Result<Self, BenchError> {
        let rig = config.rig.as_deref().map(lot::rig).transpose()?;
        let (only, bench): (_, Box<dyn Bench + Send>) = match rig.clone() {
            Some(rig) => {
                let seed = rig.seed.into();
                (None, Box::new(SimulatedBench::new(rig, seed)))
            }
            None => {
                let only = only_one()?;
                (Some(only), Box::new(RealBench::new(config.plugs.clone(), config.reference.clone())?))
            }
        };
        Ok(Self {
            rig,
            name: config.rig.clone().unwrap_or_else(machine),
            bench,
            _only: only,
            speed,
            regardless: false,
            apart: None,
            rests: BTreeMap::new(),
            unwritten: None,
            config,
        })
    }

    /// How long until there may be something to do without anybody telling.
    fn next_look(&self) -> Duration {
        let rests = self.rests.values().map(|(_, until)| until.saturating_duration_since(Instant::now()));
        rests.filter(|left| !left.is_zero()).fold(LOOK_AGAIN, Duration::min)
    }

    /// Makes one test, if there is one to make. True: there may be more.
    fn go(&mut self, shared: &Arc<Shared>) -> Result<bool, BenchError> {
        let mut records = Records(Arc::clone(&shared.logbook));
        let lot = lot::of_bench(&mut records, self.rig.as_ref(), self.config.lot.as_deref())?;
        let label = lot.label.clone();
        let written = self.write_paper(&records, &label)?;
        let shown = Shown::new(Cards::read(&records, &self.name, lot.clone())?);
        if lot.closed.is_some() {
            refresh(shared, &shown);
            return Err(BenchError::LotClosed(label));
        }
        trouble(shared, written.err());
        let ended = self.ended()?;
        let are_several = self.apart.as_ref().is_some_and(Apart::are_several);
        if self.apart.as_ref().is_some_and(Apart::is_over) {
            self.apart = None;
        }
        let resting = |card: &str| self.rests.get(card).is_some_and(|(_, until)| *until > Instant::now());
        let reference_rests = resting(REFERENCE_LABEL);
        let tests = shown.cards().tests.clone();
        let mut without: BTreeSet<String> = shared.bench.inner().kept.left.keys().cloned().collect();
        without.extend(tests.iter().filter(|test| resting(&test.label)).map(|test| test.test.clone()));
        let prove_again = shared.bench.inner().prove_again;
        let apart = self.apart.as_ref().map(Apart::ids).unwrap_or_default();
        let manner = Manner::TestByTest { without, regardless: self.regardless, prove_again, apart };
        let heard = RefCell::new(Hearing::default());
        let mut ask = |request: Request<'_>| asked(shared, &self.config, &heard, &request);
        let (rests, unwritten) = (&mut self.rests, &mut self.unwritten);
        let mut say = |event: BenchEvent| {
            tell_log(&event);
            follow(shared, &heard, &event);
            match &event {
                BenchEvent::CutOff { card, test: Some(_), .. } => {
                    let times = rests.get(card).map_or(0, |(times, _)| *times);
                    let rest = REST.saturating_mul(2u32.saturating_pow(times)).min(REST_MAX);
                    rests.insert(card.clone(), (times + 1, Instant::now() + rest));
                }
                BenchEvent::TestEnded { card, .. } => {
                    rests.remove(card);
                }
                BenchEvent::Graded { card, .. } => {
                    unwritten.get_or_insert_default().insert(card.clone());
                }
                BenchEvent::CutOff { .. }
                | BenchEvent::TestBegan { .. }
                | BenchEvent::SetAside { .. }
                | BenchEvent::Repeated { .. } => {}
            }
            refresh(shared, &shown);
        };
        let begins = |order: &Order<'_>, takes_s: Option<f64>| {
            begins(shared, &tests, self.speed, order, takes_s);
            refresh(shared, &shown);
        };
        let mut noted = Noted { records, shown: shown.clone() };
        let (config, speed, bench) = (&self.config, self.speed, &mut *self.bench);
        let apart = &mut self.apart;
        let mut room = Room { bench, shared: Arc::clone(shared), config, speed, begins: &begins, apart };
        let cancel = shared.bench.cancel.clone();
        let name = self.name.clone();
        let mut runner = BenchRunner::new(lot, &mut noted, &mut room, name, cancel)?.in_manner(manner);
        for (id, came) in ended {
            runner.ended(&id, came, are_several, &mut say)?;
        }
        let tested = if reference_rests { Ok(false) } else { runner.test(&[], &mut ask, &mut say) };
        let mut waits = std::mem::take(&mut runner.waits);
        let lacks = std::mem::take(&mut runner.lacks);
        drop(runner);
        let labels = self.apart.as_ref().map(Apart::labels).unwrap_or_default();
        shared.bench.inner().apart = labels;
        if reference_rests {
            return Ok(false);
        }
        let tested = tested?;
        if let Some((card, lack)) = lacks.first() {
            trouble(shared, Some(format!("card {card}: {} ({})", lack.in_words(), lack.way_out())));
        }
        let heard = heard.into_inner();
        let rests = self.rests.iter().filter(|(_, (_, until))| *until > Instant::now());
        let why = || "its test was cut off; it goes on in a while".to_owned();
        waits.extend(rests.map(|(card, _)| Waits { card: card.clone(), why: why(), is_for_apart: false }));
        let mut again = tested;
        if !tested {
            shared.bench.darken(&heard.standing);
        }
        {
            let mut inner = shared.bench.inner();
            inner.clear_tests();
            if tested {
                (self.regardless, inner.prove_again) = (false, false);
            } else {
                // Every card had its turn: what was not asked for now does not stand any more.
                inner.tidy(&heard.standing);
                // What goes on by itself has an end, and gives back what it keeps.
                if !self.regardless && self.apart.is_none() && inner.asked.is_empty() && !waits.is_empty() {
                    (self.regardless, again) = (true, true);
                }
            }
            inner.waits = waits.into_iter().chain(heard.waits).collect();
        }
        refresh(shared, &shown);
        Ok(again)
    }

    /// What has come of the tests that go on by themselves.
    fn ended(&mut self) -> Result<Vec<(String, Came)>, BenchError> {
        let Some(apart) = &mut self.apart else { return Ok(Vec::new()) };
        let ended = apart.ended();
        if ended.is_err() {
            self.apart = None;
        }
        ended
    }

    /// Waits for the tests that go on by themselves, which were asked to end, and records what came of them.
    fn end(&mut self, shared: &Arc<Shared>) -> Result<(), BenchError> {
        let Some(mut apart) = self.apart.take() else { return Ok(()) };
        let (joined, are_several) = (apart.join(), apart.are_several());
        let mut records = Records(Arc::clone(&shared.logbook));
        let lot = lot::of_bench(&mut records, self.rig.as_ref(), self.config.lot.as_deref())?;
        let cancel = shared.bench.cancel.clone();
        let mut runner = BenchRunner::new(lot, &mut records, &mut *self.bench, self.name.clone(), cancel)?;
        for (id, came) in apart.ended()? {
            runner.ended(&id, came, are_several, &mut |event| tell_log(&event))?;
        }
        joined
    }

    /// Writes the paper of the cards that were graded; the inner error names what could not be written.
    fn write_paper(&mut self, records: &Records, label: &str) -> Result<Result<(), String>, BenchError> {
        if self.unwritten.as_ref().is_some_and(BTreeSet::is_empty) {
            return Ok(Ok(()));
        }
        let mut wrong = Ok(());
        let mut left = BTreeSet::new();
        for test in lot::card_tests(records, label)? {
            if self.unwritten.as_ref().is_some_and(|cards| !cards.contains(&test.label)) {
                continue;
            }
            if let Err(error) = paper::write(&self.config, &test) {
                wrong = Err(error);
                left.insert(test.label);
            }
        }
        self.unwritten = Some(left);
        Ok(wrong)
    }
}

/// What was heard while every card had its turn.
#[derive(Default)]
struct Hearing {
    /// Card tests whose request stands.
    standing: BTreeSet<String>,
    /// Cards that wait for hands that are busy elsewhere.
    waits: Vec<Waits>,
    /// Requests whose answers were used.
    used: Vec<String>,
}

/// What a request comes to: an answer, or that it stands.
fn asked(
    shared: &Shared,
    config: &BenchConfig,
    heard: &RefCell<Hearing>,
    request: &Request<'_>,
) -> Result<Wish, BenchError> {
    if !config.ask {
        return Ok(Wish::unasked(request.occasion, config.rig.is_some()));
    }
    let (test, now_ms) = (request.test, shared.now_ms());
    let mut heard = heard.borrow_mut();
    let came = shared.bench.inner().hear(request, now_ms);
    match came {
        Heard::Answered(wish) => {
            heard.used.push(state::id_of(request));
            return Ok(wish);
        }
        Heard::After(other) => {
            let why = format!("hands are needed at card {other} first");
            heard.waits.push(Waits { card: test.label.clone(), why, is_for_apart: false });
            return Ok(Wish::Later);
        }
        Heard::Stands => {}
        Heard::New(hands) => {
            let request = hands.request.clone();
            tracing::info!(card = test.label, slot = test.slot, act = hands.act, "hands are needed");
            let targets = match config.announce.is_empty() {
                true => shared.status().config.targets.iter().map(|target| target.name.clone()).collect(),
                false => config.announce.clone(),
            };
            let outgoing = HandsNeeded::new(&test.label, &test.slot, &hands).to(&targets, now_ms);
            Records(Arc::clone(&shared.logbook)).logbook().post(&outgoing)?;
            keep(shared, |kept| kept.told.extend([request]))?;
            shared.posted.notify_one();
        }
    }
    heard.standing.insert(test.test.clone());
    Ok(Wish::Later)
}

/// Follows what happens: a test that began has used up the answers before it.
fn follow(shared: &Shared, heard: &RefCell<Hearing>, event: &BenchEvent) {
    {
        let mut inner = shared.bench.inner();
        inner.asked.retain(|_, asked| asked.card != event.card());
        if !matches!(event, BenchEvent::TestBegan { .. }) {
            inner.testing.remove(event.card());
            return;
        }
    }
    let used = std::mem::take(&mut heard.borrow_mut().used);
    let forget = |kept: &mut Kept| kept.answers.retain(|request, _| !used.contains(request));
    if let Err(error) = keep(shared, forget) {
        tracing::warn!(error = with_causes(&error), "an answer that was used cannot be struck out");
    }
}

/// A test begins, or it is known how long it takes.
fn begins(shared: &Shared, others: &[CardTest], speed: Option<f64>, order: &Order<'_>, takes_s: Option<f64>) {
    let speed = speed.unwrap_or(1.0);
    let now_ms = shared.now_ms();
    let mut testing = view::testing(order.test, order.name, others, now_ms, speed);
    testing.takes_s = takes_s.map(|takes_s| takes_s / speed).or(testing.takes_s);
    shared.bench.inner().testing.insert(order.test.label.clone(), testing);
}

/// Changes what must not be forgotten, on disk first.
///
/// # Errors
/// It cannot be written; then nothing has changed.
pub fn keep(shared: &Shared, change: impl FnOnce(&mut Kept)) -> Result<(), ArchiveError> {
    // Under the logbook's lock, so that of two changes at once the later is written last.
    let records = Records(Arc::clone(&shared.logbook));
    let mut logbook = records.logbook();
    let mut kept = shared.bench.inner().kept.clone();
    change(&mut kept);
    if kept == shared.bench.inner().kept {
        return Ok(());
    }
    logbook.keep_note(BENCH, &serde_json::to_string(&kept).unwrap_or_default())?;
    shared.bench.inner().kept = kept;
    Ok(())
}

/// Shows the bench as it is now.
fn refresh(shared: &Shared, shown: &Shown) {
    let mut inner = shared.bench.inner();
    let view = view::view(&shown.cards(), &inner);
    show(shared, &mut inner.view, view);
}

fn show(shared: &Shared, shown: &mut Option<BenchView>, view: BenchView) {
    if shown.as_ref() != Some(&view) {
        *shown = Some(view);
        shared.tell(Happening::Bench);
    }
}

/// Says what keeps the bench from its work, or that nothing does.
fn trouble(shared: &Shared, text: Option<String>) {
    {
        let troubles = &mut shared.status().troubles;
        match &text {
            Some(text) if troubles.get(BENCH) != Some(text) => {
                tracing::error!(error = text, "the bench cannot work");
                troubles.insert(BENCH, text.clone());
            }
            Some(_) => {}
            None => {
                troubles.remove(BENCH);
            }
        }
    }
    let mut inner = shared.bench.inner();
    inner.trouble.clone_from(&text);
    inner.clear_tests();
    if let Some(view) = inner.view.clone().or_else(|| text.is_some().then(BenchView::default)) {
        show(shared, &mut inner.view, BenchView { trouble: text, ..view });
    }
}

fn tell_log(event: &BenchEvent) {
    match event {
        BenchEvent::TestBegan { card, test, slot, .. } => tracing::info!(card, test = test.name(), slot, "test begins"),
        BenchEvent::TestEnded { card, test, failed, took_s, .. } => {
            let failed: Vec<String> = failed.iter().map(|finding| finding.rule.to_string()).collect();
            tracing::info!(card, test = test.name(), failed = failed.join(", "), took_s, "test ended");
        }
        BenchEvent::Repeated { card, test } => {
            tracing::info!(card, test = test.name(), "test failed beside other cards, and is repeated alone");
        }
        BenchEvent::SetAside { card, aside } => {
            tracing::warn!(card, thing = aside.thing, why = aside.why, "set aside");
        }
        BenchEvent::CutOff { card, test, why } => {
            tracing::warn!(card, test = test.map(|test| test.name()), why, "card test cut off");
        }
        // What cannot be graded yet is looked at again and again.
        BenchEvent::Graded { card, grade: Grade::Unfinished } => tracing::debug!(card, "card not graded yet"),
        BenchEvent::Graded { card, grade } => tracing::info!(card, grade = grade.name(), "card graded"),
    }
}

/// Where this machine is no bench, only a new configuration changes that, and it rings.
const IDLE: Duration = Duration::from_secs(24 * 3600);
/// Cards that come are told of; what else may have changed is looked for this often. Looking reads every card's memory.
const LOOK_AGAIN: Duration = Duration::from_secs(300);
/// How soon it is tried again where something was missing.
const TRY_AGAIN: Duration = Duration::from_secs(15);
/// How long a card is left alone whose test was cut off, doubled each time, and at most.
const REST: Duration = Duration::from_secs(60);
const REST_MAX: Duration = Duration::from_secs(3600);
