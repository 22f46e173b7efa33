//! What the bench asks, and what people answered: shared by the bench at work and whoever shows it.
//!
//! An answer is kept until the test that follows it has begun, over restarts too: nobody is asked twice to move the
//! same thing.

use data_encoding::HEXLOWER;
use std::{
    collections::{BTreeMap, BTreeSet},
    sync::{Condvar, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use turnback_core::{base::caution::LOCAL_CODES_FIRST, bench::card::address_bytes};

use crate::{
    daemon::agent::{AgentError, BenchAnswer, BenchOrder, BenchView, HandsView, SlotState, SlotView, Testing},
    engine::cancel::Cancel,
    ports::locate::Blinking,
    work::bench::{
        asking::{Request, Wish},
        runner::Waits,
        seam::{Occasion, Present},
    },
};

/// Name of the note with what must not be forgotten.
pub const BENCH: &str = "bench";

/// What the bench and its viewers share.
#[derive(Debug, Default)]
pub struct BenchState {
    inner: Mutex<Inner>,
    rung: Condvar,
    /// Lights that blink until somebody has said which they are, by the id of their card test.
    lit: Mutex<BTreeMap<String, (u32, Blinking)>>,
    /// Ends the test that is on.
    pub cancel: Cancel,
}

/// What is known of the bench now.
#[derive(Debug, Default)]
pub struct Inner {
    /// As last seen; none where this machine is no bench.
    pub view: Option<BenchView>,
    /// The cards that are there, as last listed.
    pub present: Vec<Present>,
    /// Labels of the slots, as last listed.
    pub slots: Vec<String>,
    /// The tests that are on, by the labels of their cards.
    pub testing: BTreeMap<String, Testing>,
    /// Labels of the cards of which a test goes on by itself.
    pub apart: BTreeSet<String>,
    /// Cards that wait.
    pub waits: Vec<Waits>,
    /// What keeps the bench from its work.
    pub trouble: Option<String>,
    /// Requests that stand, by the id of their card test.
    pub asked: BTreeMap<String, Asked>,
    /// What must not be forgotten.
    pub kept: Kept,
    /// Somebody wants the reference card tested although it did not pass.
    pub prove_again: bool,
    rang: bool,
}

/// A request that stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    /// Label of the card.
    pub card: String,
    /// What it is for.
    pub occasion: Occasion,
    /// As it is shown.
    pub hands: HandsView,
}

/// What must not be forgotten.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Kept {
    /// Answers to requests, by their ids.
    pub answers: BTreeMap<String, Answer>,
    /// Card tests whose request nobody can fulfil, each with the label of its card.
    pub left: BTreeMap<String, String>,
    /// Requests that were announced.
    pub told: BTreeSet<String>,
}

/// An answer that has had no consequence yet.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Answer {
    /// What was read: the address on the sticker, or whose light blinks.
    #[serde(alias = "sticker")]
    pub read: Option<String>,
}

/// What comes of a request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Heard {
    /// It was answered so.
    Answered(Wish),
    /// It stands, and stood before.
    Stands,
    /// It stands from now on, and nobody was told yet.
    New(HandsView),
    /// Somebody is asked for something else first: the card named.
    After(String),
}

impl BenchState {
    /// What is known. Its lock is held briefly.
    pub fn inner(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The lights that blink. One that is taken out and dropped ends within a second.
    pub fn lights(&self) -> MutexGuard<'_, BTreeMap<String, (u32, Blinking)>> {
        self.lit.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Ends the lights that nobody is asked for any more; `standing` are the card tests whose requests stand.
    pub fn darken(&self, standing: &BTreeSet<String>) {
        self.lights().retain(|test, _| standing.contains(test));
    }

    /// Wakes the bench.
    pub fn ring(&self) {
        self.inner().rang = true;
        self.rung.notify_all();
    }

    /// Waits until somebody rings, this long at most.
    pub fn wait(&self, at_most: Duration) {
        let inner = self.inner();
        let waited = self.rung.wait_timeout_while(inner, at_most, |inner| !inner.rang);
        waited.unwrap_or_else(PoisonError::into_inner).0.rang = false;
    }
}

impl Inner {
    /// Puts a request at a time in ms since 1970 UTC.
    pub fn hear(&mut self, request: &Request<'_>, now_ms: i64) -> Heard {
        let test = &request.test.test;
        if self.kept.left.contains_key(test) {
            return Heard::Answered(Wish::Nobody);
        }
        let id = id_of(request);
        if let Some(answer) = self.kept.answers.get(&id) {
            return Heard::Answered(match request.occasion {
                Occasion::Sticker | Occasion::Light(_) => answer.read.clone().map_or(Wish::Nobody, Wish::Read),
                Occasion::Fitting | Occasion::Exchange => Wish::Go,
            });
        }
        // Two exchanges at once would be mixed up.
        let is_exchange = |asked: &Asked| asked.occasion == Occasion::Exchange;
        let other = self.asked.iter().find(|(other, asked)| *other != test && is_exchange(asked));
        if let Some((_, other)) = other.filter(|_| request.occasion == Occasion::Exchange) {
            return Heard::After(other.card.clone());
        }
        if self.asked.get(test).is_some_and(|asked| asked.hands.request == id) {
            return Heard::Stands;
        }
        let hands = shown(request, id, now_ms);
        let asked = Asked { card: request.test.label.clone(), occasion: request.occasion, hands: hands.clone() };
        self.asked.insert(test.clone(), asked);
        if self.kept.told.contains(&hands.request) { Heard::Stands } else { Heard::New(hands) }
    }

    /// What must be kept once a request is answered so, and who is asked for it; nothing is changed yet.
    ///
    /// # Errors
    /// No such request; a sticker that is no address, a light that is no port's, or what was not asked for.
    pub fn answered(&self, order: &BenchOrder) -> Result<(Kept, Asked), AgentError> {
        let unknown = || AgentError::Unknown { what: "request", name: order.request.clone() };
        let (test, asked) =
            self.asked.iter().find(|(_, asked)| asked.hands.request == order.request).ok_or_else(unknown)?;
        let read = read(order, asked)?;
        let mut kept = self.kept.clone();
        match order.answer {
            BenchAnswer::Done => {
                kept.answers.insert(order.request.clone(), Answer { read });
            }
            // A light that nobody sees says nothing of the card, whose other tests go on.
            BenchAnswer::Nobody if matches!(asked.occasion, Occasion::Light(_)) => {
                kept.answers.insert(order.request.clone(), Answer::default());
            }
            BenchAnswer::Nobody => {
                kept.left.insert(test.clone(), asked.card.clone());
            }
        }
        Ok((kept, asked.clone()))
    }

    /// Forgets the tests that are on, but for those that go on by themselves.
    pub fn clear_tests(&mut self) {
        let Self { testing, apart, .. } = self;
        testing.retain(|card, _| apart.contains(card));
    }

    /// When the tests that go on by themselves end, ms since 1970 UTC; none where nobody knows.
    pub fn apart_until_ms(&self) -> Option<i64> {
        let ends = self.apart.iter().map(|card| {
            let testing = self.testing.get(card)?;
            Some(testing.began_ms + (testing.takes_s? * 1e3) as i64)
        });
        ends.collect::<Option<Vec<i64>>>()?.into_iter().max()
    }

    /// Takes over what is kept now that a request of this card test was answered: it does not stand any more.
    pub fn take(&mut self, kept: Kept, request: &str) {
        self.kept = kept;
        self.asked.retain(|_, asked| asked.hands.request != request);
        let slots = self.view.iter_mut().flat_map(|view| &mut view.slots);
        let answered = |slot: &&mut SlotView| slot.hands.as_ref().is_some_and(|hands| hands.request == request);
        for slot in slots.filter(answered) {
            (slot.hands, slot.state, slot.why) = (None, SlotState::Waits, "its turn comes in a moment".to_owned());
        }
    }

    /// Forgets what no longer matters: requests that do not stand any more (`standing` are those of the last time that
    /// every card had its turn), and that they were announced.
    pub fn tidy(&mut self, standing: &BTreeSet<String>) {
        self.asked.retain(|test, _| standing.contains(test));
        let asked: BTreeSet<&String> = self.asked.values().map(|asked| &asked.hands.request).collect();
        self.kept.told.retain(|request| asked.contains(request));
    }
}

/// A request by card test, attempts and what it asks for: the same after a restart, and another after each attempt.
pub fn id_of(request: &Request<'_>) -> String {
    let digest = Sha256::digest(format!("{:?} {}", request.occasion, request.hands.hands));
    let short = HEXLOWER.encode(&digest[..4]);
    format!("{}-{}-{short}", request.test.test, request.test.attempts.len())
}

/// What somebody read off the card, if it is what was asked for.
fn read(order: &BenchOrder, asked: &Asked) -> Result<Option<String>, AgentError> {
    let given =
        |text: &Option<String>| text.as_deref().map(str::trim).filter(|text| !text.is_empty()).map(str::to_owned);
    let (sticker, light) = (given(&order.sticker), given(&order.light));
    let refused =
        |name, given: String, allowed: &str| Err(AgentError::Value { name, given, allowed: allowed.to_owned() });
    match (asked.occasion, sticker, light) {
        (Occasion::Sticker, Some(text), None) if address_bytes(&text).is_none() => {
            refused("sticker", text, "an address such as 00:00:5e:00:53:10; leave it out if the card has no sticker")
        }
        (Occasion::Sticker, read, None) => Ok(read),
        (Occasion::Light(_), None, light) => {
            let ports = asked.hands.light.unwrap_or_default();
            let is_port = |text: &String| text.parse().is_ok_and(|port: u32| (1..=ports).contains(&port));
            match light {
                None if order.answer == BenchAnswer::Nobody => Ok(None),
                Some(text) if text == "none" || is_port(&text) => Ok(Some(text)),
                other => {
                    refused("light", other.unwrap_or_default(), "the number of the port whose light blinks, or none")
                }
            }
        }
        (_, Some(text), _) => refused("sticker", text, "this request asks for no sticker"),
        (_, _, Some(text)) => refused("light", text, "this request asks for no light"),
        (_, None, None) => Ok(None),
    }
}

fn shown(Request { hands, occasion, test }: &Request<'_>, request: String, now_ms: i64) -> HandsView {
    let mut cautions: Vec<String> = hands.cautions.iter().map(ToString::to_string).collect();
    if !cautions.is_empty() {
        cautions.push(LOCAL_CODES_FIRST.to_owned());
    }
    HandsView {
        request,
        act: hands.hands.clone(),
        why: hands.why.clone(),
        cautions,
        sticker: *occasion == Occasion::Sticker,
        light: matches!(occasion, Occasion::Light(_)).then_some(test.card.ports.len() as u32),
        since_ms: now_ms,
    }
}

#[cfg(test)]
mod tests {
    use turnback_core::{
        bench::{procedure::Procedure, sim::builtin},
        document::card_test::{CardTest, step::Hands},
    };

    use super::*;

    fn test(label: &str) -> CardTest {
        let rig = builtin("bench-good").unwrap();
        let procedure = Procedure::named("intake").unwrap();
        let card = rig.card("HB-0001");
        CardTest { test: format!("t-{label}"), ..CardTest::of(label.to_owned(), card, rig.claim, procedure) }
    }

    fn hands(text: &str) -> Hands {
        Hands { hands: text.to_owned(), why: "why".into(), is_off: false, cautions: Vec::new() }
    }

    fn hear(inner: &mut Inner, test: &CardTest, occasion: Occasion, text: &str) -> Heard {
        inner.hear(&Request { hands: &hands(text), occasion, test }, 7)
    }

    fn order(inner: &Inner, test: &CardTest, answer: BenchAnswer, sticker: Option<&str>) -> Result<Kept, AgentError> {
        let request = inner.asked[&test.test].hands.request.clone();
        let order = BenchOrder { request, answer, sticker: sticker.map(str::to_owned), light: None };
        inner.answered(&order).map(|(kept, _)| kept)
    }

    #[test]
    fn a_request_stands_until_it_is_answered_and_comes_anew_after_an_attempt() {
        let (mut inner, mut card) = (Inner::default(), test("quay-01"));
        assert!(matches!(hear(&mut inner, &card, Occasion::Fitting, "fit P-1"), Heard::New(_)));
        assert_eq!(hear(&mut inner, &card, Occasion::Fitting, "fit P-1"), Heard::Stands);
        inner.kept = order(&inner, &card, BenchAnswer::Done, None).unwrap();
        assert_eq!(hear(&mut inner, &card, Occasion::Fitting, "fit P-1"), Heard::Answered(Wish::Go));
        // Another thing is another request; so is the same after one more attempt.
        assert!(matches!(hear(&mut inner, &card, Occasion::Fitting, "fit P-3"), Heard::New(_)));
        card.attempts.push(turnback_core::bench::attempt::Attempt {
            test: turnback_core::bench::procedure::TestName::Links,
            slot: "slot-1".into(),
            plugs: Vec::new(),
            transceivers: Vec::new(),
            began_ms: 1,
            took_s: 0.0,
            facts: None,
            findings: Vec::new(),
            bus_errors: None,
            cut_off: None,
        });
        assert!(matches!(hear(&mut inner, &card, Occasion::Fitting, "fit P-1"), Heard::New(_)));
    }

    #[test]
    fn a_card_is_left_until_somebody_asks_again() {
        let (mut inner, card) = (Inner::default(), test("quay-01"));
        hear(&mut inner, &card, Occasion::Exchange, "exchange");
        inner.kept = order(&inner, &card, BenchAnswer::Nobody, None).unwrap();
        assert_eq!(hear(&mut inner, &card, Occasion::Exchange, "something else"), Heard::Answered(Wish::Nobody));
        inner.kept.left.clear();
        assert!(matches!(hear(&mut inner, &card, Occasion::Exchange, "something else"), Heard::New(_)));
    }

    #[test]
    fn hands_exchange_one_thing_at_a_time() {
        let (mut inner, one, other) = (Inner::default(), test("quay-01"), test("quay-02"));
        hear(&mut inner, &one, Occasion::Exchange, "exchange");
        assert_eq!(hear(&mut inner, &other, Occasion::Exchange, "exchange"), Heard::After("quay-01".into()));
        assert!(matches!(hear(&mut inner, &other, Occasion::Fitting, "fit"), Heard::New(_)), "a slot of its own");
        inner.tidy(&BTreeSet::from([other.test.clone()]));
        assert!(matches!(hear(&mut inner, &other, Occasion::Exchange, "exchange"), Heard::New(_)));
    }

    #[test]
    fn a_sticker_is_an_address_and_given_where_it_is_asked_for() {
        let (mut inner, card) = (Inner::default(), test("quay-01"));
        hear(&mut inner, &card, Occasion::Sticker, "scan");
        assert!(order(&inner, &card, BenchAnswer::Done, Some("HB-0001")).is_err());
        let sticker = " 00:00:5e:00:53:10 ";
        inner.kept = order(&inner, &card, BenchAnswer::Done, Some(sticker)).unwrap();
        let read = Heard::Answered(Wish::Read(sticker.trim().to_owned()));
        assert_eq!(hear(&mut inner, &card, Occasion::Sticker, "scan"), read);
        inner.kept = Kept::default();
        inner.kept = order(&inner, &card, BenchAnswer::Done, Some("")).unwrap();
        assert_eq!(hear(&mut inner, &card, Occasion::Sticker, "scan"), Heard::Answered(Wish::Nobody));
        hear(&mut inner, &card, Occasion::Fitting, "fit");
        assert!(order(&inner, &card, BenchAnswer::Done, Some("00:00:5e:00:53:10")).is_err(), "not asked for");
    }

    #[test]
    fn whose_light_blinks_is_asked_for_each_port_and_nobody_to_look_leaves_no_card() {
        let (mut inner, card) = (Inner::default(), test("quay-01"));
        let hear = |inner: &mut Inner, port| hear(inner, &card, Occasion::Light(port), "which one");
        assert!(
            matches!(hear(&mut inner, 2), Heard::New(HandsView { light: Some(ports), sticker: false, .. }) if ports > 0)
        );
        let order = |inner: &Inner, answer, light: Option<&str>| {
            let request = inner.asked[&card.test].hands.request.clone();
            let order = BenchOrder { request, answer, sticker: None, light: light.map(str::to_owned) };
            inner.answered(&order).map(|(kept, _)| kept)
        };
        for wrong in [None, Some(""), Some("0"), Some("99"), Some("left")] {
            assert!(order(&inner, BenchAnswer::Done, wrong).is_err(), "{wrong:?}");
        }
        inner.kept = order(&inner, BenchAnswer::Done, Some(" 1 ")).unwrap();
        assert_eq!(hear(&mut inner, 2), Heard::Answered(Wish::Read("1".into())));
        // Another port is another question.
        assert!(matches!(hear(&mut inner, 1), Heard::New(_)));
        inner.kept = order(&inner, BenchAnswer::Nobody, None).unwrap();
        assert_eq!((hear(&mut inner, 1), inner.kept.left.len()), (Heard::Answered(Wish::Nobody), 0));
    }
}
