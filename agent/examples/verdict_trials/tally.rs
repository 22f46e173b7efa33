//! Grades verdicts and counts them.

use std::collections::BTreeMap;

use turnback_core::{
    document::case::Case,
    judge::{Location, Outcome},
};

use crate::draw::{Class, Trial};

/// What a verdict is worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    /// The fault's own place and segment; or a pass where nothing is wrong.
    Right,
    /// The fault is among the places named, which it says it cannot tell apart.
    Among,
    /// Undecided, and what it says to do next fits the truth.
    Undecided,
    /// Undecided, and what it says to do next does not.
    OtherUndecided,
    /// A pass in spite of a fault, which is below the limit of what a case can detect.
    BelowLimit,
    /// A pass in spite of a fault above that limit.
    Missed,
    /// A healthy thing blamed.
    FalseBlame,
}

const GRADES: [(Grade, &str); 7] = [
    (Grade::Right, "right"),
    (Grade::Among, "among"),
    (Grade::Undecided, "undecided"),
    (Grade::OtherUndecided, "unhelpful"),
    (Grade::BelowLimit, "below limit"),
    (Grade::Missed, "missed"),
    (Grade::FalseBlame, "false"),
];

/// Holds a verdict against the truth.
pub fn grade(trial: &Trial, case: &Case) -> Grade {
    let (truth, v) = (&trial.truth, &case.verdict);
    let true_places: Vec<Location> = truth.at.iter().map(|(place, _)| *place).collect();
    match v.outcome {
        // Nobody is at fault: a pass is as right as saying that something came and went.
        Outcome::Pass | Outcome::Undecided
            if matches!(truth.class, Class::Interference | Class::InterferenceSpells | Class::Outages) =>
        {
            Grade::Right
        }
        Outcome::Pass
            if truth.at.is_empty()
                && !matches!(truth.class, Class::Network | Class::ActiveDevice | Class::ActiveFarEnd) =>
        {
            Grade::Right
        }
        Outcome::Pass if !truth.above_limit => Grade::BelowLimit,
        Outcome::Pass => Grade::Missed,
        Outcome::NotTested if truth.class == Class::Network => Grade::Right,
        Outcome::NotTested => Grade::OtherUndecided,
        Outcome::Fault => {
            let segment_right = v.segment.is_none()
                || truth.at.iter().any(|(place, segment)| *place == Location::Cable && *segment == v.segment);
            match v.location.as_slice() {
                [one] if true_places.contains(one) && segment_right => Grade::Right,
                several if several.len() > 1 && several.iter().any(|place| true_places.contains(place)) => Grade::Among,
                _ => Grade::FalseBlame,
            }
        }
        Outcome::Undecided if fits(truth.class, &v.next) => Grade::Undecided,
        Outcome::Undecided => Grade::OtherUndecided,
    }
}

/// Whether the next action fits what is true: a word that must be in it.
fn fits(class: Class, next: &str) -> bool {
    let words: &[&str] = match class {
        Class::ActiveDevice | Class::ActiveFarEnd => &["plugged in", "really on"],
        Class::BothPlugs => &["two bad plugs"],
        Class::Cured => &["contact", "seat"],
        Class::SlowHost => &["this computer"],
        Class::Blinks
        | Class::NotInEveryRun
        | Class::RareOrOnce
        | Class::Slow
        | Class::Periodic
        | Class::WhenMoved
        | Class::Bursts
        | Class::Flaps => &["soak", "contact", "seat", "longer", "connector"],
        Class::ErrorsBelow => &["soak", "longer", "proof"],
        Class::Network => &["connected"],
        Class::WrongPlug => &["--wiring", "name that wiring"],
        Class::Characters => &["this computer", "longer", "soak"],
        // A contact named where there is none would send the person the wrong way.
        _ => &["longer", "proof", "soak"],
    };
    let next = next.to_lowercase();
    words.iter().any(|word| next.contains(word))
}

/// Counts by class and grade.
#[derive(Default)]
pub struct Tally {
    rows: BTreeMap<Class, BTreeMap<Grade, u64>>,
    above: u64,
    above_right: u64,
    false_port_or_cable: u64,
    stages: u64,
}

impl Tally {
    pub fn add(&mut self, trial: &Trial, case: &Case, graded: Grade) {
        *self.rows.entry(trial.truth.class).or_default().entry(graded).or_default() += 1;
        self.stages += case.stages.len() as u64;
        if trial.truth.above_limit && !trial.truth.at.is_empty() {
            self.above += 1;
            self.above_right += u64::from(graded == Grade::Right);
        }
        let blamed = |place| case.verdict.location.contains(&place);
        if graded == Grade::FalseBlame && (blamed(Location::Port) || blamed(Location::Cable)) {
            self.false_port_or_cable += 1;
        }
    }

    fn sum(&self, grade: Grade) -> u64 {
        self.rows.values().filter_map(|row| row.get(&grade)).sum()
    }

    /// What is asked: no healthy port or cable blamed, and 99 % of the faults above the limit placed rightly.
    pub fn holds(&self) -> bool {
        self.false_port_or_cable == 0 && self.above_right as f64 >= 0.99 * self.above as f64
    }

    pub fn render(&self) -> String {
        let mut out =
            format!("\n| truth | cases |{}\n", GRADES.iter().map(|(_, name)| format!(" {name} |")).collect::<String>());
        out.push_str(&format!("|---|---|{}\n", "---|".repeat(GRADES.len())));
        for (class, row) in &self.rows {
            let counts: String =
                GRADES.iter().map(|(grade, _)| format!(" {} |", row.get(grade).copied().unwrap_or(0))).collect();
            out.push_str(&format!("| {} | {} |{counts}\n", class.name(), row.values().sum::<u64>()));
        }
        let all: u64 = self.rows.values().flat_map(|row| row.values()).sum();
        let sums: String = GRADES.iter().map(|(grade, _)| format!(" {} |", self.sum(*grade))).collect();
        out.push_str(&format!("| all | {all} |{sums}\n\n"));
        out.push_str(&format!(
            "healthy port or cable blamed: {} of {all}; anything healthy blamed: {}\n\
             faults above the limit placed rightly: {} of {} ({:.2} %)\n\
             stages a case: {:.1}\n\n",
            self.false_port_or_cable,
            self.sum(Grade::FalseBlame),
            self.above_right,
            self.above,
            100.0 * self.above_right as f64 / self.above.max(1) as f64,
            self.stages as f64 / all.max(1) as f64,
        ));
        out
    }
}
