//! The rules of a case. They are asked in the order of their ids, and the first that speaks decides, as in a run. It
//! also says which stage would tell more.

mod far;
mod first;
mod near;
mod pairs;
mod remarks;
mod sides;

use super::line::{Line, Visit};
use super::name::StageName;
use super::stage::Showing;
use super::{Case, CaseState, Move, moves};
use crate::base::figure;
use crate::judge::suspects::POLARITY_FIRST;
use crate::judge::{Location, Outcome, Reason, RuleId, Verdict};

/// A rule that can decide a case.
pub struct CaseRule {
    /// Its name.
    pub id: RuleId,
    decide: fn(&Line) -> Option<Conclusion>,
}

/// Every rule of a case, in the order in which they are asked.
pub fn rules() -> Vec<&'static CaseRule> {
    let mut rules: Vec<_> = [first::RULES, near::RULES, far::RULES].into_iter().flatten().collect();
    rules.sort_by(|a, b| a.id.cmp(&b.id));
    rules
}

/// What a rule concludes from the stages, and which stages would tell more.
struct Conclusion {
    outcome: Outcome,
    location: Vec<Location>,
    segment: Option<String>,
    sureness: String,
    text: String,
    next: String,
    /// Stages that would tell more, the best first; empty: the verdict stands.
    wants: Vec<Want>,
    /// Once the verdict stands: the stage worth doing again, for longer.
    again: Option<StageName>,
}

impl Conclusion {
    fn new(outcome: Outcome, location: &[Location], text: String) -> Self {
        Self {
            outcome,
            location: location.to_vec(),
            segment: None,
            sureness: String::new(),
            text,
            next: String::new(),
            wants: Vec::new(),
            again: None,
        }
    }

    fn undecided(text: impl Into<String>) -> Self {
        Self::new(Outcome::Undecided, &[], text.into()).sure("not decided yet")
    }

    fn fault(location: &[Location], text: impl Into<String>) -> Self {
        Self::new(Outcome::Fault, location, text.into())
    }

    fn sure(mut self, how: impl Into<String>) -> Self {
        self.sureness = how.into();
        self
    }

    /// What to do when nothing more is to be tried.
    fn then(mut self, next: impl Into<String>) -> Self {
        self.next = next.into();
        self
    }

    /// The same as undecided.
    fn unproved(mut self) -> Self {
        self.outcome = Outcome::Undecided;
        self.location.clear();
        self.segment = None;
        self.sureness = "seen, but not often enough to be sure".to_owned();
        self.next = "Soak for hours at the place that passed and at the place that failed.".to_owned();
        self.again = self.wants.first().map(|want| want.stage.clone());
        self
    }

    /// The same as undecided, where `stage`, which would prove that it is `location`, was left out.
    fn only_points(self, location: Location, stage: StageName) -> Self {
        let place = match &self.segment {
            Some(segment) => format!("segment {segment}"),
            None => location.in_words().to_owned(),
        };
        Self::undecided(format!("It points to {place}, which is not proved. {}", self.text))
            .sure(self.sureness)
            .then(format!("Do stage {stage}, which was left out: it proves that, or clears {place}."))
            .again(stage)
    }

    /// A stage that would tell more and has been tried in vain: what is left is to do it for longer.
    fn or_longer(mut self) -> Self {
        if let Some(want) = self.wants.first().filter(|_| self.next.is_empty()) {
            self.next = format!("Do stage {} again, for hours: so far it has decided nothing.", want.stage);
            self.again.get_or_insert(want.stage.clone());
        }
        self
    }

    /// The stage worth doing again, for longer.
    fn again(mut self, stage: StageName) -> Self {
        self.again = Some(stage);
        self
    }

    fn want(mut self, stage: StageName, why: impl Into<String>) -> Self {
        self.wants.push(Want { stage, why: why.into(), still: false });
        self
    }

    /// The last stage again, without moving anything.
    fn want_still(mut self, stage: StageName) -> Self {
        let why = "The same once more: a disturbance from outside would not hit every run.".to_owned();
        self.wants.push(Want { stage, why, still: true });
        self
    }
}

/// A stage that would tell more.
struct Want {
    stage: StageName,
    why: String,
    /// Nothing has to be moved for it.
    still: bool,
}

/// More attempts at one stage than this tell nothing new: five long ones, and some before that were too short. Our own
/// choice.
const ATTEMPTS_MAX: u32 = 10;

/// What follows from a case's stages.
struct Settled {
    verdict: Verdict,
    next: Option<Move>,
    again: Option<StageName>,
    state: CaseState,
}

/// Verdict, next move and state of a case, from its stages alone.
fn consider(case: &Case) -> Settled {
    let line = Line::new(case);
    let spoken =
        rules().into_iter().find_map(|rule| (rule.decide)(&line).map(|conclusion| (rule.id.clone(), conclusion)));
    let (rule, conclusion) = spoken.unwrap_or_else(|| {
        (
            RuleId::NoRule,
            Conclusion::undecided("No rule fits these stages.").then("Keep this case and tell the maintainers."),
        )
    });
    let conclusion = match declined(&line, &conclusion) {
        Some((location, stage)) => conclusion.only_points(location, stage),
        None => conclusion,
    };
    let (rule, conclusion) = pairs::weigh(&line, rule, conclusion);
    let conclusion = if given_up(&line, &conclusion) { conclusion.unproved() } else { conclusion };
    let conclusion = polarity_first(&line, conclusion.or_longer());
    let want = conclusion.wants.iter().find(|want| may_be_tried(&line, want));
    let next = want.map(|want| moves::to(&line, &want.stage, &want.why, want.still));
    let state = match (&next, conclusion.outcome, conclusion.location.len(), conclusion.wants.is_empty()) {
        (Some(_), ..) => CaseState::Open,
        (None, Outcome::Pass, ..) | (None, Outcome::Fault, 1, _) => CaseState::Decided,
        (None, Outcome::NotTested | Outcome::Undecided | Outcome::Fault, ..) => CaseState::Exhausted,
    };
    let scope = pairs::scope(&line).filter(|_| conclusion.outcome == Outcome::Pass);
    let mut reasons = vec![Reason { rule, text: conclusion.text }];
    // The answer itself tells some of them.
    let is_told = |remark: &Reason, text: &str| text.contains(&remark.text);
    let beside = remarks::all(&line, &conclusion.location);
    let beside: Vec<Reason> = beside.into_iter().filter(|remark| !is_told(remark, &reasons[0].text)).collect();
    reasons.extend(beside);
    let verdict = Verdict {
        outcome: conclusion.outcome,
        location: conclusion.location,
        segment: conclusion.segment,
        scope,
        sureness: conclusion.sureness,
        reasons,
        next: match &next {
            Some(next) => next.hands.clone(),
            None => conclusion.next,
        },
    };
    let again = conclusion.again.filter(|_| next.is_none());
    Settled { verdict, next, again, state }
}

/// Bits that all come back inverted are no worn contact: a converter or a swapped polarity does that.
fn polarity_first(line: &Line, conclusion: Conclusion) -> Conclusion {
    let failed = |v: &&Visit| v.shows == Showing::Fails;
    match line.bench.iter().chain(&line.visits).rfind(failed) {
        Some(last) if last.result.inverted && conclusion.outcome != Outcome::Pass => {
            let next = match conclusion.next.as_str() {
                "" => POLARITY_FIRST.to_owned(),
                next => format!("{POLARITY_FIRST} Only if there is none of these: {}", figure::lower(next)),
            };
            conclusion.then(next)
        }
        _ => conclusion,
    }
}

/// Neither declined nor tried often enough.
fn may_be_tried(line: &Line, want: &Want) -> bool {
    !line.skipped(&want.stage) && line.attempts(&want.stage) < ATTEMPTS_MAX
}

/// What one failure points to, and the stage that would prove it and was skipped: nobody is blamed for that.
fn declined(line: &Line, conclusion: &Conclusion) -> Option<(Location, StageName)> {
    let (Outcome::Fault, [location]) = (conclusion.outcome, conclusion.location.as_slice()) else { return None };
    if conclusion.wants.iter().any(|want| may_be_tried(line, want)) {
        return None;
    }
    let skipped = conclusion.wants.iter().find(|want| line.skipped(&want.stage))?;
    Some((*location, skipped.stage.clone()))
}

/// What was only likely, and can be tried no further: no attempt is left, though nobody declined one.
fn given_up(line: &Line, conclusion: &Conclusion) -> bool {
    conclusion.outcome == Outcome::Fault
        && !conclusion.wants.is_empty()
        && conclusion.wants.iter().all(|w| !line.skipped(&w.stage) && line.attempts(&w.stage) >= ATTEMPTS_MAX)
}

/// What a case only points to is no verdict because somebody closed it.
fn left_open(verdict: &mut Verdict) {
    if let (Outcome::Fault, Some(reason)) = (verdict.outcome, verdict.reasons.first_mut()) {
        let places = verdict.location.iter().map(|place| place.in_words()).collect::<Vec<_>>().join(" or ");
        reason.text = format!("It pointed to {places}, which was not settled. {}", reason.text);
    }
    if verdict.outcome != Outcome::NotTested {
        verdict.outcome = Outcome::Undecided;
    }
    (verdict.segment, verdict.scope) = (None, None);
    verdict.location.clear();
    verdict.sureness = "not settled when the case was closed".to_owned();
}

impl Case {
    /// The move to a stage that the technician asked for.
    pub fn move_to(&self, stage: &StageName) -> Move {
        moves::to(&Line::new(self), stage, "You asked for this stage.", false)
    }

    /// Whether a stage is run as a soak, for as long as its move says.
    pub fn is_long(&self, stage: &StageName) -> bool {
        moves::is_long(&Line::new(self), stage)
    }

    /// Brings verdict, next move and state up to the stages.
    pub fn settle(&mut self) {
        let settled = consider(self);
        self.verdict = settled.verdict;
        self.next = settled.next;
        self.again = settled.again;
        self.state = settled.state;
        if let Some(why) = &self.closed {
            if self.state == CaseState::Open {
                left_open(&mut self.verdict);
            }
            self.next = None;
            self.state = CaseState::Closed;
            self.verdict.next = format!("Nothing: this case was closed ({why}).");
        }
    }
}

#[cfg(test)]
mod tests;
