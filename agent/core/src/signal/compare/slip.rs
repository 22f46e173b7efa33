//! Sent against received where bytes may be missing or extra: which byte belongs to which.
//!
//! [`Aligner::align`] finds the cheapest way to turn one into the other. A wrong byte costs its wrong bits. A missing
//! or extra byte costs as much as a byte that is wrong in every bit, so a wrong byte is never taken for a slip. Reading
//! on out of step makes half of all bits wrong, which soon costs more than a slip. Of two explanations that cost the
//! same, the one without a slip is taken. Limit: a byte lost and another inserted within four bytes of each other can
//! be taken for damage of the bytes between.

use std::collections::HashMap;

/// What became of one byte.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    /// A byte that was sent and the one that came for it.
    Pair,
    /// Sent, and nothing came for it.
    Missing,
    /// Came, and was not sent.
    Extra,
}

/// How the end of what was received is to be taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// More follows: bytes after the last one sent are somebody else's.
    Open,
    /// Nothing follows: they are extra.
    Closed,
}

/// Finds alignments; keeps its table from one to the next.
#[derive(Clone, Debug, Default)]
pub struct Aligner {
    costs: Vec<u32>,
    steps: Vec<Fate>,
}

/// The cheapest alignment.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Alignment {
    /// In order.
    pub fates: Vec<Fate>,
    /// Wrong bits, and the price of each slip.
    pub cost: u32,
}

/// Price of a missing or extra byte with so many data bits.
pub fn slip_cost(data_bits: u8) -> u32 {
    data_bits.into()
}

impl Aligner {
    /// Aligns `got` with `expected`, looking at slips of up to `slip_max` bytes either way at any point (or as many as
    /// the lengths demand).
    ///
    /// Dynamic programming over a band around the diagonal (Needleman and Wunsch, J. Mol. Biol. 48 (1970), pp. 443-453,
    /// with costs in place of scores); the table holds `(expected + 1) * (2 slip_max + 1)` cells.
    pub fn align(&mut self, expected: &[u8], got: &[u8], data_bits: u8, slip_max: usize, end: End) -> Alignment {
        let (rows, columns) = (expected.len(), got.len());
        let slip_max = match end {
            End::Closed => slip_max.max(rows.abs_diff(columns)),
            End::Open => slip_max.max(rows.saturating_sub(columns)),
        };
        // Cell (i, j) of the table is at column j - i + slip_max of row i.
        let width = 2 * slip_max + 1;
        self.costs.clear();
        self.costs.resize((rows + 1) * width, FAR);
        self.steps.clear();
        self.steps.resize((rows + 1) * width, Fate::Pair);
        let slip = slip_cost(data_bits);
        for i in 0..=rows {
            let first = i.saturating_sub(slip_max);
            let last = (i + slip_max).min(columns);
            for j in first..=last {
                let cell = i * width + (j + slip_max - i);
                if i == 0 && j == 0 {
                    self.costs[cell] = 0;
                    continue;
                }
                let mut best = (FAR, Fate::Pair);
                if i > 0 && j > 0 {
                    let cost = self.costs[cell - width] + (expected[i - 1] ^ got[j - 1]).count_ones();
                    best = (cost, Fate::Pair);
                }
                if i > 0 && j + slip_max - i + 1 < width {
                    let cost = self.costs[cell - width + 1] + slip;
                    if cost < best.0 {
                        best = (cost, Fate::Missing);
                    }
                }
                if j > first {
                    let cost = self.costs[cell - 1] + slip;
                    if cost < best.0 {
                        best = (cost, Fate::Extra);
                    }
                }
                (self.costs[cell], self.steps[cell]) = best;
            }
        }
        let at = |i: usize, j: usize| i * width + (j + slip_max - i);
        let mut j = match end {
            End::Closed => columns,
            End::Open => {
                let ends = rows.saturating_sub(slip_max)..=(rows + slip_max).min(columns);
                ends.min_by_key(|&j| (self.costs[at(rows, j)], j.abs_diff(rows))).unwrap_or(columns)
            }
        };
        let cost = self.costs[at(rows, j)];
        let mut i = rows;
        let mut fates = Vec::with_capacity(rows);
        while i > 0 || j > 0 {
            let fate = self.steps[at(i, j)];
            fates.push(fate);
            match fate {
                Fate::Pair => (i, j) = (i - 1, j - 1),
                Fate::Missing => i -= 1,
                Fate::Extra => j -= 1,
            }
        }
        fates.reverse();
        Alignment { fates, cost }
    }
}

/// Alignment of two stretches too long for a table: what they have in common at either end, and in between one run of
/// equal bytes after the other, as far as each can be found again behind a gap. Right for any number of gaps that are
/// `RUN_BYTES` or more apart, however long, in a pattern that does not repeat itself. Where nothing is found again,
/// what is left is paired as it stands, and the rest of the longer one is missing or extra.
pub fn align_long(expected: &[u8], got: &[u8]) -> Vec<Fate> {
    let common = expected.len().min(got.len());
    let head = expected.iter().zip(got).take_while(|(e, g)| e == g).count();
    let tail = expected.iter().rev().zip(got.iter().rev()).take(common - head).take_while(|(e, g)| e == g).count();
    let mut fates = vec![Fate::Pair; head];
    align_runs(&expected[head..expected.len() - tail], &got[head..got.len() - tail], &mut fates);
    fates.extend(std::iter::repeat_n(Fate::Pair, tail));
    fates
}

/// The middle of [`align_long`].
fn align_runs(expected: &[u8], got: &[u8], fates: &mut Vec<Fate>) {
    let mut places: HashMap<&[u8], Vec<usize>> = HashMap::new();
    for (at, run) in expected.windows(RUN_BYTES).enumerate() {
        places.entry(run).or_default().push(at);
    }
    let mut gap = |missing: usize, extra: usize| {
        let pairs = missing.min(extra);
        fates.extend(std::iter::repeat_n(Fate::Missing, missing - pairs));
        fates.extend(std::iter::repeat_n(Fate::Extra, extra - pairs));
        fates.extend(std::iter::repeat_n(Fate::Pair, pairs));
    };
    let (mut i, mut j) = (0, 0);
    loop {
        let found = got[j..].windows(RUN_BYTES).enumerate().find_map(|(ahead, run)| {
            let places = places.get(run)?;
            places.get(places.partition_point(|place| *place < i)).map(|place| (*place, j + ahead))
        });
        let Some((next_i, next_j)) = found else {
            gap(expected.len() - i, got.len() - j);
            return;
        };
        gap(next_i - i, next_j - j);
        let run = expected[next_i..].iter().zip(&got[next_j..]).take_while(|(e, g)| e == g).count();
        gap(run, run);
        (i, j) = (next_i + run, next_j + run);
    }
}

/// So many equal bytes in a row are no chance: by chance one place in 2^64 has them (computed).
const RUN_BYTES: usize = 8;

/// More than any path costs, with room to add.
const FAR: u32 = u32::MAX / 2;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn count(fates: &[Fate], fate: Fate) -> usize {
        fates.iter().filter(|f| **f == fate).count()
    }

    /// The same by the plain full table, no place of which is more than `slip_max` from the diagonal: the cost of each
    /// length of what was received.
    fn slow_costs(expected: &[u8], got: &[u8], data_bits: u8, slip_max: usize) -> Vec<u32> {
        let slip = slip_cost(data_bits);
        let within = |i: usize, j: usize, cost: u32| if i.abs_diff(j) > slip_max { FAR } else { cost };
        let mut row: Vec<u32> = (0..=got.len()).map(|j| within(0, j, j as u32 * slip)).collect();
        for (i, e) in expected.iter().enumerate() {
            let mut next = vec![within(i + 1, 0, (i as u32 + 1) * slip)];
            for (j, g) in got.iter().enumerate() {
                let cost = (row[j] + (e ^ g).count_ones()).min(row[j + 1] + slip).min(next[j] + slip);
                next.push(within(i + 1, j + 1, cost));
            }
            row = next;
        }
        row
    }

    proptest! {
        #[test]
        fn every_byte_has_one_fate_and_no_way_is_cheaper(
            expected in prop::collection::vec(any::<u8>(), 0..40),
            got in prop::collection::vec(any::<u8>(), 0..40),
        ) {
            let found = Aligner::default().align(&expected, &got, 8, 40, End::Closed);
            let pairs = count(&found.fates, Fate::Pair);
            prop_assert_eq!(pairs + count(&found.fates, Fate::Missing), expected.len());
            prop_assert_eq!(pairs + count(&found.fates, Fate::Extra), got.len());
            prop_assert_eq!(found.cost, slow_costs(&expected, &got, 8, 40)[got.len()]);
        }

        /// Bytes of few values and cheap slips, so that many ways are nearly as cheap, up to the edge of the band.
        #[test]
        fn no_way_within_the_longest_slip_is_cheaper(
            expected in prop::collection::vec(0_u8..3, 0..24),
            got in prop::collection::vec(0_u8..3, 0..24),
            slip_max in 1_usize..5,
            data_bits in 1_u8..4,
        ) {
            let (rows, columns) = (expected.len(), got.len());
            let closed = Aligner::default().align(&expected, &got, data_bits, slip_max, End::Closed);
            let band = slip_max.max(rows.abs_diff(columns));
            prop_assert_eq!(closed.cost, slow_costs(&expected, &got, data_bits, band)[columns]);
            let open = Aligner::default().align(&expected, &got, data_bits, slip_max, End::Open);
            let band = slip_max.max(rows.saturating_sub(columns));
            prop_assert_eq!(open.cost, *slow_costs(&expected, &got, data_bits, band).iter().min().unwrap());
            for (found, all) in [(closed, true), (open, false)] {
                let (mut i, mut j, mut cost) = (0, 0, 0);
                for fate in &found.fates {
                    let is_pair = *fate == Fate::Pair;
                    cost += if is_pair { (expected[i] ^ got[j]).count_ones() } else { slip_cost(data_bits) };
                    i += usize::from(*fate != Fate::Extra);
                    j += usize::from(*fate != Fate::Missing);
                }
                prop_assert!(i == rows && (j == columns || !all));
                prop_assert_eq!(cost, found.cost, "the fates cost what is said");
            }
        }

        #[test]
        fn one_gap_of_any_length_is_found(
            expected in prop::collection::vec(any::<u8>(), 1..3000),
            from: prop::sample::Index,
            len: prop::sample::Index,
        ) {
            let from = from.index(expected.len());
            let len = len.index(expected.len() - from + 1);
            let got = [&expected[..from], &expected[from + len..]].concat();
            let fates = align_long(&expected, &got);
            prop_assert_eq!((count(&fates, Fate::Missing), count(&fates, Fate::Extra)), (len, 0));
            let fates = align_long(&got, &expected);
            prop_assert_eq!((count(&fates, Fate::Missing), count(&fates, Fate::Extra)), (0, len));
        }
    }

    proptest! {
        /// Drawn gaps, each behind a run that is long enough to be found again.
        #[test]
        fn several_long_gaps_are_found_and_nothing_is_damaged(
            lens in prop::collection::vec((16_usize..400, 1_usize..900), 1..20),
            seed: u64,
        ) {
            let mut rng = crate::base::rng::Rng::new(seed);
            let mut bytes = |len: usize| -> Vec<u8> { (0..len).map(|_| rng.draw() as u8).collect() };
            let (mut expected, mut got) = (Vec::new(), Vec::new());
            for (run, gap) in &lens {
                let run = bytes(*run);
                expected.extend(&run);
                got.extend(&run);
                expected.extend(bytes(*gap));
            }
            let lost: usize = lens.iter().map(|(_, gap)| gap).sum();
            let fates = align_long(&expected, &got);
            prop_assert_eq!((count(&fates, Fate::Missing), count(&fates, Fate::Extra)), (lost, 0));
            let (mut i, mut j) = (0, 0);
            for fate in fates {
                if fate == Fate::Pair {
                    prop_assert_eq!(expected[i], got[j]);
                }
                i += usize::from(fate != Fate::Extra);
                j += usize::from(fate != Fate::Missing);
            }
        }
    }

    #[test]
    fn an_open_end_leaves_what_follows() {
        let found = Aligner::default().align(b"harbour", b"harbourmaster", 8, 8, End::Open);
        assert_eq!(found, Alignment { fates: vec![Fate::Pair; 7], cost: 0 });
    }

    /// As much as a byte that is wrong in every bit, and so many of them as the lengths demand.
    #[test]
    fn each_slip_has_its_price_and_lengths_may_differ_by_more_than_the_longest() {
        for (expected, got, end, fate) in [
            (&b"quay 123456"[..], &b"quay "[..], End::Closed, Fate::Missing),
            (b"quay 123456", b"quay ", End::Open, Fate::Missing),
            (b"quay ", b"quay 123456", End::Closed, Fate::Extra),
        ] {
            for data_bits in [7, 8] {
                let found = Aligner::default().align(expected, got, data_bits, 1, end);
                let fates = [vec![Fate::Pair; 5], vec![fate; 6]].concat();
                assert_eq!(found, Alignment { fates, cost: 6 * u32::from(data_bits) }, "{end:?}");
            }
        }
    }

    #[test]
    fn of_two_that_cost_the_same_the_one_without_a_slip_is_taken() {
        // Two bytes wrong in every bit cost 16, as do one missing and one extra.
        for (expected, got) in [([0x00, 0xFF], [0xFF, 0x00]), ([0xFF, 0x00], [0x00, 0xFF])] {
            let found = Aligner::default().align(&expected, &got, 8, 8, End::Closed);
            assert_eq!(found, Alignment { fates: vec![Fate::Pair; 2], cost: 16 });
        }
        // With an open end a byte wrong in every bit costs as much as one that is missing.
        // So does an extra one before the right one.
        for got in [[0xFF, 0x0F], [0xFF, 0x00]] {
            let found = Aligner::default().align(&[0x00], &got, 8, 8, End::Open);
            assert_eq!(found, Alignment { fates: vec![Fate::Pair], cost: 8 });
        }
    }

    /// Fates in their order, each so often.
    fn told(fates: &[(Fate, usize)]) -> Vec<Fate> {
        fates.iter().flat_map(|(fate, count)| vec![*fate; *count]).collect()
    }

    #[test]
    fn eight_equal_bytes_between_two_gaps_are_found_and_seven_are_not() {
        use Fate::{Extra, Missing, Pair};
        let found = align_long(b"0123456789harbour!abcdefghij", b"XYharbour!Z");
        assert_eq!(found, told(&[(Missing, 8), (Pair, 10), (Missing, 9), (Pair, 1)]));
        let seven = align_long(b"0123456789harbourabcdefghij", b"XYharbourZ");
        assert_eq!(seven, told(&[(Missing, 17), (Pair, 10)]));
        // Bytes put in at two places, and none missing.
        let put_in = align_long(b"harbour!lockgatequaywall", b"harbour!xxlockgateyyquaywall");
        assert_eq!(put_in, told(&[(Pair, 8), (Extra, 2), (Pair, 8), (Extra, 2), (Pair, 8)]));
        // The same eight bytes twice are taken in their order.
        let twice = align_long(b"aharbour!bbharbour!c", b"zharbour!yharbour!w");
        assert_eq!(twice, told(&[(Pair, 9), (Missing, 1), (Pair, 10)]));
    }

    #[test]
    fn no_byte_is_of_head_and_tail_at_once() {
        for (expected, got) in [(&b"aaaa"[..], &b"aa"[..]), (b"aa", b"aaaa"), (b"aba", b"aba"), (b"", b"a")] {
            let fates = align_long(expected, got);
            let pairs = expected.len().min(got.len());
            assert_eq!(count(&fates, Fate::Pair), pairs);
            assert_eq!(count(&fates, Fate::Missing), expected.len() - pairs);
            assert_eq!(count(&fates, Fate::Extra), got.len() - pairs);
        }
        // Of two places for the same bytes the one at the end is taken.
        let fates = align_long(b"P12345678QQ12345678", b"Z12345678");
        assert_eq!(fates, [vec![Fate::Missing; 10], vec![Fate::Pair; 9]].concat());
        // What is alike at the end is taken for the end: the gap is in the middle.
        let fates = align_long(b"quay wall", b"quay all");
        assert_eq!(fates.iter().position(|fate| *fate == Fate::Missing), Some(5));
    }
}
