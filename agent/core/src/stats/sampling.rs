//! Single sampling by attributes: how many cards of a lot to test, and how many faulty ones still accept it.
//!
//! [`SamplingPlan::new`] looks a plan up in the tables that MIL-STD-105E (public domain) and ISO 2859-1 share, for
//! normal inspection. [`SamplingPlan::accepts`] is the operating characteristic: the exact probability that a lot with
//! so many faulty items is accepted. Sampling without replacement makes the number found hypergeometric.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::fisher::ln_choose;
use crate::base::rng::Rng;

/// How much a plan discriminates. Level II is the usual one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Level {
    /// Small samples where the tests are dear.
    S1,
    /// As S1, a little larger.
    S2,
    /// As S2, a little larger.
    S3,
    /// The largest of the small samples.
    S4,
    /// Less discrimination than usual.
    I,
    /// The usual one.
    II,
    /// More discrimination than usual.
    III,
}

impl Level {
    /// Every level, in the order of the columns of the table of code letters.
    pub const ALL: [Self; 7] = [Self::S1, Self::S2, Self::S3, Self::S4, Self::I, Self::II, Self::III];
}

impl std::str::FromStr for Level {
    type Err = SamplingError;

    fn from_str(text: &str) -> Result<Self, SamplingError> {
        let known = Self::ALL.into_iter().find(|level| format!("{level:?}").eq_ignore_ascii_case(text));
        known.ok_or_else(|| SamplingError::Level(text.to_owned()))
    }
}

/// Why there is no plan.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum SamplingError {
    /// Not an inspection level.
    #[error("inspection level `{0}` is not one of S1, S2, S3, S4, I, II, III")]
    Level(String),
    /// Not a quality of the tables.
    #[error("AQL {percent} % is not in the tables, which have {}", all_qualities())]
    Quality {
        /// What was given, percent faulty.
        percent: f64,
    },
    /// A lot of less than two is tested whole.
    #[error("a lot of {0} cannot be sampled: it takes at least 2")]
    Quantity(u32),
}

fn all_qualities() -> String {
    QUALITIES.map(|quality| quality.to_string()).join(", ")
}

/// A single sampling plan for normal inspection.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SamplingPlan {
    /// Items in the lot.
    pub quantity: u32,
    /// Acceptable quality level, percent faulty.
    pub aql_percent: f64,
    /// Inspection level.
    pub level: Level,
    /// Sample size code letter of the lot size.
    pub code_letter: char,
    /// Letter of the plan in use, which differs where the table has an arrow.
    pub plan_letter: char,
    /// Items to draw. It is the whole lot where the table asks for more than there are.
    pub sample: u32,
    /// Acceptance number: with so many faulty ones, or fewer, the lot is accepted.
    pub accept: u32,
    /// Rejection number: with so many, or more, it is rejected.
    pub reject: u32,
}

impl SamplingPlan {
    /// The plan of the tables.
    ///
    /// # Errors
    /// [`SamplingError::Quantity`] below 2, [`SamplingError::Quality`] for an AQL that the tables do not have.
    pub fn new(quantity: u32, aql_percent: f64, level: Level) -> Result<Self, SamplingError> {
        if quantity < 2 {
            return Err(SamplingError::Quantity(quantity));
        }
        let column = QUALITIES.iter().position(|quality| (quality / aql_percent - 1.0).abs() < 1e-9);
        let column = column.ok_or(SamplingError::Quality { percent: aql_percent })?;
        let (_, letters) = CODE_LETTERS.iter().find(|(up_to, _)| quantity <= *up_to).unwrap_or(&CODE_LETTERS[14]);
        let code_letter = letters.as_bytes()[level as usize] as char;
        let row = row_of(code_letter);
        let (plan_row, accept) = follow_arrows(row, column);
        let sample = SAMPLE_SIZES[plan_row].min(quantity);
        Ok(Self {
            quantity,
            aql_percent,
            level,
            code_letter,
            plan_letter: ROWS.as_bytes()[plan_row] as char,
            sample,
            accept,
            reject: accept + 1,
        })
    }

    /// Probability that a lot with `faulty` items is accepted, `0.0..=1.0`: at most [`accept`](Self::accept) of them
    /// are in the sample. `P(x) = C(D, x) C(N - D, n - x) / C(N, n)` (any probability handbook).
    pub fn accepts(&self, faulty: u32) -> f64 {
        let (lot, sample, faulty) = (u64::from(self.quantity), u64::from(self.sample), u64::from(faulty));
        let faulty = faulty.min(lot);
        let all = ln_choose(lot, sample);
        let fewest = sample.saturating_sub(lot - faulty);
        let terms = (fewest..=u64::from(self.accept).min(faulty).min(sample))
            .map(|found| (ln_choose(faulty, found) + ln_choose(lot - faulty, sample - found) - all).exp());
        // A sum of nothing would be -0.0.
        terms.fold(0.0, |sum, term| sum + term).min(1.0)
    }

    /// The producer's risk: the probability that a lot exactly as good as the AQL is rejected. The number faulty is
    /// rounded down.
    pub fn producers_risk(&self) -> f64 {
        1.0 - self.accepts((f64::from(self.quantity) * self.aql_percent / 100.0).floor() as u32)
    }

    /// The consumer's side: the smallest number faulty with which the lot is accepted with probability `risk` at most,
    /// and that probability.
    pub fn consumers_point(&self, risk: f64) -> (u32, f64) {
        let curve = (0..=self.quantity).map(|faulty| (faulty, self.accepts(faulty)));
        curve.into_iter().find(|(_, p)| *p <= risk).unwrap_or((self.quantity, 0.0))
    }

    /// The operating characteristic at about `points` numbers faulty, up to where a lot is hardly ever accepted.
    pub fn curve(&self, points: u32) -> Vec<(u32, f64)> {
        let (last, _) = self.consumers_point(0.005);
        let step = last.div_ceil(points.max(1)).max(1);
        (0..=last.div_ceil(step)).map(|i| (i * step).min(self.quantity)).map(|d| (d, self.accepts(d))).collect()
    }

    /// Which items to draw, in rising order from 1: every sample is equally likely, and the seed decides.
    pub fn draw(&self, seed: u64) -> Vec<u32> {
        let mut rng = Rng::new(seed);
        let mut items: Vec<u32> = (1..=self.quantity).collect();
        // The first part of a Fisher-Yates shuffle (any textbook on algorithms).
        for at in 0..self.sample as usize {
            let other = at + rng.below((items.len() - at) as u64) as usize;
            items.swap(at, other);
        }
        items.truncate(self.sample as usize);
        items.sort_unstable();
        items
    }
}

fn row_of(letter: char) -> usize {
    ROWS.find(letter).unwrap_or(0)
}

/// The row whose plan is used, and its acceptance number. The tables are built on diagonals: the acceptance number
/// depends on row and column only by their sum. Cells without a plan have an arrow to the next row that has one.
fn follow_arrows(row: usize, column: usize) -> (usize, u32) {
    let last = SAMPLE_SIZES.len() - 1;
    let plan = |row: usize| match row + column {
        14 => Some(0),
        diagonal @ 17..=24 => Some(ACCEPT[diagonal - 17]),
        _ => None,
    };
    let points_up = matches!(row + column, 15 | 25..);
    let below = || (row..=last).find_map(|row| Some((row, plan(row)?)));
    let above = || (0..=row).rev().find_map(|row| Some((row, plan(row)?)));
    let found = if points_up { above().or_else(below) } else { below().or_else(above) };
    // Every column has the plan with acceptance number 0 or one of the others in some row.
    found.unwrap_or((last, 0))
}

/// Acceptable quality levels of the tables, percent faulty. From memory (MIL-STD-105E table II-A).
pub const QUALITIES: [f64; 16] =
    [0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0];

/// Code letters in the order of the rows: I and O are left out.
const ROWS: &str = "ABCDEFGHJKLMNPQR";

/// Sample sizes of the rows, normal inspection. From memory (MIL-STD-105E table II-A).
const SAMPLE_SIZES: [u32; 16] = [2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000];

/// Acceptance numbers along the diagonals beyond the arrows. From memory (MIL-STD-105E table II-A).
const ACCEPT: [u32; 8] = [1, 2, 3, 5, 7, 10, 14, 21];

/// Largest lot of each row, and its letters for levels S1 to S4 and I to III. From memory (MIL-STD-105E table I).
const CODE_LETTERS: [(u32, &str); 15] = [
    (8, "AAAAAAB"),
    (15, "AAAAABC"),
    (25, "AABBBCD"),
    (50, "ABBCCDE"),
    (90, "BBCCCEF"),
    (150, "BBCDDFG"),
    (280, "BCDEEGH"),
    (500, "BCDEFHJ"),
    (1200, "CCEFGJK"),
    (3200, "CDEGHKL"),
    (10_000, "CDFGJLM"),
    (35_000, "CDFHKMN"),
    (150_000, "DEGJLNP"),
    (500_000, "DEGJMPQ"),
    (u32::MAX, "DEHKNQR"),
];

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(quantity: u32, aql: f64) -> (char, char, u32, u32, u32) {
        let plan = SamplingPlan::new(quantity, aql, Level::II).unwrap();
        (plan.code_letter, plan.plan_letter, plan.sample, plan.accept, plan.reject)
    }

    /// Cells of MIL-STD-105E table II-A, with the code letters of table I, level II (from memory).
    #[test]
    fn plans_are_those_of_the_tables() {
        for (quantity, aql, cell) in [
            (1000, 1.0, ('J', 'J', 80, 2, 3)),
            (1000, 0.65, ('J', 'J', 80, 1, 2)),
            (1000, 2.5, ('J', 'J', 80, 5, 6)),
            (5000, 1.0, ('L', 'L', 200, 5, 6)),
            (3000, 0.65, ('K', 'K', 125, 2, 3)),
            (500, 4.0, ('H', 'H', 50, 5, 6)),
            (120, 2.5, ('F', 'F', 20, 1, 2)),
            // An arrow up to E, and one down to G.
            (120, 1.0, ('F', 'E', 13, 0, 1)),
            (120, 1.5, ('F', 'G', 32, 1, 2)),
            // Far above the plans of its row: the sample is the whole lot.
            (8, 0.1, ('A', 'K', 8, 0, 1)),
            // The first row has no row above it.
            (8, 10.0, ('A', 'C', 5, 1, 2)),
            (1_000_000, 0.01, ('Q', 'Q', 1250, 0, 1)),
            (20_000, 10.0, ('M', 'K', 125, 21, 22)),
        ] {
            assert_eq!(plan(quantity, aql), cell, "{quantity} at {aql} %");
        }
        let highest = SamplingPlan::new(1_000_000, 0.015, Level::III).unwrap();
        // The last row has no row below it.
        assert_eq!((highest.code_letter, highest.plan_letter, highest.sample), ('R', 'P', 800));
    }

    /// Letters at both ends of rows of table I (from memory, MIL-STD-105E).
    #[test]
    fn code_letters_change_at_the_ends_of_their_rows() {
        let letter = |quantity, level| SamplingPlan::new(quantity, 1.0, level).unwrap().code_letter;
        for (quantity, level, expected) in [
            (2, Level::II, 'A'),
            (8, Level::III, 'B'),
            (9, Level::II, 'B'),
            (150, Level::II, 'F'),
            (151, Level::II, 'G'),
            (500, Level::I, 'F'),
            (501, Level::S4, 'F'),
            (3200, Level::S3, 'E'),
            (500_001, Level::S1, 'D'),
        ] {
            assert_eq!(letter(quantity, level), expected, "{quantity} {level:?}");
        }
    }

    /// Every row and column has a plan, and a worse AQL never asks for a stricter acceptance number in a row.
    #[test]
    fn every_arrow_ends_at_a_plan() {
        for row in 0..SAMPLE_SIZES.len() {
            let accepts: Vec<u32> = (0..QUALITIES.len()).map(|column| follow_arrows(row, column).1).collect();
            assert!(accepts.windows(2).all(|pair| pair[0] <= pair[1]), "{row}: {accepts:?}");
        }
    }

    /// By hand: of 4 items 1 is faulty and 2 are drawn, so half of the samples have it. Of 10 with 3 faulty, 3 drawn
    /// have none with probability C(7,3)/C(10,3) = 35/120, and one at most with (35 + 3 * 21) / 120.
    #[test]
    fn the_operating_characteristic_counts_samples() {
        let plan = |quantity, sample, accept| SamplingPlan {
            quantity,
            sample,
            accept,
            reject: accept + 1,
            ..SamplingPlan::new(quantity, 1.0, Level::II).unwrap()
        };
        let close = |got: f64, want: f64| assert!((got - want).abs() < 1e-12, "{got} {want}");
        close(plan(4, 2, 0).accepts(1), 0.5);
        close(plan(10, 3, 0).accepts(3), 35.0 / 120.0);
        close(plan(10, 3, 1).accepts(3), 98.0 / 120.0);
        close(plan(10, 3, 0).accepts(0), 1.0);
        close(plan(10, 3, 0).accepts(10), 0.0);
        assert!(plan(10, 3, 0).accepts(10).is_sign_positive(), "nobody wants to read -0.0 %");
        close(plan(10, 10, 1).accepts(2), 0.0);
        close(plan(10, 10, 2).accepts(2), 1.0);
    }

    #[test]
    fn risks_lie_on_the_curve() {
        let plan = SamplingPlan::new(1000, 1.0, Level::II).unwrap();
        assert_eq!(plan.producers_risk(), 1.0 - plan.accepts(10));
        let (faulty, risk) = plan.consumers_point(0.1);
        assert!(risk <= 0.1 && plan.accepts(faulty - 1) > 0.1, "{faulty} {risk}");
        let curve = plan.curve(20);
        assert!(curve.len() <= 22 && curve[0] == (0, 1.0), "{curve:?}");
        assert!(curve.windows(2).all(|pair| pair[0].0 < pair[1].0 && pair[0].1 >= pair[1].1), "{curve:?}");
    }

    #[test]
    fn a_drawing_is_fair_and_repeats_with_its_seed() {
        let plan = SamplingPlan::new(20, 4.0, Level::II).unwrap();
        let drawn = plan.draw(7);
        assert_eq!(drawn, plan.draw(7));
        assert!(drawn.len() == plan.sample as usize && drawn.windows(2).all(|pair| pair[0] < pair[1]));
        let mut counts = [0u32; 20];
        (0..4000).flat_map(|seed| plan.draw(seed)).for_each(|item| counts[item as usize - 1] += 1);
        // Binomial: mean n p, deviation sqrt(n p (1 - p)); five deviations.
        let p = f64::from(plan.sample) / 20.0;
        let (mean, margin) = (4000.0 * p, 5.0 * (4000.0 * p * (1.0 - p)).sqrt());
        assert!(counts.iter().all(|count| (f64::from(*count) - mean).abs() < margin), "{counts:?}");
    }

    #[test]
    fn what_is_no_plan_is_refused_with_what_is_allowed() {
        assert_eq!(SamplingPlan::new(1, 1.0, Level::II), Err(SamplingError::Quantity(1)));
        let wrong = SamplingPlan::new(100, 2.0, Level::II).unwrap_err().to_string();
        assert!(wrong.contains("1.5, 2.5"), "{wrong}");
        assert!("IV".parse::<Level>().unwrap_err().to_string().contains("S4, I, II"));
        assert_eq!("ii".parse(), Ok(Level::II));
    }
}
