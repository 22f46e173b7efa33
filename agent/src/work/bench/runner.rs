//! Carries out the tests of cards on a simulated bench.

use std::collections::BTreeSet;

use serde::Serialize;
use turnback_core::{
    base::{caution::Caution, labels::Labels},
    bench::{
        attempt::Attempt,
        blame::{Use, at_fault},
        facts::{DataRun, Facts},
        findings::{RestsOn, findings},
        procedure::{Procedure, TestName},
        sim::{Setup, SimulatedBench, rig::REFERENCE},
    },
    document::{
        Document,
        card_test::{
            CardTest, FORMAT, Grade, Proof,
            settle::BenchKnows,
            step::{Hands, Step},
        },
        lot::Lot,
    },
    judge::{RuleId, Verdict},
    kind::rig::AnyRig,
    plan::Profile,
};

use super::{
    BenchError,
    lot::{self, card_tests},
};
use crate::{
    archive::{Archive, Listed, Query},
    engine::{CheckError, CheckOptions, cancel::Cancel, check},
    ports::simulated,
    work::{PROGRAM, now, this_moment},
};

/// What happens on the bench.
#[derive(Clone, Debug, Serialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
pub enum BenchEvent {
    /// A test begins.
    TestBegan {
        /// Label of the card.
        card: String,
        /// The test.
        test: TestName,
        /// Label of the slot.
        slot: String,
        /// Label of the plug in each port.
        plugs: Vec<Option<String>>,
    },
    /// A test ended.
    TestEnded {
        /// Label of the card.
        card: String,
        /// The test.
        test: TestName,
        /// Rules whose limits were not met.
        failed: Vec<RuleId>,
        /// How long it took, seconds.
        took_s: f64,
    },
    /// A card has a grade, or cannot get one now.
    Graded {
        /// Label of the card.
        card: String,
        /// The grade.
        grade: Grade,
    },
}

/// What a person answers to a request to move something.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wish {
    /// It is done.
    Go,
    /// Go on another time.
    Leave,
}

/// Asks a person to move something.
pub type Ask<'a> = &'a mut dyn FnMut(&Hands) -> Result<Wish, BenchError>;
/// Tells what happens.
pub type Say<'a> = &'a mut dyn FnMut(BenchEvent);

/// A bench at work on a lot.
pub struct BenchRunner<'a> {
    /// The lot.
    pub lot: Lot,
    archive: &'a mut dyn Archive,
    bench: SimulatedBench,
    name: String,
    cancel: Cancel,
    last_ms: i64,
    /// The newest test of the reference card, if the bench is proved by it.
    reference: Option<CardTest>,
}

/// How far the work on a card or lot came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Led {
    ToItsEnd,
    Left,
}

impl<'a> BenchRunner<'a> {
    /// A bench with a lot. `name` tells its plugs and slots from those of other benches.
    ///
    /// # Errors
    /// [`BenchError::LotClosed`].
    pub fn new(
        lot: Lot,
        archive: &'a mut dyn Archive,
        bench: SimulatedBench,
        name: String,
        cancel: Cancel,
    ) -> Result<Self, BenchError> {
        if lot.closed.is_some() {
            return Err(BenchError::LotClosed(lot.label));
        }
        Ok(Self { lot, archive, bench, name, cancel, last_ms: 0, reference: None })
    }

    /// Label of the card with this number in the lot.
    fn label(&self, number: u32) -> String {
        format!("{}-{number:02}", self.lot.label)
    }

    /// Tests the cards of the lot that have no grade yet, or those that are named.
    ///
    /// # Errors
    /// [`BenchError`].
    pub fn test(&mut self, cards: &[String], ask: Ask<'_>, say: Say<'_>) -> Result<(), BenchError> {
        let there = (self.bench.rig.cards.len() as u32).min(self.lot.quantity);
        let numbers: Vec<u32> = (1..=there).filter(|number| self.lot.tests(*number)).collect();
        let labels: Vec<String> = numbers.iter().map(|number| self.label(*number)).collect();
        if let Some(unknown) = cards.iter().find(|card| !labels.contains(card)) {
            let (lot, card) = (self.lot.label.clone(), unknown.clone());
            return Err(BenchError::NoCard { lot, card, known: labels.join(", ") });
        }
        if self.prove(ask, say)? == Led::Left {
            return Ok(());
        }
        for (number, label) in numbers.into_iter().zip(labels) {
            if !cards.is_empty() && !cards.contains(&label) {
                continue;
            }
            let known = card_tests(&*self.archive, &self.lot.label)?.into_iter().find(|test| test.label == label);
            let test = match known {
                Some(test) if test.grade == Grade::Unfinished && test.next.is_some() => test,
                // One that was graded, or cannot be, is tested again only if somebody names it.
                Some(_) if cards.is_empty() => continue,
                _ => self.new_test(label, number),
            };
            let led = self.lead(test, ask, say)?;
            lot::settle(self.archive, &mut self.lot)?;
            if led == Led::Left || self.cancel.is_cancelled() {
                break;
            }
        }
        Ok(())
    }

    /// Tests the reference card, unless it was tested not long ago.
    fn prove(&mut self, ask: Ask<'_>, say: Say<'_>) -> Result<Led, BenchError> {
        let own = self.all_tests()?.into_iter().filter(|test| test.is_reference && test.label == REFERENCE_LABEL);
        let newest = own.max_by(|a, b| a.test.cmp(&b.test));
        let lasts_ms = self.lot.procedure.bench_proof_lasts.as_millis() as i64;
        let holds = |test: &CardTest| {
            test.grade == Grade::Accepted && ended_ms(test) + lasts_ms > jiff::Timestamp::now().as_millisecond()
        };
        let procedure = Procedure { identity: None, may_lack: Vec::new(), ..self.lot.procedure.clone() };
        let test = match newest {
            Some(test) if holds(&test) && test.procedure == procedure => {
                self.reference = Some(test);
                return Ok(Led::ToItsEnd);
            }
            Some(test) if test.grade == Grade::Unfinished && test.next.is_some() && test.procedure == procedure => test,
            _ => self.reference_test(REFERENCE_LABEL, procedure),
        };
        let led = self.lead(test, ask, say)?;
        let tested = self.all_tests()?.into_iter().filter(|test| test.is_reference && test.label == REFERENCE_LABEL);
        self.reference = tested.max_by(|a, b| a.test.cmp(&b.test)).filter(holds);
        Ok(led)
    }

    fn reference_test(&self, label: &str, procedure: Procedure) -> CardTest {
        let mut test = self.new_test(label.to_owned(), 0);
        test.card = self.bench.rig.card(REFERENCE);
        (test.lot, test.is_reference, test.procedure) = (None, true, procedure);
        test.slot = REFERENCE_SLOT.to_owned();
        test
    }

    fn new_test(&self, label: String, number: u32) -> CardTest {
        let serial = self.bench.rig.cards.get((number as usize).wrapping_sub(1)).map_or(REFERENCE, |c| &c.serial);
        CardTest {
            format: FORMAT,
            program: PROGRAM.to_owned(),
            test: uuid::Uuid::now_v7().to_string(),
            label,
            lot: Some(self.lot.label.clone()),
            bench: self.name.clone(),
            started_at: now(),
            changed_at: this_moment(),
            is_reference: false,
            card: self.bench.rig.card(serial),
            claim: self.lot.claim.clone(),
            procedure: self.lot.procedure.clone(),
            slot: String::new(),
            plugs: Vec::new(),
            attempts: Vec::new(),
            proof: None,
            grade: Grade::Unfinished,
            verdict: Verdict::unjudged(),
            next: None,
        }
    }

    /// Leads one card through its procedure.
    fn lead(&mut self, mut test: CardTest, ask: Ask<'_>, say: Say<'_>) -> Result<Led, BenchError> {
        for attempt in test.attempts.iter_mut().filter(|attempt| !attempt.is_done()) {
            attempt.cut_off.get_or_insert_with(|| "the program ended before the test did".to_owned());
        }
        let mut knows = self.knows(&test)?;
        if test.plugs.is_empty() {
            self.place(&mut test, &knows)?;
            self.keep(&mut test, &knows)?;
            if ask(&fitting(&test))? == Wish::Leave {
                return Ok(Led::Left);
            }
        }
        self.keep(&mut test, &knows)?;
        while let Some(step) = test.next.clone() {
            if self.cancel.is_cancelled() {
                return Ok(Led::Left);
            }
            let to = self.offered(&test, &step, &knows.history);
            if let Some(hands) = step.hands(&test, to.as_deref()) {
                if to.is_none() && matches!(step, Step::OtherPlug { .. } | Step::OtherSlot { .. }) {
                    // No good one is left. The card stays unfinished, and says what it needs.
                    break;
                }
                if ask(&hands)? == Wish::Leave {
                    return Ok(Led::Left);
                }
                if let Step::ProvePlug { .. } | Step::ProveSlot { .. } = &step {
                    self.prove_thing(&step, say)?;
                    knows = self.knows(&test)?;
                    self.keep(&mut test, &knows)?;
                    continue;
                }
                moved(&mut test, &step, to.unwrap_or_default());
            }
            self.attempt(&mut test, step.test(), &knows, say)?;
        }
        if !self.cancel.is_cancelled() {
            say(BenchEvent::Graded { card: test.label.clone(), grade: test.grade });
        }
        Ok(Led::ToItsEnd)
    }

    /// Tries a plug or slot with the reference card.
    fn prove_thing(&mut self, step: &Step, say: Say<'_>) -> Result<(), BenchError> {
        let only = |test: TestName| {
            let (all, none) = (&self.lot.procedure, bare());
            match test {
                TestName::Links => Procedure { links: all.links.clone(), ..none },
                TestName::Data => Procedure { data: all.data.clone(), ..none },
                TestName::Transceiver => Procedure { transceiver: all.transceiver.clone(), ..none },
                TestName::Load => Procedure { load: all.load.clone(), ..none },
                TestName::Bus => Procedure { bus: all.bus.clone(), ..none },
                TestName::BurnIn => Procedure { load: all.load.clone(), burn_in: all.burn_in.clone(), ..none },
                TestName::Identity | TestName::SelfTest | TestName::Offloads => none,
            }
        };
        let thing = match step {
            Step::ProvePlug { plug, .. } => plug,
            Step::ProveSlot { slot, .. } => slot,
            _ => return Ok(()),
        };
        let mut test = self.reference_test(&format!("{REFERENCE_LABEL} with {thing}"), only(step.test()));
        let knows = self.knows(&test)?;
        self.place(&mut test, &knows)?;
        match step {
            Step::ProvePlug { plug, .. } => {
                // The other ports keep good plugs, which are not this one.
                let other = |label: &Option<String>| label.as_ref() == Some(plug);
                if let Some(at) = test.plugs.iter().position(other) {
                    test.plugs.swap(0, at);
                } else {
                    test.plugs[0] = Some(plug.clone());
                }
            }
            _ => test.slot.clone_from(thing),
        }
        self.attempt(&mut test, step.test(), &knows, say)
    }

    /// The first good slot, and good plugs.
    fn place(&self, test: &mut CardTest, knows: &BenchKnows) -> Result<(), BenchError> {
        let (bad_slots, bad_plugs) = (at_fault(&knows.history, RestsOn::Slot), at_fault(&knows.history, RestsOn::Plug));
        let needs = |what| BenchError::NothingLeft { card: test.label.clone(), what };
        if !test.is_reference {
            // Cards go through all slots in turn, as on a bench where several are at work.
            let good: Vec<&str> = self.slots().filter(|slot| !bad_slots.contains(*slot)).collect();
            let used = knows.history.iter().filter(|use_| use_.on == RestsOn::Slot).map(|use_| &use_.card);
            let turn = used.collect::<BTreeSet<_>>().len();
            let slot = good.get(turn % good.len().max(1)).ok_or_else(|| needs("slot"))?;
            test.slot = (*slot).to_owned();
        }
        let mut good = self.plugs().filter(|plug| !bad_plugs.contains(*plug));
        let plugs: Option<Vec<Option<String>>> =
            test.card.ports.iter().map(|_| good.next().map(|plug| Some(plug.to_owned()))).collect();
        test.plugs = plugs.ok_or_else(|| needs("plug"))?;
        Ok(())
    }

    fn slots(&self) -> impl Iterator<Item = &str> {
        self.bench.rig.slots.iter().map(|slot| slot.label.as_str())
    }

    fn plugs(&self) -> impl Iterator<Item = &str> {
        self.bench.rig.plugs.iter().map(|plug| plug.label.as_str())
    }

    /// The plug or slot that a step needs, if the bench has a good one.
    fn offered(&self, test: &CardTest, step: &Step, others: &[Use]) -> Option<String> {
        let history: Vec<Use> = others.iter().cloned().chain(test.uses()).collect();
        let good = |on| {
            let bad = at_fault(&history, on);
            move |thing: &&str| !bad.contains(*thing)
        };
        let found = match step {
            Step::OtherPlug { not, .. } => {
                let is_free = |plug: &&str| {
                    !not.iter().any(|tried| tried == plug) && !test.plugs.iter().flatten().any(|fitted| fitted == plug)
                };
                self.plugs().filter(good(RestsOn::Plug)).find(is_free)
            }
            Step::OtherSlot { not, .. } => {
                self.slots().filter(good(RestsOn::Slot)).find(|slot| !not.iter().any(|tried| tried == slot))
            }
            _ => None,
        };
        found.map(str::to_owned)
    }

    /// One try at a test, kept before and after.
    fn attempt(
        &mut self,
        test: &mut CardTest,
        name: TestName,
        knows: &BenchKnows,
        say: Say<'_>,
    ) -> Result<(), BenchError> {
        let began_ms = jiff::Timestamp::now().as_millisecond().max(self.last_ms + 1);
        self.last_ms = began_ms;
        let done = test.attempts.iter().filter(|attempt| attempt.test == name && attempt.is_done()).count() as u64;
        test.attempts.push(Attempt {
            test: name,
            slot: test.slot.clone(),
            plugs: test.plugs.clone(),
            began_ms,
            took_s: 0.0,
            facts: None,
            findings: Vec::new(),
            bus_errors: None,
            cut_off: None,
        });
        self.keep(test, knows)?;
        let (card, slot, plugs) = (test.label.clone(), test.slot.clone(), test.plugs.clone());
        say(BenchEvent::TestBegan { card: card.clone(), test: name, slot, plugs });
        let measured = self.measure(test, name, done + 1)?;
        let Some(last) = test.attempts.last_mut() else { return Ok(()) };
        let Some((facts, took_s)) = measured else {
            last.cut_off = Some("ended by hand".to_owned());
            return Ok(self.keep(test, knows)?);
        };
        last.findings = findings(&facts, &test.procedure, &test.card, &test.claim);
        (last.facts, last.took_s) = (Some(facts), took_s);
        let failed = last.findings.iter().filter(|finding| !finding.met).map(|f| f.rule.clone()).collect();
        self.keep(test, knows)?;
        say(BenchEvent::TestEnded { card, test: name, failed, took_s });
        Ok(())
    }

    /// What a test measures and how long it took; none if it was ended by hand.
    fn measure(&mut self, test: &CardTest, name: TestName, attempt: u64) -> Result<Option<(Facts, f64)>, BenchError> {
        let serial = test.card.serial.clone().unwrap_or_default();
        let bench_share = self.reference.as_ref().and_then(CardTest::throughput_share).unwrap_or(1.0);
        let setup = Setup { serial: &serial, slot: &test.slot, plugs: &test.plugs, bench_share, attempt };
        if let Some((facts, took_s)) = self.bench.measure(&setup, name, &test.procedure) {
            let is_measure = test.is_reference && self.reference.is_none();
            return Ok(Some((if is_measure { facts.measuring_the_bench() } else { facts }, took_s)));
        }
        let mut runs = Vec::new();
        let mut took_s = 0.0;
        for number in 1..=test.card.ports.len() as u32 {
            let rig = AnyRig::Frames(Box::new(self.bench.port(&setup, number)));
            let seed = self.bench.seed(&setup, number);
            let mut port = simulated::of(&rig, format!("sim:{}.{number}", test.label), seed);
            let options = CheckOptions {
                profile: Profile::named(&test.procedure.data.clone().unwrap_or_default().profile)
                    .map_err(CheckError::from)?,
                placement: None,
                cable: None,
                labels: Labels { plug: test.plugs.get(number as usize - 1).cloned().flatten(), ..Labels::default() },
                machine: crate::guard::state::machine(),
                speed_mbps: None,
                seed,
                run: uuid::Uuid::now_v7().to_string(),
                started_at: now(),
                although_in_service: false,
                confirm: false,
                line: Default::default(),
            };
            let report = check(&mut *port, None, options, &mut |_| {}, &self.cancel)?;
            if self.cancel.is_cancelled() {
                return Ok(None);
            }
            took_s += report.duration_s.unwrap_or(0.0);
            let reason = report.verdict.reasons.first();
            runs.push(DataRun {
                port: number,
                run: report.run.clone(),
                outcome: report.verdict.outcome,
                location: report.verdict.location.clone(),
                rule: reason.map(|reason| reason.rule.clone()),
                text: reason.map_or(String::new(), |reason| reason.text.clone()),
                proved_below: report.error_ratio.as_ref().map(|ratio| ratio.proved_below),
                limit: report.limit.bit_error_ratio,
            });
            self.archive.put(&Document::from(report))?;
        }
        Ok(Some((Facts::Data { runs }, took_s)))
    }

    fn all_tests(&self) -> Result<Vec<CardTest>, BenchError> {
        let found = self.archive.list(Query::CardTests { lot: None }, None)?;
        Ok(found.into_iter().filter_map(Listed::into_card_test).filter(|test| test.bench == self.name).collect())
    }

    /// What the bench knows beside this card.
    fn knows(&self, test: &CardTest) -> Result<BenchKnows, BenchError> {
        let others: Vec<CardTest> = self.all_tests()?.into_iter().filter(|other| other.test != test.test).collect();
        let strangers = others.iter().filter(|other| !other.card.is(&test.card));
        let proof = self.reference.as_ref().map(|reference| Proof {
            test: reference.test.clone(),
            at: reference.changed_at.clone(),
            at_ms: ended_ms(reference),
        });
        Ok(BenchKnows {
            history: others.iter().flat_map(CardTest::uses).collect(),
            addresses: strangers
                .flat_map(|other| other.card.addresses().map(|address| (other.label.clone(), address.to_owned())))
                .collect(),
            proof,
        })
    }

    fn keep(&mut self, test: &mut CardTest, knows: &BenchKnows) -> Result<(), crate::archive::error::ArchiveError> {
        test.settle(knows);
        test.changed_at = this_moment();
        test.program = PROGRAM.to_owned();
        self.archive.put(&Document::from(test.clone()))
    }
}

/// Moves what a step moves.
fn moved(test: &mut CardTest, step: &Step, to: String) {
    match step {
        Step::ExchangePlugs { port, with, .. } => test.plugs.swap(*port as usize - 1, *with as usize - 1),
        Step::OtherPlug { port, .. } => test.plugs[*port as usize - 1] = Some(to),
        Step::OtherSlot { .. } => test.slot = to,
        Step::Test { .. } | Step::ProvePlug { .. } | Step::ProveSlot { .. } => {}
    }
}

/// The first thing to do with a card.
fn fitting(test: &CardTest) -> Hands {
    let plugs = (1..).zip(&test.plugs).filter_map(|(port, plug)| Some(format!("{} to port {port}", plug.as_ref()?)));
    let plugs = plugs.collect::<Vec<_>>().join(", ");
    let mut cautions = vec![Caution::LiveChassis, Caution::StaticDischarge];
    cautions.extend(test.card.ports.iter().flat_map(|port| port.medium.cautions()));
    cautions.sort_unstable();
    cautions.dedup();
    Hands {
        hands: format!(
            "switch the computer off, put card {} into slot {}, and fit plug {plugs}",
            test.label, test.slot
        ),
        why: "the tests begin when the card is found".to_owned(),
        cautions,
    }
}

fn ended_ms(test: &CardTest) -> i64 {
    test.attempts.last().map_or(0, |attempt| attempt.began_ms + (attempt.took_s * 1e3) as i64)
}

/// A procedure without a test.
fn bare() -> Procedure {
    Procedure {
        name: "prove".to_owned(),
        about: String::new(),
        may_lack: Vec::new(),
        bench_proof_lasts: std::time::Duration::from_secs(1),
        identity: None,
        self_test: None,
        links: None,
        data: None,
        offloads: None,
        transceiver: None,
        load: None,
        bus: None,
        burn_in: None,
    }
}

const REFERENCE_LABEL: &str = "reference";
/// The slot in which the reference card stays.
const REFERENCE_SLOT: &str = "reference";
