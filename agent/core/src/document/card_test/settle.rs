//! Grades a card from what was found, and chooses the next step. Facts only: the same attempts give the same grade.

use std::collections::BTreeSet;

use super::{CardTest, Grade, Proof, step::Step};
use crate::base::labels::named;
use crate::bench::blame::{Placed, Spot, place, place_on_port};
use crate::bench::facts::{DataRun, Facts};
use crate::bench::findings::{Finding, RestsOn};
use crate::bench::guilt::{Use, at_fault, good_plug};
use crate::bench::procedure::{MayLack, TestName};
use crate::judge::{Outcome, Reason, RuleId, Verdict};

/// What the bench knows beside the card itself.
#[derive(Clone, Debug, Default)]
pub struct BenchKnows {
    /// Uses of plugs, slots and transceivers with other cards, the reference card among them.
    pub history: Vec<Use>,
    /// Addresses of other cards, each with the card's label.
    pub addresses: Vec<(String, String)>,
    /// The newest proof of the bench that still holds.
    pub proof: Option<Proof>,
    /// What the card cannot go on without.
    pub lack: Option<Lack>,
}

/// A plug, slot or transceiver that is needed, and the bench has no good one left.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lack {
    /// `plug`, `slot` or `transceiver`.
    pub what: &'static str,
    /// In place of one that is there.
    pub is_another: bool,
    /// The reference card needs it, without which no card is tested.
    pub is_of_reference: bool,
}

impl Lack {
    /// What is missing.
    pub fn in_words(&self) -> String {
        let Self { what, .. } = self;
        let whose = if self.is_of_reference { " for the reference card" } else { "" };
        let other = if self.is_another { "another" } else { "a" };
        format!("{other} {what} is needed{whose}, and this bench has no further {what} that is not at fault")
    }

    /// The way out.
    pub fn way_out(&self) -> &'static str {
        match self.what {
            "slot" => "use a slot that no card failed in, or another computer; then give the same command again",
            "transceiver" => "get another transceiver, and give the same command again",
            _ => "add a new plug to the bench under a label of its own, and give the same command again",
        }
    }
}

/// What is known of a card after some attempts.
#[derive(Default)]
struct Known {
    /// Failures that are the card's, in the order of their tests, each with what shows that.
    faults: Vec<(Finding, String)>,
    /// Plugs, slots and transceivers that a failure went away with.
    set_aside: BTreeSet<String>,
    /// The first step that is left to do.
    next: Option<Step>,
    /// Why the card cannot be graded although nothing is left to do.
    stuck: Option<Reason>,
    /// What the bench lacks for the step.
    lack: Option<Lack>,
}

impl Known {
    fn written_off(&self) -> BTreeSet<u32> {
        self.faults.iter().filter(|(finding, _)| is_of_a_port(&finding.rule)).filter_map(|(f, _)| f.port).collect()
    }
}

impl CardTest {
    /// Grades the card and chooses what comes next.
    pub fn settle(&mut self, bench: &BenchKnows) {
        let mut history = bench.history.clone();
        history.extend(self.uses());
        let mut known = Known::default();
        for test in self.procedure.tests() {
            self.look_at(test, &history, bench, &mut known);
            if known.next.is_some() || known.stuck.is_some() || self.lacks(&known).is_none() {
                break;
            }
        }
        self.proof = bench.proof.clone();
        self.grade = match self.lacks(&known) {
            None => Grade::Rejected,
            _ if known.next.is_some() || known.stuck.is_some() => Grade::Unfinished,
            Some(lacks) if lacks.is_empty() => Grade::Accepted,
            Some(_) => Grade::Limited,
        };
        if self.grade == Grade::Rejected {
            (known.next, known.stuck) = (None, None);
        }
        known.lack = bench.lack.clone().filter(|_| self.grade == Grade::Unfinished);
        self.verdict = self.concluded(&known);
        self.next = known.next;
    }

    fn look_at(&self, test: TestName, history: &[Use], bench: &BenchKnows, known: &mut Known) {
        let Some(attempt) = self.last(test) else {
            known.next = Some(Step::Test { test });
            return;
        };
        let alone = attempt.failures(RestsOn::Card, None).map(|finding| (finding.clone(), String::new()));
        known.faults.extend(alone);
        if let Some(Facts::Identity { sticker: None }) = &attempt.facts
            && let Some((other, address)) = self.shared_address(bench)
        {
            let text = format!("{address} is the address of {other} too, and nobody read this card's sticker");
            known.stuck = Some(Reason { rule: RuleId::CardAddressShared, text });
            return;
        }
        let written_off = known.written_off();
        let ports = (1..=self.card.ports.len() as u32).filter(|port| !written_off.contains(port));
        for port in ports.map(Some).chain([None]) {
            let transceiver = port.and_then(|port| attempt.transceiver(port));
            let spot = Spot { card: &self.test, port, transceiver, test };
            let placed = match port {
                Some(_) => place_on_port(history, spot),
                None => vec![(RestsOn::Slot, place(history, RestsOn::Slot, spot))],
            };
            for (on, placed) in placed {
                self.take(placed, on, spot, history, &written_off, known);
            }
        }
        if known.next.is_none()
            && let Some(run) = self.undecided(test, &known.written_off())
        {
            if self.tries(test) < UNDECIDED_MAX {
                known.next = Some(Step::Test { test });
            } else {
                let text = format!("data on port {}: {}{}{}", run.port, run.in_words(), run.text, run.held_in_words());
                known.stuck.get_or_insert(Reason { rule: RuleId::CardTestsMissing, text });
            }
        }
    }

    /// Takes over where a failure lies, or the step that would tell.
    fn take(
        &self,
        placed: Placed,
        on: RestsOn,
        spot: Spot<'_>,
        history: &[Use],
        written_off: &BTreeSet<u32>,
        known: &mut Known,
    ) {
        let Spot { port, test, .. } = spot;
        let on_port = || port.map_or(String::new(), |port| format!(" on port {port}"));
        match placed {
            Placed::Passes => {}
            Placed::With(things) if on == RestsOn::Transceiver => {
                known.set_aside.extend(things.iter().map(|thing| named("transceiver", thing)));
            }
            Placed::With(things) => known.set_aside.extend(things),
            Placed::Card => {
                let failures = self.last(test).into_iter().flat_map(|attempt| attempt.failures(on, port));
                let shown = self.same_with(port, test);
                known.faults.extend(failures.map(|finding| (finding.clone(), shown.clone())));
            }
            Placed::Unexplained => {
                let text = format!(
                    "{} failed once{} and passed after an exchange that explains nothing",
                    test.name(),
                    on_port()
                );
                known.stuck.get_or_insert(Reason { rule: RuleId::CardUnexplained, text });
            }
            Placed::SpeedUnproved(speeds) => {
                let speeds: Vec<String> = speeds.iter().map(u32::to_string).collect();
                let text = format!(
                    "{} fails{} at {} Mb/s, and no other port passed at that speed with one of its plugs",
                    test.name(),
                    on_port(),
                    speeds.join(" and "),
                );
                known.stuck.get_or_insert(Reason { rule: RuleId::CardUnexplained, text });
            }
            Placed::TryOther(not) => {
                let guilty = at_fault(history, on);
                known.next.get_or_insert_with(|| self.other(on, port, test, not, written_off, &guilty));
            }
            // What it shows may make another exchange needless.
            Placed::Prove(thing) if known.next.as_ref().is_none_or(|step| step.tried().is_none()) => {
                known.next = Some(match on {
                    RestsOn::Plug => Step::ProvePlug { test, plug: thing },
                    RestsOn::Transceiver => {
                        let fitted = self.last(test).and_then(|attempt| attempt.plug(port?));
                        let plug = good_plug(history, test, &self.plugs).or(fitted.map(str::to_owned));
                        Step::ProveTransceiver { test, transceiver: thing, plug: plug.unwrap_or_default() }
                    }
                    RestsOn::Slot | RestsOn::Card => Step::ProveSlot { test, slot: thing },
                });
            }
            Placed::Prove(_) => {}
        }
    }

    /// With which plugs and transceivers, or in which slots, a test failed in the same way.
    fn same_with(&self, port: Option<u32>, test: TestName) -> String {
        let kinds = match port {
            Some(_) => &[RestsOn::Plug, RestsOn::Transceiver][..],
            None => &[RestsOn::Slot],
        };
        let mut shown = Vec::new();
        for on in kinds {
            let failing = self.attempts.iter().filter(|a| a.test == test && a.failures(*on, port).next().is_some());
            let labels: BTreeSet<&str> = failing.filter_map(|attempt| attempt.thing(*on, port)).collect();
            let what = if *on == RestsOn::Transceiver { "transceivers " } else { "" };
            // What was not exchanged shows nothing.
            if labels.len() > 1 {
                shown.push(format!("{what}{}", labels.into_iter().collect::<Vec<_>>().join(" and ")));
            }
        }
        if shown.is_empty() { String::new() } else { format!("the same with {}", shown.join(", and with ")) }
    }

    /// The step with which another plug, transceiver or slot is tried. With two ports their plugs or transceivers
    /// change places, which tells both ports at once. Another one is fitted where that is not possible, or where this
    /// one is known to be at fault.
    fn other(
        &self,
        on: RestsOn,
        port: Option<u32>,
        test: TestName,
        not: Vec<String>,
        written_off: &BTreeSet<u32>,
        guilty: &BTreeSet<String>,
    ) -> Step {
        let Some(port) = port else { return Step::OtherSlot { test, not } };
        let last = self.last(test);
        let thing = |port| last.and_then(|attempt| attempt.thing(on, Some(port)));
        let helps = |other: &u32| {
            let passes = last.is_some_and(|attempt| attempt.failures(on, Some(*other)).next().is_none());
            let is_fresh = |thing: &str| !not.iter().any(|tried| tried == thing) && !guilty.contains(thing);
            *other != port && !written_off.contains(other) && passes && thing(*other).is_some_and(is_fresh)
        };
        let known_bad = thing(port).is_some_and(|thing| guilty.contains(thing));
        let with = (1..=self.card.ports.len() as u32).find(helps).filter(|_| !known_bad);
        match (on, with) {
            (RestsOn::Transceiver, Some(with)) => Step::ExchangeTransceivers { test, port, with },
            (RestsOn::Transceiver, None) => Step::OtherTransceiver { test, port, not },
            (_, Some(with)) => Step::ExchangePlugs { test, port, with },
            (_, None) => Step::OtherPlug { test, port, not },
        }
    }

    /// A run that says nothing yet of the card.
    fn undecided(&self, test: TestName, written_off: &BTreeSet<u32>) -> Option<&DataRun> {
        let Some(Facts::Data { runs, .. }) = &self.last(test)?.facts else { return None };
        runs.iter().filter(|run| !written_off.contains(&run.port)).find(|run| run.is_open())
    }

    fn shared_address<'a>(&self, bench: &'a BenchKnows) -> Option<&'a (String, String)> {
        bench.addresses.iter().find(|(_, address)| self.card.addresses().any(|own| own == address))
    }

    /// What the card lacks, in words; empty if nothing. None: it lacks what the procedure does not allow it to lack.
    fn lacks(&self, known: &Known) -> Option<Vec<String>> {
        let may = |what| self.procedure.may_lack.contains(&what);
        let written_off = known.written_off();
        let allowed = known.faults.iter().all(|(finding, _)| match &finding.rule {
            rule if is_of_a_port(rule) => may(MayLack::Ports) && written_off.len() < self.card.ports.len(),
            RuleId::CardOffload => may(MayLack::Offloads),
            RuleId::CardLight => may(MayLack::Lights),
            _ => false,
        });
        let mut lacks: Vec<String> = written_off.iter().map(|port| format!("port {port}")).collect();
        for (finding, _) in &known.faults {
            match (&finding.rule, finding.port) {
                (RuleId::CardOffload, _) => {
                    lacks.push(finding.measured.split(':').next().unwrap_or("offload").to_owned());
                }
                (RuleId::CardLight, Some(port)) if !written_off.contains(&port) => {
                    lacks.push(format!("the light of port {port}"));
                }
                _ => {}
            }
        }
        allowed.then_some(lacks)
    }

    fn concluded(&self, known: &Known) -> Verdict {
        let mut reasons: Vec<Reason> = Vec::new();
        let lacks = self.lacks(known).unwrap_or_default();
        let (outcome, next) = match self.grade {
            Grade::Accepted => {
                let text = format!("every test of procedure {} passed", self.procedure.name);
                reasons.push(Reason { rule: RuleId::CardAccepted, text });
                (Outcome::Pass, "label the card and put it with the accepted ones".to_owned())
            }
            Grade::Limited => {
                let text = format!("fit without {}", lacks.join(" and "));
                reasons.push(Reason { rule: RuleId::CardLimited, text });
                (Outcome::Pass, "label the card with what it lacks".to_owned())
            }
            Grade::Rejected => (Outcome::Fault, "label the card and put it with the rejected ones".to_owned()),
            Grade::Unfinished => match &known.lack {
                Some(lack) => (Outcome::Undecided, lack.way_out().to_owned()),
                None => (Outcome::Undecided, self.left_to_do(known)),
            },
        };
        if let (Grade::Unfinished, Some(step)) = (self.grade, &known.next) {
            let rule = match step {
                Step::Test { .. } => RuleId::CardTestsMissing,
                _ => RuleId::CardExchange,
            };
            let text = known.lack.as_ref().map_or_else(|| self.left_to_do(known), Lack::in_words);
            reasons.push(Reason { rule, text });
        }
        reasons.extend(known.stuck.clone());
        for (finding, shown) in &known.faults {
            let shown = if shown.is_empty() { String::new() } else { format!("; {shown}") };
            let text = format!("{}{shown}", finding.in_words());
            reasons.push(Reason { rule: finding.rule.clone(), text });
        }
        if !known.set_aside.is_empty() {
            let things: Vec<&str> = known.set_aside.iter().map(String::as_str).collect();
            let text = format!(
                "{} at fault: a failure went away with it, and comes back with it elsewhere",
                things.join(", ")
            );
            reasons.push(Reason { rule: RuleId::BenchSetAside, text });
        }
        if self.proof.is_none() && !self.is_reference {
            let text = "the bench was not proved with its reference card".to_owned();
            reasons.push(Reason { rule: RuleId::BenchUnproved, text });
        }
        let scope = (self.grade == Grade::Limited).then(|| format!("without {}", lacks.join(" and ")));
        let sureness = "each failure was seen again after an exchange, and what was exchanged passes elsewhere";
        let sureness = if known.faults.is_empty() { "as sure as the limits of the procedure" } else { sureness };
        Verdict { outcome, location: Vec::new(), segment: None, scope, sureness: sureness.to_owned(), reasons, next }
    }

    fn left_to_do(&self, known: &Known) -> String {
        let missing: Vec<&str> =
            self.procedure.tests().into_iter().filter(|t| self.last(*t).is_none()).map(TestName::name).collect();
        match &known.next {
            Some(Step::Test { .. }) if missing.is_empty() => "repeat the test that was not decided".to_owned(),
            Some(Step::Test { .. }) => format!("still to do: {}", missing.join(", ")),
            Some(step) => step.hands(self, None).map_or(String::new(), |hands| hands.hands),
            None => match &known.stuck {
                Some(reason) if reason.rule == RuleId::CardAddressShared => {
                    "test the card again and scan the address on its sticker".to_owned()
                }
                _ => "keep the card apart, and test it again for longer".to_owned(),
            },
        }
    }
}

/// The failure leaves the other ports of the card as they are.
fn is_of_a_port(rule: &RuleId) -> bool {
    matches!(
        rule,
        RuleId::CardLink
            | RuleId::CardLinkDrops
            | RuleId::CardData
            | RuleId::CardAllPorts
            | RuleId::CardQueue
            | RuleId::CardQueueInterrupt
            | RuleId::CardSendsWeak
            | RuleId::CardReceivesWeak
            | RuleId::CardLoses
    )
}

/// How often a test that was not decided is done. Our own choice.
const UNDECIDED_MAX: usize = 3;
