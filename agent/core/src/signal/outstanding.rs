//! Probes that were given up and have not come back: only such a probe can be late.
//!
//! Kept as stretches of sequences. Whatever is lost in one go takes one entry, so an outage costs no more than a single
//! lost probe. When [`STRETCHES_MAX`] are held the oldest is forgotten: what comes back of it counts as a copy.

use std::collections::BTreeMap;

/// Sequences that were given up and may still come back.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Outstanding {
    /// One past the end of each stretch, by its first sequence.
    stretches: BTreeMap<u64, u64>,
}

impl Outstanding {
    /// Adds the sequences from `first` up to, not including, `end`. They follow all that were added before.
    pub fn add(&mut self, first: u64, end: u64) {
        if first >= end {
            return;
        }
        match self.stretches.last_entry() {
            Some(mut last) if *last.get() == first => *last.get_mut() = end,
            _ => {
                self.stretches.insert(first, end);
            }
        }
        if self.stretches.len() > STRETCHES_MAX {
            self.stretches.pop_first();
        }
    }

    /// Takes out a sequence that has come back after all. False when it was not outstanding.
    pub fn take(&mut self, sequence: u64) -> bool {
        let Some((first, end)) = self.stretch_of(sequence) else { return false };
        self.stretches.remove(&first);
        if first < sequence {
            self.stretches.insert(first, sequence);
        }
        if sequence + 1 < end {
            self.stretches.insert(sequence + 1, end);
        }
        true
    }

    /// Whether this sequence is outstanding.
    pub fn contains(&self, sequence: u64) -> bool {
        self.stretch_of(sequence).is_some()
    }

    /// The stretch that holds this sequence: its first, and one past its last.
    fn stretch_of(&self, sequence: u64) -> Option<(u64, u64)> {
        let (&first, &end) = self.stretches.range(..=sequence).next_back()?;
        (sequence < end).then_some((first, end))
    }

    /// How many sequences are outstanding.
    pub fn count(&self) -> u64 {
        self.stretches.iter().map(|(first, end)| end - first).sum()
    }
}

/// Most stretches kept, about 2 MB: of probes lost one by one, those of the last second at least. Our own choice.
pub const STRETCHES_MAX: usize = 1 << 16;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_sequence_is_taken_once_and_from_within_a_stretch() {
        let mut out = Outstanding::default();
        out.add(10, 20);
        out.add(20, 21);
        out.add(30, 30);
        assert_eq!((out.count(), out.stretches.len()), (11, 1));
        assert!(out.take(15) && !out.take(15) && out.contains(14) && out.contains(16) && !out.contains(15));
        assert!(out.take(10) && out.take(20) && !out.take(21) && !out.take(9));
        assert_eq!(out.count(), 8);
        // What is taken leaves no room taken.
        assert!((11..20).filter(|sequence| *sequence != 15).all(|sequence| out.take(sequence)));
        assert_eq!(out, Outstanding::default());
    }

    #[test]
    fn the_oldest_stretch_is_forgotten_first() {
        let mut out = Outstanding::default();
        (0..STRETCHES_MAX as u64).for_each(|number| out.add(2 * number, 2 * number + 1));
        assert!(out.contains(0));
        out.add(2 * STRETCHES_MAX as u64, 2 * STRETCHES_MAX as u64 + 1);
        assert!(!out.contains(0) && out.contains(2));
    }

    proptest! {
        /// Against a slow obvious version: a set of sequences.
        #[test]
        fn agrees_with_a_set(
            stretches in proptest::collection::vec((0u64..5, 1u64..9), 0..20),
            taken in proptest::collection::vec(0u64..200, 0..60),
        ) {
            let (mut out, mut set, mut at) = (Outstanding::default(), std::collections::BTreeSet::new(), 0);
            for (gap, length) in stretches {
                out.add(at + gap, at + gap + length);
                set.extend(at + gap..at + gap + length);
                at += gap + length;
            }
            for sequence in taken {
                prop_assert_eq!(out.contains(sequence), set.contains(&sequence));
                prop_assert_eq!(out.take(sequence), set.remove(&sequence));
            }
            prop_assert_eq!(out.count(), set.len() as u64);
        }
    }
}
