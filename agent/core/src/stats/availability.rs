//! A run second by second: clean, errored, severely errored, and when the port counts as unavailable.
//!
//! The terms are those of ITU-T G.826 with a probe as its block: an errored second (ES) has at least one errored block,
//! a severely errored second (SES) has 30 % or more errored blocks or a defect (G.826, as restated in the ATIS
//! glossary); a port without link has one. Ten consecutive SES begin unavailable time, and they belong to it; ten
//! consecutive other seconds end it, and they no longer belong to it (RFC 4805 3.4.3). So the last seconds may still
//! change sides: they are held back until the rule has decided.

use serde::{Deserialize, Serialize};

use super::{StatsError, check_counts};

/// What happened in one second.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Second {
    sent: u64,
    errored: u64,
    defect: bool,
}

impl Second {
    /// A second in which `sent` blocks were sent and `errored` of them came back damaged or not at all.
    ///
    /// # Errors
    /// [`StatsError::ErrorsExceedTrials`].
    pub fn new(sent: u64, errored: u64) -> Result<Self, StatsError> {
        match check_counts(errored, sent) {
            Ok(()) | Err(StatsError::NoTrials) => Ok(Self { sent, errored, defect: false }),
            Err(error) => Err(error),
        }
    }

    /// The same second of a port that was without link in it, if `defect`.
    #[must_use]
    pub fn with_defect(self, defect: bool) -> Self {
        Self { defect, ..self }
    }

    /// What this second is by itself, before the ten-second rule.
    #[must_use]
    pub fn class(&self) -> SecondClass {
        // 30 % or more, in whole numbers: G.826 includes the 30 % itself, though some texts print "more than".
        let severe = u128::from(self.errored) * 10 >= u128::from(self.sent) * 3;
        match self {
            Self { defect: true, .. } => SecondClass::SeverelyErrored,
            Self { sent: 0, .. } => SecondClass::Idle,
            Self { errored: 0, .. } => SecondClass::Clean,
            _ if severe => SecondClass::SeverelyErrored,
            _ => SecondClass::Errored,
        }
    }
}

/// What a second is by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SecondClass {
    /// Nothing was sent and there was a link: it says nothing, and counts nowhere.
    Idle,
    /// No errored block.
    Clean,
    /// At least one errored block, fewer than 30 %.
    Errored,
    /// 30 % errored blocks or more, or no link.
    SeverelyErrored,
}

/// Seconds of a run by kind.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct AvailabilityTotals {
    /// Seconds of available time.
    pub available_seconds: u64,
    /// Errored seconds in available time, the severe ones included.
    pub errored_seconds: u64,
    /// Severely errored seconds in available time.
    pub severely_errored_seconds: u64,
    /// Seconds of unavailable time.
    pub unavailable_seconds: u64,
    /// Seconds in which nothing was sent; in neither of the above.
    pub idle_seconds: u64,
}

impl AvailabilityTotals {
    /// Available seconds without an errored block.
    #[must_use]
    pub fn clean_seconds(&self) -> u64 {
        self.available_seconds - self.errored_seconds
    }

    fn count(&mut self, second: Second, available: bool) {
        if !available {
            self.unavailable_seconds += 1;
            return;
        }
        let class = second.class();
        self.available_seconds += 1;
        self.errored_seconds += u64::from(class != SecondClass::Clean);
        self.severely_errored_seconds += u64::from(class == SecondClass::SeverelyErrored);
    }
}

/// Sorts the seconds of a run as they pass. A run begins available.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Availability {
    settled: AvailabilityTotals,
    unavailable: bool,
    /// The seconds, fewer than ten, that speak against the present state.
    held: [Second; RUN_SECONDS - 1],
    held_count: usize,
}

impl Availability {
    /// A run before its first second.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds the next second and says what it is by itself.
    ///
    /// An idle second neither continues nor breaks a row of ten: nothing is known about it.
    pub fn push(&mut self, second: Second) -> SecondClass {
        let class = second.class();
        if class == SecondClass::Idle {
            self.settled.idle_seconds += 1;
        } else if (class == SecondClass::SeverelyErrored) == self.unavailable {
            self.settle();
            self.settled.count(second, !self.unavailable);
        } else if self.held_count < self.held.len() {
            self.held[self.held_count] = second;
            self.held_count += 1;
        } else {
            // The tenth in a row: the state changes, and all ten count in the new one.
            self.unavailable = !self.unavailable;
            self.settle();
            self.settled.count(second, !self.unavailable);
        }
        class
    }

    /// The totals so far; up to nine of the last seconds count in the present state and may yet change sides.
    #[must_use]
    pub fn totals(&self) -> AvailabilityTotals {
        let mut copy = self.clone();
        copy.settle();
        copy.settled
    }

    /// Counts the held seconds in the present state.
    fn settle(&mut self) {
        for second in &self.held[..self.held_count] {
            self.settled.count(*second, !self.unavailable);
        }
        self.held_count = 0;
    }
}

/// Seconds in a row that begin or end unavailable time (RFC 4805 3.4.3).
const RUN_SECONDS: usize = 10;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const CLEAN: Second = Second { sent: 100, errored: 0, defect: false };
    const ERRORED: Second = Second { sent: 100, errored: 1, defect: false };
    const SEVERE: Second = Second { sent: 100, errored: 30, defect: false };
    const NO_LINK: Second = Second { sent: 0, errored: 0, defect: true };

    /// So many equal seconds in a row.
    type Row = (usize, Second);

    fn run(parts: &[Row]) -> Availability {
        let mut availability = Availability::new();
        for &(times, second) in parts {
            (0..times).for_each(|_| {
                availability.push(second);
            });
        }
        availability
    }

    /// By the rule of RFC 4805 3.4.3, worked by hand.
    #[test]
    fn unavailable_seconds_follow_the_ten_second_rule() {
        let cases: [(&str, &[Row], u64); 11] = [
            ("nine severe are not enough", &[(9, SEVERE)], 0),
            ("nine severe, then clean", &[(5, CLEAN), (9, SEVERE), (5, CLEAN)], 0),
            ("ten severe, ten clean", &[(10, SEVERE), (10, CLEAN)], 10),
            ("clean broken at nine", &[(10, SEVERE), (9, CLEAN), (1, SEVERE), (10, CLEAN)], 20),
            ("ten severe, then clean, not yet available again", &[(5, CLEAN), (10, SEVERE), (3, CLEAN)], 13),
            ("errored but not severe ends it as well", &[(12, SEVERE), (10, ERRORED)], 12),
            ("interrupted before ten", &[(9, SEVERE), (1, ERRORED), (9, SEVERE), (1, CLEAN)], 0),
            ("nine without link", &[(5, CLEAN), (9, NO_LINK), (5, CLEAN)], 0),
            ("ten without link", &[(5, CLEAN), (10, NO_LINK), (5, CLEAN)], 15),
            ("forty of three hundred without link", &[(130, CLEAN), (40, NO_LINK), (130, CLEAN)], 40),
            ("twice", &[(11, SEVERE), (15, CLEAN), (10, SEVERE), (10, CLEAN)], 21),
        ];
        for (name, parts, unavailable) in cases {
            let totals = run(parts).totals();
            assert_eq!(totals.unavailable_seconds, unavailable, "{name}");
            let all: usize = parts.iter().map(|part| part.0).sum();
            assert_eq!(totals.available_seconds + totals.unavailable_seconds, all as u64, "{name}");
        }
    }

    #[test]
    fn seconds_that_became_unavailable_are_taken_back() {
        let mut availability = run(&[(5, CLEAN), (2, ERRORED), (9, SEVERE)]);
        let totals = availability.totals();
        assert_eq!((totals.errored_seconds, totals.severely_errored_seconds, totals.clean_seconds()), (11, 9, 5));
        availability.push(SEVERE);
        let totals = availability.totals();
        assert_eq!((totals.errored_seconds, totals.severely_errored_seconds, totals.unavailable_seconds), (2, 0, 10));
        assert_eq!(totals.available_seconds, 7);
    }

    /// 30 % or more of the blocks (G.826, as restated in the ATIS glossary).
    #[test]
    fn a_second_is_classed_by_its_share_of_errored_blocks() {
        let class = |sent, errored| Second::new(sent, errored).unwrap().class();
        assert_eq!(class(100, 0), SecondClass::Clean);
        assert_eq!(class(100, 1), SecondClass::Errored);
        assert_eq!(class(100, 29), SecondClass::Errored);
        assert_eq!(class(100, 30), SecondClass::SeverelyErrored);
        assert_eq!(class(1, 1), SecondClass::SeverelyErrored);
        assert_eq!(class(u64::MAX, u64::MAX / 10 * 3), SecondClass::Errored);
        assert_eq!(class(u64::MAX, u64::MAX), SecondClass::SeverelyErrored);
        assert_eq!(class(0, 0), SecondClass::Idle);
        let without_link = |sent| Second::new(sent, 0).unwrap().with_defect(true).class();
        assert_eq!([without_link(0), without_link(100)], [SecondClass::SeverelyErrored; 2]);
        assert_eq!(Second::new(5, 6), Err(StatsError::ErrorsExceedTrials { errors: 6, trials: 5 }));
    }

    #[test]
    fn idle_seconds_say_nothing() {
        let idle = Second::new(0, 0).unwrap();
        let totals = run(&[(3, idle), (5, SEVERE), (20, idle), (5, SEVERE), (1, idle)]).totals();
        assert_eq!((totals.unavailable_seconds, totals.idle_seconds, totals.available_seconds), (10, 24, 0));
        assert_eq!(Availability::new().totals(), AvailabilityTotals::default());
    }

    /// The rule applied to a whole series at hand: from each second look ahead for ten that change the state.
    fn unavailable_by_looking_ahead(severe: &[bool]) -> u64 {
        let (mut unavailable, mut count) = (false, 0);
        for i in 0..severe.len() {
            if severe.len() - i >= 10 && severe[i..i + 10].iter().all(|&s| s != unavailable) {
                unavailable = !unavailable;
            }
            count += u64::from(unavailable);
        }
        count
    }

    proptest! {
        #[test]
        fn holding_back_agrees_with_looking_ahead(rows in prop::collection::vec((any::<bool>(), 1_usize..25), 0..20)) {
            let row = |&(severe, times): &(bool, usize)| std::iter::repeat_n(severe, times);
            let severe: Vec<bool> = rows.iter().flat_map(row).collect();
            let mut availability = Availability::new();
            severe.iter().for_each(|&s| { availability.push(if s { SEVERE } else { CLEAN }); });
            let totals = availability.totals();
            prop_assert_eq!(totals.unavailable_seconds, unavailable_by_looking_ahead(&severe));
            prop_assert_eq!(totals.available_seconds + totals.unavailable_seconds, severe.len() as u64);
        }
    }
}
