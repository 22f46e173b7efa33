//! Which probes are still out, and which came back, late, twice or out of order: one bit for each probe of a sliding
//! span of sequences.
//!
//! The ledger of one step knows sequences `first..`. A probe is lost when the span has moved past it or the step was
//! closed without it; an echo for a probe already given up is late and stays counted as lost. Only a probe that is
//! still [outstanding](super::outstanding) can be late: a second echo of one that had come back is a copy, however
//! late.

use super::outstanding::Outstanding;

/// Sequences the ledger can hold open at once. At 1.5 million frames a second that is 0.7 s of delay, more than a
/// satellite hop; memory is 128 KiB.
pub const SPAN: u64 = 1 << 20;

/// What the ledger says about one echo.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// First echo of its probe, in order.
    Back,
    /// First echo of its probe, but a later probe came back before it (RFC 4737 3: smaller than the next expected).
    Reordered,
    /// The probe had come back already.
    Duplicate,
    /// The probe had been given up, in this step or an earlier one.
    Late,
    /// No probe with this sequence was sent.
    Foreign,
}

/// Bits of one step's probes over a sliding span of sequences: which of them have come back.
#[derive(Clone, Debug)]
pub struct Ledger {
    first: u64,
    base: u64,
    next_expected: u64,
    /// One past the last probe that may have been sent.
    sent_below: u64,
    back: Vec<u64>,
    returned: u64,
    /// Given up, in this step or an earlier one.
    outstanding: Outstanding,
}

impl Ledger {
    /// A ledger for probes numbered from `first`; those `outstanding` were given up in earlier steps. Until
    /// [`Ledger::handle_sent`] any higher number is believed.
    pub fn new(first: u64, outstanding: Outstanding) -> Self {
        let base = first & !63;
        let back = vec![0; (SPAN / 64) as usize];
        let mut ledger =
            Self { first, base, next_expected: first, sent_below: u64::MAX, back, returned: 0, outstanding };
        // Sequences below `first` share its word: they are nobody's.
        ledger.back[word_of(base)] = (1u64 << (first - base)) - 1;
        ledger
    }

    /// Probes below `next` have been handed to the port, none above it. An echo that names a later one is damaged: two
    /// wrong bits can cancel in the header check, and believing such a number would give up everything up to it.
    #[inline]
    pub fn handle_sent(&mut self, next: u64) {
        self.sent_below = next;
    }

    /// Whether a probe with this sequence can have been sent.
    #[inline]
    pub fn may_be_out(&self, sequence: u64) -> bool {
        sequence >= self.first && sequence < self.sent_below
    }

    /// Books one echo.
    #[inline]
    pub fn mark(&mut self, sequence: u64) -> Mark {
        if sequence >= self.sent_below {
            return Mark::Foreign;
        }
        if sequence < self.base {
            return self.mark_settled(sequence);
        }
        if sequence >= self.base + SPAN {
            self.slide_to_hold(sequence);
        }
        let (word, bit) = (word_of(sequence), 1u64 << (sequence % 64));
        if self.back[word] & bit != 0 {
            return self.mark_settled(sequence);
        }
        self.back[word] |= bit;
        self.returned += 1;
        if sequence < self.next_expected {
            return Mark::Reordered;
        }
        self.next_expected = sequence + 1;
        Mark::Back
    }

    /// Books an echo of a probe that had come back or been given up.
    #[cold]
    fn mark_settled(&mut self, sequence: u64) -> Mark {
        if self.outstanding.take(sequence) { Mark::Late } else { Mark::Duplicate }
    }

    /// Whether a probe with this sequence was given up and has not come back since.
    pub fn was_given_up(&self, sequence: u64) -> bool {
        self.outstanding.contains(sequence)
    }

    /// Books `count` echoes in order from `sequence`, as if each had been marked. The caller knows that none of them
    /// was booked before; used for simulated stretches in which nothing happens.
    pub fn mark_span(&mut self, sequence: u64, count: u64) {
        let end = sequence + count;
        // A long stretch leaves only its tail in the span: what lies before is known to be back.
        let tail = end.saturating_sub(SPAN / 2).max(sequence);
        if tail > sequence {
            self.returned += tail - sequence;
            self.give_up_below(sequence);
            self.restart_at(tail);
        }
        for s in tail..end {
            self.mark(s);
        }
    }

    /// Whether a probe with this sequence could still come back as the first of its kind.
    pub fn expects(&self, sequence: u64) -> bool {
        self.may_be_out(sequence)
            && sequence >= self.base
            && (sequence >= self.base + SPAN || self.back[word_of(sequence)] & (1 << (sequence % 64)) == 0)
    }

    /// One past the highest sequence seen.
    pub fn next_expected(&self) -> u64 {
        self.next_expected
    }

    /// Probes that came back in time.
    pub fn returned(&self) -> u64 {
        self.returned
    }

    /// First sequence of the step.
    pub fn first(&self) -> u64 {
        self.first
    }

    /// Probes that never came back, of `sent` probes sent in this step.
    pub fn lost(&self, sent: u64) -> u64 {
        sent.saturating_sub(self.returned)
    }

    /// Ends the step after `sent` probes: what is still out is given up. Gives all that may still come late.
    pub fn end(&mut self, sent: u64) -> Outstanding {
        self.give_up_below(self.first + sent);
        std::mem::take(&mut self.outstanding)
    }

    /// Notes as outstanding what has not come back below `end`.
    fn give_up_below(&mut self, end: u64) {
        let held = end.min(self.base + SPAN);
        for base in (self.base..held).step_by(64) {
            let within = if held - base < 64 { (1u64 << (held - base)) - 1 } else { u64::MAX };
            let mut missing = !self.back[word_of(base)] & within;
            while missing != 0 {
                let from = missing.trailing_zeros();
                let length = (missing >> from).trailing_ones();
                self.outstanding.add(base + u64::from(from), base + u64::from(from + length));
                missing &= u64::MAX.checked_shl(from + length).unwrap_or(0);
            }
        }
        self.outstanding.add(held, end);
    }

    /// Moves the span on to hold a sequence beyond it. What is still out before it is given up.
    fn slide_to_hold(&mut self, sequence: u64) {
        // Move in eighths of the span so that sliding is rare and the newest probes keep their room.
        let base = (sequence + SPAN / 8 - SPAN) & !63;
        self.give_up_below(base);
        (self.base..base.min(self.base + SPAN)).step_by(64).for_each(|at| self.back[word_of(at)] = 0);
        self.base = base;
    }

    /// Forgets every bit and starts the span at `sequence`: everything below it is settled.
    fn restart_at(&mut self, sequence: u64) {
        self.back.fill(0);
        self.base = sequence & !63;
        self.back[word_of(self.base)] = (1u64 << (sequence - self.base)) - 1;
    }
}

#[inline]
fn word_of(sequence: u64) -> usize {
    ((sequence % SPAN) / 64) as usize
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn in_order_twice_and_swapped() {
        let mut ledger = Ledger::new(100, Outstanding::default());
        assert_eq!(ledger.mark(100), Mark::Back);
        assert_eq!(ledger.mark(102), Mark::Back);
        assert_eq!(ledger.mark(101), Mark::Reordered);
        assert_eq!(ledger.mark(101), Mark::Duplicate);
        assert_eq!(ledger.mark(99), Mark::Duplicate, "of an earlier step, which had lost nothing");
        assert_eq!(ledger.lost(5), 2);
    }

    #[test]
    fn an_echo_far_behind_is_late_and_stays_lost() {
        let mut ledger = Ledger::new(0, Outstanding::default());
        ledger.mark(0);
        ledger.mark(SPAN * 3);
        assert_eq!(ledger.mark(5), Mark::Late);
        assert_eq!(ledger.mark(5), Mark::Duplicate, "late once, a copy from then on");
        assert_eq!(ledger.mark(0), Mark::Duplicate, "it had come back in time");
        assert_eq!(ledger.lost(SPAN * 3 + 1), SPAN * 3 - 1);
    }

    #[test]
    fn what_earlier_steps_gave_up_is_late_once() {
        let mut first = Ledger::new(100, Outstanding::default());
        [100, 101, 104, 170].iter().for_each(|sequence| _ = first.mark(*sequence));
        let mut second = Ledger::new(180, first.end(80));
        second.handle_sent(200);
        let late: Vec<u64> = (90..180).filter(|sequence| second.mark(*sequence) == Mark::Late).collect();
        let lost: Vec<u64> = (100..180).filter(|sequence| ![100, 101, 104, 170].contains(sequence)).collect();
        assert_eq!(late, lost);
        assert!((90..180).all(|sequence| second.mark(sequence) == Mark::Duplicate));
        assert_eq!((second.mark(180), second.returned(), second.mark(200)), (Mark::Back, 1, Mark::Foreign));
    }

    #[test]
    fn a_probe_at_the_edge_of_the_span_has_a_bit_of_its_own() {
        for at in [SPAN - 1, SPAN, SPAN + 1] {
            let mut ledger = Ledger::new(0, Outstanding::default());
            let marks = [0, at, at, 0].map(|sequence| ledger.mark(sequence));
            assert_eq!(marks, [Mark::Back, Mark::Back, Mark::Duplicate, Mark::Duplicate]);
            assert_eq!(ledger.lost(at + 1), at - 1);
        }
    }

    /// A step of more probes than the span holds, of which only the first came back.
    #[test]
    fn what_lies_beyond_the_span_is_given_up_too() {
        let mut ledger = Ledger::new(0, Outstanding::default());
        ledger.mark(0);
        let left = ledger.end(SPAN + 100);
        assert_eq!((left.count(), left.contains(SPAN + 99), left.contains(SPAN + 100)), (SPAN + 99, true, false));
    }

    #[test]
    fn a_long_span_leaves_no_probe_before_it_open() {
        // The span begins in the middle of a word: probes 60 to 69 are lost, the span starts at 70.
        let mut ledger = Ledger::new(0, Outstanding::default());
        (0..60).for_each(|sequence| assert_eq!(ledger.mark(sequence), Mark::Back));
        let end = 70 + SPAN + 13;
        ledger.mark_span(70, end - 70);
        let tail = end - SPAN / 2;
        assert_eq!((ledger.mark(tail - 1), ledger.mark(tail)), (Mark::Duplicate, Mark::Duplicate));
        assert_eq!((ledger.mark(65), ledger.mark(65), ledger.mark(70)), (Mark::Late, Mark::Duplicate, Mark::Duplicate));
        assert_eq!((ledger.returned(), ledger.lost(end)), (end - 10, 10));
        assert_eq!(ledger.end(end).count(), 9);
    }

    #[test]
    fn a_span_counts_like_single_marks() {
        let mut ledger = Ledger::new(10, Outstanding::default());
        ledger.mark_span(10, SPAN * 2 + 3);
        assert_eq!(ledger.returned(), SPAN * 2 + 3);
        assert_eq!(ledger.mark(10 + SPAN * 2 + 3), Mark::Back);
        assert_eq!(ledger.mark(10 + SPAN * 2 + 2), Mark::Duplicate);
        assert_eq!(ledger.lost(SPAN * 2 + 4), 0);
    }

    /// As [`SPAN`] says: 0.7 s at 1.5 million frames a second, in 128 KiB.
    #[test]
    fn the_span_is_as_long_as_it_says() {
        assert!((0.69..0.71).contains(&(SPAN as f64 / 1.5e6)));
        assert_eq!(8 * Ledger::new(0, Outstanding::default()).back.len(), 128 << 10);
    }

    /// One probe in 4099 is held up for 1993 others, and every second of those never comes, while the span slides.
    #[test]
    fn what_comes_back_a_little_later_is_in_time_however_often_the_span_slides() {
        let end = 3 * SPAN;
        let mut ledger = Ledger::new(0, Outstanding::default());
        let mut never = Vec::new();
        for sequence in 0..end {
            match (sequence % 4099, sequence / 4099 % 2) {
                (7, 0) => {}
                (7, _) => never.push(sequence),
                (2000, 0) => {
                    let marks = [sequence, sequence - 1993, sequence - 1993].map(|sequence| ledger.mark(sequence));
                    assert_eq!(marks, [Mark::Back, Mark::Reordered, Mark::Duplicate], "{sequence}");
                }
                _ => assert_eq!(ledger.mark(sequence), Mark::Back, "{sequence}"),
            }
        }
        assert_eq!(ledger.lost(end), never.len() as u64);
        let left = ledger.end(end);
        assert_eq!(left.count(), never.len() as u64);
        assert!(never.iter().all(|sequence| left.contains(*sequence)));
    }

    /// The span moves by whole words: what had come in right behind its new beginning is still known.
    #[test]
    fn a_jump_forgets_nothing_that_the_span_still_holds() {
        let mut ledger = Ledger::new(0, Outstanding::default());
        (0..SPAN).for_each(|sequence| _ = ledger.mark(sequence));
        assert_eq!(ledger.mark(SPAN + 37), Mark::Back);
        let held = SPAN / 8..SPAN / 8 + 300;
        assert!(held.clone().all(|sequence| ledger.mark(sequence) == Mark::Duplicate));
        assert_eq!(ledger.mark(SPAN + 36), Mark::Reordered);
        assert_eq!(ledger.end(SPAN + 38).count(), 36);
    }

    /// What came just before one far ahead is in time; so is the whole of a short stretch, and what it leaves open.
    #[test]
    fn a_jump_and_a_short_stretch_give_up_no_more_than_they_must() {
        let mut ledger = Ledger::new(0, Outstanding::default());
        ledger.mark(0);
        assert!(ledger.expects(SPAN), "it has the bit of the first, which is far behind by then");
        assert_eq!((ledger.mark(SPAN), ledger.mark(SPAN - 1)), (Mark::Back, Mark::Reordered));
        let mut ledger = Ledger::new(64, Outstanding::default());
        assert!(ledger.expects(64) && ledger.first() == 64);
        ledger.mark_span(69, 3);
        assert_eq!((ledger.mark(66), ledger.mark(70), ledger.mark(72)), (Mark::Reordered, Mark::Duplicate, Mark::Back));
    }

    #[test]
    fn a_number_nobody_sent_moves_nothing() {
        let mut ledger = Ledger::new(100, Outstanding::default());
        ledger.handle_sent(110);
        assert_eq!(ledger.mark(100), Mark::Back);
        assert_eq!(ledger.mark(110), Mark::Foreign);
        assert_eq!(ledger.mark(100 | 1 << 60), Mark::Foreign);
        assert!(!ledger.expects(110) && ledger.expects(109));
        ledger.handle_sent(111);
        assert_eq!((ledger.mark(110), ledger.next_expected(), ledger.returned()), (Mark::Back, 111, 2));
    }

    proptest! {
        /// Against a slow obvious ledger: a set of sequences.
        #[test]
        fn agrees_with_a_set(first in 0u64..1000, order in proptest::collection::vec(0u64..3000, 0..500)) {
            let mut ledger = Ledger::new(first, Outstanding::default());
            let mut seen = std::collections::BTreeSet::new();
            for offset in order {
                let sequence = first + offset;
                let expected = if seen.contains(&sequence) {
                    Mark::Duplicate
                } else if seen.last().is_some_and(|l| sequence < *l) {
                    Mark::Reordered
                } else {
                    Mark::Back
                };
                prop_assert_eq!(ledger.expects(sequence), !seen.contains(&sequence));
                seen.insert(sequence);
                prop_assert_eq!(ledger.mark(sequence), expected);
            }
            prop_assert_eq!(ledger.returned(), seen.len() as u64);
            let outstanding = ledger.end(3000);
            let either = |sequence| outstanding.contains(sequence) != seen.contains(&sequence);
            prop_assert!((first..first + 3000).all(either));
            prop_assert_eq!(outstanding.count() + seen.len() as u64, 3000);
        }
    }
}
