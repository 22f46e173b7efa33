//! A lot: a batch of cards from one source, with one claim and one procedure.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::card_test::{CardTest, Grade};
use crate::base::figure;
use crate::bench::claim::Claim;
use crate::bench::facts::Facts;
use crate::bench::guilt::{SetAside, set_aside};
use crate::bench::procedure::{Procedure, TestName};
use crate::judge::{Outcome, Reason, RuleId, Verdict};
use crate::stats::mtbf::mtbf_at_least;
use crate::stats::sampling::SamplingPlan;

/// Version of the document. It grows by one when a field changes its meaning or goes; new fields do not change it.
pub const FORMAT: u32 = 1;

/// The whole lot. Its JSON says `"document": "lot"`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "document", rename = "lot")]
pub struct Lot {
    /// Version of this document.
    pub format: u32,
    /// Program and its version that wrote it last.
    pub program: String,
    /// Unique id of the lot.
    pub lot: String,
    /// Its label.
    pub label: String,
    /// When it was opened, RFC 3339 with zone.
    pub opened_at: String,
    /// When it was changed last.
    pub changed_at: String,
    /// Where the cards come from.
    pub source: String,
    /// What they are said to be.
    pub claim: Claim,
    /// How many there are.
    pub quantity: u32,
    /// What they are tested with.
    pub procedure: Procedure,
    /// Which cards are tested, if not all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sampling: Option<Sampling>,
    /// Somebody closed it, with this remark.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub closed: Option<String>,
    /// What is known of its cards.
    pub summary: LotSummary,
    /// What is decided about it.
    pub verdict: Verdict,
}

/// Which cards of a lot are tested.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sampling {
    /// The plan.
    pub plan: SamplingPlan,
    /// Seed of the drawing.
    pub seed: u64,
    /// Numbers of the cards that were drawn, from 1.
    pub drawn: Vec<u32>,
}

/// What is known of the cards of a lot.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LotSummary {
    /// Cards that are to be tested.
    pub to_test: u32,
    /// Cards of each grade.
    pub grades: BTreeMap<String, u32>,
    /// Each card that was begun, in the order of their labels.
    pub cards: Vec<LotCard>,
    /// Why cards are limited or rejected, the most frequent first.
    pub reasons: Vec<Frequency>,
    /// Cards graded while the bench was not proved.
    pub unproved: u32,
    /// What stands out: cards that differ from the others, addresses that two cards bear.
    pub oddities: Vec<String>,
    /// Plugs, slots and transceivers that are at fault.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub set_aside: Vec<SetAside>,
    /// Measured values, card by card.
    pub figures: Vec<Distribution>,
    /// Hours of burn-in of all cards together.
    pub burn_in_h: f64,
    /// Mean time between failures that these hours prove, hours.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mtbf_h: Option<f64>,
}

/// A card of a lot.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LotCard {
    /// Its label.
    pub card: String,
    /// Its serial number.
    pub serial: Option<String>,
    /// Its grade.
    pub grade: Grade,
    /// Why, unless it is accepted.
    pub why: String,
}

/// How often a rule spoke against a card.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Frequency {
    /// The rule.
    pub rule: RuleId,
    /// Cards.
    pub cards: u32,
}

/// A measured value of every card.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Distribution {
    /// What was measured.
    pub name: String,
    /// Its unit.
    pub unit: String,
    /// Median of all cards.
    pub median: f64,
    /// Each card with its value, and whether it is far from the others.
    pub cards: Vec<Spot>,
}

/// The value of one card.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Spot {
    /// Label of the card.
    pub card: String,
    /// The value.
    pub value: f64,
    /// It is far from the others.
    pub is_outlier: bool,
}

impl LotSummary {
    /// Cards with this grade.
    pub fn graded(&self, grade: Grade) -> u32 {
        self.grades.get(grade.name()).copied().unwrap_or(0)
    }

    /// Cards that are not accepted, in a sample.
    fn faulty(&self) -> u32 {
        self.graded(Grade::Rejected) + self.graded(Grade::Limited)
    }
}

impl Lot {
    /// Whether the card with this number is to be tested.
    pub fn tests(&self, number: u32) -> bool {
        self.sampling.as_ref().is_none_or(|sampling| sampling.drawn.contains(&number))
    }

    /// Sums up the cards of the lot and decides about it. `tests` holds the newest card test of each card, `references`
    /// the tests of the reference cards of their benches.
    pub fn settle(&mut self, tests: &[CardTest], references: &[CardTest]) {
        self.summary = self.summed_up(tests);
        let uses: Vec<_> = tests.iter().chain(references).flat_map(CardTest::uses).collect();
        self.summary.set_aside = set_aside(&uses);
        self.verdict = self.decided();
    }

    fn summed_up(&self, tests: &[CardTest]) -> LotSummary {
        let mut grades: BTreeMap<String, u32> = Grade::ALL.map(|grade| (grade.name().to_owned(), 0)).into();
        let mut reasons: BTreeMap<RuleId, u32> = BTreeMap::new();
        for test in tests {
            *grades.entry(test.grade.name().to_owned()).or_default() += 1;
            if matches!(test.grade, Grade::Limited | Grade::Rejected) {
                let mut against: Vec<RuleId> = test.verdict.reasons.iter().map(|reason| reason.rule.clone()).collect();
                against.retain(|rule| {
                    !matches!(rule, RuleId::CardLimited | RuleId::BenchSetAside | RuleId::BenchUnproved)
                });
                against.sort_unstable();
                against.dedup();
                against.into_iter().for_each(|rule| *reasons.entry(rule).or_default() += 1);
            }
        }
        let mut reasons: Vec<Frequency> = reasons.into_iter().map(|(rule, cards)| Frequency { rule, cards }).collect();
        reasons.sort_by_key(|reason| std::cmp::Reverse(reason.cards));
        let burn_in_h = tests.iter().filter_map(burn_in_h).sum::<f64>();
        let failures = tests.iter().filter(|test| burn_in_h_failed(test)).count() as u32;
        let confidence = self.procedure.burn_in.clone().unwrap_or_default().confidence;
        let is_graded = |test: &&CardTest| test.grade != Grade::Unfinished;
        LotSummary {
            to_test: self.sampling.as_ref().map_or(self.quantity, |sampling| sampling.plan.sample),
            grades,
            cards: tests.iter().map(lot_card).collect(),
            reasons,
            unproved: tests.iter().filter(is_graded).filter(|test| test.proof.is_none()).count() as u32,
            oddities: oddities(tests),
            set_aside: Vec::new(),
            figures: distributions(tests),
            burn_in_h,
            mtbf_h: mtbf_at_least(burn_in_h, failures, confidence).ok(),
        }
    }

    fn decided(&self) -> Verdict {
        let summary = &self.summary;
        let graded = summary
            .to_test
            .min(Grade::ALL.iter().map(|g| summary.graded(*g)).sum::<u32>() - summary.graded(Grade::Unfinished));
        let faulty = summary.faulty();
        let reject = self.sampling.as_ref().map(|sampling| sampling.plan.reject);
        let counts = format!(
            "{} accepted, {} limited, {} rejected of {} to test",
            summary.graded(Grade::Accepted),
            summary.graded(Grade::Limited),
            summary.graded(Grade::Rejected),
            summary.to_test
        );
        let (outcome, rule, text, next) = match (reject, &self.sampling) {
            (Some(reject), _) if faulty >= reject => (
                Outcome::Fault,
                RuleId::LotRejected,
                format!("{counts}; {reject} that are not accepted reject the lot"),
                "send the lot back, or open it again and test every card".to_owned(),
            ),
            _ if graded < summary.to_test => (
                Outcome::Undecided,
                RuleId::LotUnfinished,
                counts,
                match (summary.to_test - graded, graded) {
                    (1, 0) => "test the card".to_owned(),
                    (left, 0) => format!("test the {left} cards"),
                    (1, _) => "test the other card".to_owned(),
                    (left, _) => format!("test the other {left} cards"),
                },
            ),
            _ if summary.unproved > 0 => (
                Outcome::Undecided,
                RuleId::BenchUnproved,
                format!("{counts}; {} graded while the bench was not proved", summary.unproved),
                "test the reference card, and then these cards again".to_owned(),
            ),
            (_, Some(sampling)) => (
                Outcome::Pass,
                RuleId::LotAccepted,
                format!("{counts}; the plan allows up to {} that are not accepted", sampling.plan.accept),
                match faulty {
                    0 => "accept the lot".to_owned(),
                    _ => format!("accept the lot, without the {} found faulty", figure::counted(faulty.into(), "card")),
                },
            ),
            (_, None) => {
                let outcome = if summary.graded(Grade::Accepted) > 0 { Outcome::Pass } else { Outcome::Fault };
                let next = use_of_cards(summary.graded(Grade::Limited), summary.graded(Grade::Rejected), outcome);
                (outcome, RuleId::LotGraded, counts, next)
            }
        };
        let sureness = match &self.sampling {
            Some(Sampling { plan, .. }) => {
                let (faulty, risk) = plan.consumers_point(0.1);
                format!(
                    "a lot at the AQL is rejected with probability {:.3}; one with {faulty} faulty is accepted with \
                     {risk:.3}",
                    plan.producers_risk()
                )
            }
            None if graded < summary.to_test => format!("{graded} of {} cards have a grade so far", summary.to_test),
            None => "every card was tested".to_owned(),
        };
        let reasons = vec![Reason { rule, text }];
        Verdict { outcome, location: Vec::new(), segment: None, scope: None, sureness, reasons, next }
    }
}

/// What to do with the cards of a lot that was tested whole. `Pass`: some are accepted.
fn use_of_cards(limited: u32, rejected: u32, outcome: Outcome) -> String {
    let limited = match limited {
        0 => None,
        1 => Some("the limited one only for what its certificate says".to_owned()),
        _ => Some(format!("the {limited} limited ones only for what their certificates say")),
    };
    let aside = match rejected {
        0 => String::new(),
        1 => "; set the rejected one aside".to_owned(),
        _ => format!("; set the {rejected} rejected ones aside"),
    };
    match (outcome, limited) {
        (Outcome::Pass, None) if rejected == 0 => "use the cards".to_owned(),
        (Outcome::Pass, None) => format!("use the accepted cards{aside}"),
        (Outcome::Pass, Some(limited)) => format!("use the accepted cards, and {limited}{aside}"),
        (_, Some(limited)) => format!("use {limited}{aside}"),
        (_, None) => "use none of the cards; the certificates say why".to_owned(),
    }
}

fn lot_card(test: &CardTest) -> LotCard {
    let why = if test.grade == Grade::Accepted { String::new() } else { test.why() };
    LotCard { card: test.label.clone(), serial: test.card.serial.clone(), grade: test.grade, why }
}

fn burn_in_rounds(test: &CardTest) -> Option<&[crate::bench::facts::LoadFacts]> {
    match &test.last(TestName::BurnIn)?.facts {
        Some(Facts::BurnIn { rounds }) => Some(rounds),
        _ => None,
    }
}

fn burn_in_h(test: &CardTest) -> Option<f64> {
    let seconds = burn_in_rounds(test)?.iter().filter_map(|round| round.samples.last()).map(|sample| sample.at_s);
    Some(seconds.sum::<f64>() / 3600.0)
}

fn burn_in_h_failed(test: &CardTest) -> bool {
    test.last(TestName::BurnIn).is_some_and(|attempt| attempt.findings.iter().any(|finding| !finding.met))
}

/// Cards that differ from two thirds of the others, and addresses that two cards bear.
fn oddities(tests: &[CardTest]) -> Vec<String> {
    type Read = fn(&CardTest) -> Option<String>;
    let properties: [(&str, Read); 5] = [
        ("device", |test| Some(test.card.device.clone())),
        ("subsystem", |test| test.card.subsystem.clone()),
        ("part", |test| test.card.part.clone()),
        ("firmware", |test| test.card.firmware.clone()),
        // The beginning tells two apart.
        ("memory without addresses", |test| Some(test.card.image.as_ref()?.masked_sha256.chars().take(16).collect())),
    ];
    let mut odd = Vec::new();
    for (name, read) in properties {
        let mut counts: BTreeMap<String, u32> = BTreeMap::new();
        tests.iter().filter_map(read).for_each(|value| *counts.entry(value).or_default() += 1);
        let Some((usual, most)) = counts.iter().max_by_key(|(_, count)| **count) else { continue };
        if *most >= 3 && u64::from(*most) * 3 >= tests.len() as u64 * 2 {
            let others = tests.iter().filter_map(|test| Some((test, read(test)?))).filter(|(_, is)| is != usual);
            odd.extend(others.map(|(test, is)| format!("{}: {name} {is}, the others {usual}", test.label)));
        }
    }
    let mut bearers: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for test in tests {
        test.card.addresses().for_each(|address| bearers.entry(address).or_default().push(&test.label));
    }
    let shared = bearers.into_iter().filter(|(_, cards)| cards.len() > 1);
    odd.extend(shared.map(|(address, cards)| format!("{address} is borne by {}", cards.join(" and "))));
    odd
}

fn distributions(tests: &[CardTest]) -> Vec<Distribution> {
    type Read = fn(&CardTest) -> Option<f64>;
    let figures: [(&str, &str, Read); 3] = [
        ("slowest link", "s", |test| match &test.last(TestName::Links)?.facts {
            Some(Facts::Links { ports }) => ports.iter().filter_map(|port| port.slowest_s).max_by(f64::total_cmp),
            _ => None,
        }),
        ("temperature under load", "degrees C", |test| match &test.last(TestName::Load)?.facts {
            Some(Facts::Load(load)) => load.hottest_c(),
            _ => None,
        }),
        ("throughput", "Mb/s", |test| match &test.last(TestName::Load)?.facts {
            Some(Facts::Load(load)) => load.first_and_last_mbps().map(|(_, last)| last),
            _ => None,
        }),
    ];
    let of = |(name, unit, read): (&str, &str, Read)| {
        let values: Vec<(String, f64)> =
            tests.iter().filter_map(|test| Some((test.label.clone(), read(test)?))).collect();
        distribution(name, unit, values)
    };
    figures.into_iter().filter_map(of).collect()
}

/// A value is far from the others when it is off the median by more than five times the median deviation (our own
/// choice), and by a hundredth of the median at least, so that no rounding is called an outlier.
fn distribution(name: &str, unit: &str, values: Vec<(String, f64)>) -> Option<Distribution> {
    let middle = |mut values: Vec<f64>| {
        values.sort_unstable_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    let median = middle(values.iter().map(|(_, value)| *value).collect())?;
    let deviation = middle(values.iter().map(|(_, value)| (value - median).abs()).collect())?;
    let far = (5.0 * deviation).max(median.abs() * 0.01);
    let is_outlier = |value: f64| values.len() >= 4 && (value - median).abs() > far;
    let cards =
        values.iter().map(|(card, value)| Spot { card: card.clone(), value: *value, is_outlier: is_outlier(*value) });
    Some(Distribution { name: name.to_owned(), unit: unit.to_owned(), median, cards: cards.collect() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::sampling::Level;

    fn lot(sampling: Option<Sampling>) -> Lot {
        Lot {
            format: FORMAT,
            program: "turnback".into(),
            lot: "01".into(),
            label: "stores".into(),
            opened_at: String::new(),
            changed_at: String::new(),
            source: String::new(),
            claim: Claim::default(),
            quantity: 120,
            procedure: Procedure::named("intake").unwrap(),
            sampling,
            closed: None,
            summary: LotSummary::default(),
            verdict: Verdict::unjudged(),
        }
    }

    fn decided(lot: &mut Lot, accepted: u32, rejected: u32, unproved: u32) -> (Outcome, RuleId) {
        let to_test = lot.sampling.as_ref().map_or(lot.quantity, |sampling| sampling.plan.sample);
        let grades = [("accepted".to_owned(), accepted), ("rejected".to_owned(), rejected)].into();
        lot.summary = LotSummary { to_test, grades, unproved, ..LotSummary::default() };
        let verdict = lot.decided();
        (verdict.outcome, verdict.reasons[0].rule.clone())
    }

    #[test]
    fn a_sampled_lot_follows_its_plan() {
        // 120 at 2.5 %: letter F, 20 drawn, 1 allowed (MIL-STD-105E tables I and II-A, from memory).
        let plan = SamplingPlan::new(120, 2.5, Level::II).unwrap();
        let drawn = plan.draw(1);
        let mut lot = lot(Some(Sampling { plan, seed: 1, drawn: drawn.clone() }));
        assert!(lot.tests(drawn[0]) && (1..=120).filter(|number| lot.tests(*number)).count() == 20);
        assert_eq!(decided(&mut lot, 19, 0, 0), (Outcome::Undecided, RuleId::LotUnfinished));
        assert_eq!(decided(&mut lot, 19, 1, 0), (Outcome::Pass, RuleId::LotAccepted));
        assert_eq!(decided(&mut lot, 18, 2, 0), (Outcome::Fault, RuleId::LotRejected));
        // Two faulty ones decide, whatever else is still to be tested.
        assert_eq!(decided(&mut lot, 3, 2, 0), (Outcome::Fault, RuleId::LotRejected));
        assert_eq!(decided(&mut lot, 20, 0, 1), (Outcome::Undecided, RuleId::BenchUnproved));
    }

    #[test]
    fn a_lot_that_is_tested_whole_needs_every_card() {
        let mut lot = lot(None);
        assert_eq!(decided(&mut lot, 119, 0, 0), (Outcome::Undecided, RuleId::LotUnfinished));
        assert_eq!(decided(&mut lot, 100, 20, 0), (Outcome::Pass, RuleId::LotGraded));
        // No card is of use: nothing of that lot is accepted.
        assert_eq!(decided(&mut lot, 0, 120, 0), (Outcome::Fault, RuleId::LotGraded));
    }

    #[test]
    fn a_value_far_from_the_others_is_marked() {
        let values = |values: &[f64]| values.iter().map(|value| (value.to_string(), *value)).collect::<Vec<_>>();
        let outliers = |given: &[f64]| {
            let found = distribution("x", "s", values(given)).unwrap();
            found.cards.into_iter().filter(|spot| spot.is_outlier).map(|spot| spot.value).collect::<Vec<_>>()
        };
        assert_eq!(outliers(&[60.0, 61.0, 62.0, 60.5, 118.0]), [118.0]);
        assert_eq!(outliers(&[60.0, 61.0, 62.0, 60.5, 63.0]), [0.0; 0]);
        // All alike: a hair more is no outlier.
        assert_eq!(outliers(&[60.0, 60.0, 60.0, 60.0, 60.1]), [0.0; 0]);
        assert_eq!(distribution("x", "s", Vec::new()), None);
    }
}
