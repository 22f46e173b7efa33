//! What comes back of a stream of bytes: wrong, missing and extra ones told apart, block by block.
//!
//! The line keeps order, so what is sent is known byte for byte before it comes back. A block that is right costs one
//! `memcmp`. One that is not is held until the next intact head shows how far it slipped, and what lies before that is
//! aligned ([`crate::signal::compare::slip`]). Where no head is intact, the best fit is taken, or the bytes as they
//! stand.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::base::time::Nanos;
use crate::kind::serial::probe::{BLOCK_BYTES, BlockStream, HEAD_BYTES, Head};
use crate::signal::compare::slip::{Aligner, End, Fate, align_long, slip_cost};
use crate::signal::compare::{DamageTally, compare};
use crate::signal::seconds::{self, SecondCounts};

/// Every byte of a stream, each in one place. Balance: `sent + inserted = returned + lost` once a stream is settled.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineCounts {
    /// Bytes the port took.
    pub sent: u64,
    /// Bytes that came in.
    pub returned: u64,
    /// Bytes sent for which none came.
    pub lost: u64,
    /// Bytes that came and were not sent.
    pub inserted: u64,
    /// Bytes that came back with a wrong bit.
    pub damaged: u64,
    /// Bytes that came in marked with a framing or parity error.
    pub marked: u64,
    /// Of the damaged, those so marked.
    pub damaged_marked: u64,
    /// Data bits compared.
    pub bits_compared: u64,
    /// Of those, wrong.
    pub bit_errors: u64,
    /// Pieces compared, of a block at most.
    pub pieces: u64,
    /// Of those, with a wrong byte.
    pub pieces_damaged: u64,
    /// Of those, with a missing or an extra byte.
    pub pieces_slipped: u64,
}

impl LineCounts {
    /// Adds another stream's counts.
    pub fn merge(&mut self, other: &Self) {
        let Self {
            sent,
            returned,
            lost,
            inserted,
            damaged,
            marked,
            damaged_marked,
            bits_compared,
            bit_errors,
            pieces,
            pieces_damaged,
            pieces_slipped,
        } = other;
        self.sent += sent;
        self.returned += returned;
        self.lost += lost;
        self.inserted += inserted;
        self.damaged += damaged;
        self.marked += marked;
        self.damaged_marked += damaged_marked;
        self.bits_compared += bits_compared;
        self.bit_errors += bit_errors;
        self.pieces += pieces;
        self.pieces_damaged += pieces_damaged;
        self.pieces_slipped += pieces_slipped;
    }

    /// Bytes that did not come back as sent.
    pub fn failed(&self) -> u64 {
        self.lost.saturating_add(self.inserted).saturating_add(self.damaged)
    }

    /// Every byte sent came back as it was, and nothing else.
    pub fn is_clean(&self) -> bool {
        self.failed() == 0 && self.marked == 0 && self.returned == self.sent
    }
}

/// All that a stream of bytes measured.
#[derive(Clone, Debug, Default)]
pub struct LineTally {
    /// Byte counts.
    pub counts: LineCounts,
    /// What kind of damage the wrong bits are.
    pub damage: DamageTally,
    /// One entry a second from the start of the run, in bytes.
    pub seconds: Vec<SecondCounts>,
}

impl LineTally {
    /// Adds another stream of the same run.
    pub fn merge(&mut self, other: &Self) {
        self.counts.merge(&other.counts);
        self.damage.merge(&other.damage);
        seconds::merge(&mut self.seconds, &other.seconds);
    }
}

/// Matches the bytes that come in with the bytes that were sent, and counts each one once.
#[derive(Clone, Debug)]
pub struct LineCollector {
    stream: BlockStream,
    data_bits: u8,
    origin: Nanos,
    /// Bytes handed over so far.
    sent: u64,
    /// Up to which position bytes were handed over in which second, for those that are not settled: what is lost was
    /// lost then.
    sent_at: VecDeque<(u64, Nanos)>,
    /// Position in the stream up to which every byte has its fate.
    settled: u64,
    /// Position up to which something came back that can only be what was sent.
    recognised: u64,
    /// Bytes that came in and are not settled.
    waiting: Vec<u8>,
    /// How many came in before the first of these.
    waiting_from: u64,
    /// Numbers, among all that came in, of marked bytes that are not settled.
    marks: VecDeque<u64>,
    /// The waiting bytes are known to slip: more of them must come before it is worth another look.
    look_at: usize,
    in_step: bool,
    aligner: Aligner,
    expected: Vec<u8>,
    pairs: (Vec<u8>, Vec<u8>),
    tally: LineTally,
}

impl LineCollector {
    /// Nothing sent yet. Seconds are counted from `origin`.
    pub fn new(stream: BlockStream, data_bits: u8, origin: Nanos) -> Self {
        Self {
            stream,
            data_bits,
            origin,
            sent: 0,
            sent_at: VecDeque::new(),
            settled: 0,
            recognised: 0,
            waiting: Vec::new(),
            waiting_from: 0,
            marks: VecDeque::new(),
            look_at: 0,
            in_step: true,
            aligner: Aligner::default(),
            expected: Vec::new(),
            pairs: (Vec::new(), Vec::new()),
            tally: LineTally::default(),
        }
    }

    /// The stream that is sent.
    pub fn stream(&self) -> &BlockStream {
        &self.stream
    }

    /// Bytes handed over so far: the position of the next one.
    pub fn sent(&self) -> u64 {
        self.sent
    }

    /// Bytes that are out and have neither come back nor been given up.
    pub fn outstanding(&self) -> u64 {
        self.sent.saturating_sub(self.settled).saturating_sub(self.waiting.len() as u64)
    }

    /// Position in the stream up to which something came back that can only be what was sent, however damaged. Noise
    /// never moves it.
    pub fn recognised(&self) -> u64 {
        self.recognised
    }

    /// Whether the last bytes that came are, next to each other, bytes that are out. So many in a row are no chance,
    /// whatever is missing before them.
    pub fn tail_is_known(&mut self) -> bool {
        let Some(tail) = self.waiting.last_chunk::<TAIL_BYTES>().copied() else { return false };
        self.expect((self.sent - self.settled) as usize);
        self.expected.windows(TAIL_BYTES).any(|run| run == tail)
    }

    /// Whether what came since the last settled block is what was sent next: nothing is known to be missing, and all
    /// that is [`LineCollector::outstanding`] may still come.
    pub fn in_step(&self) -> bool {
        self.in_step
    }

    /// Whether the last bytes that came are the last that were sent, from their head on, which no other block has: the
    /// line keeps order, so what is missing before them is lost.
    pub fn end_is_in(&self) -> bool {
        let block = BLOCK_BYTES as u64;
        let Some(from) = self.sent.checked_sub(HEAD_BYTES as u64).map(|last_head| last_head / block * block) else {
            return false;
        };
        let mut end = [0; BLOCK_BYTES + HEAD_BYTES];
        let end = &mut end[..(self.sent - from) as usize];
        if from < self.settled || self.waiting.len() < end.len() {
            return false;
        }
        self.stream.fill(from, end);
        self.waiting.ends_with(end)
    }

    /// What was measured so far.
    pub fn tally(&self) -> &LineTally {
        &self.tally
    }

    /// The port took so many bytes more at `now`.
    pub fn handle_sent(&mut self, count: u64, now: Nanos) {
        self.sent += count;
        self.tally.counts.sent += count;
        let second = |at| seconds::index_of(at, self.origin);
        match self.sent_at.back_mut() {
            Some((end, at)) if second(*at) == second(now) => *end = self.sent,
            _ => self.sent_at.push_back((self.sent, now)),
        }
    }

    /// Bytes came in at `now`.
    pub fn handle_bytes(&mut self, bytes: &[u8], now: Nanos) {
        self.tally.counts.returned += bytes.len() as u64;
        self.waiting.extend_from_slice(bytes);
        if self.waiting.len() >= self.look_at {
            self.settle_blocks(now, false);
        }
    }

    /// A byte came in that the port marked as damaged.
    pub fn handle_marked(&mut self, byte: u8, now: Nanos) {
        self.marks.push_back(self.waiting_from + self.waiting.len() as u64);
        self.tally.counts.marked += 1;
        self.second(now).damaged += 1;
        self.handle_bytes(&[byte], now);
    }

    /// By the port's own count so many characters more came in with a wrong stop or parity bit, unmarked, and their
    /// data show nothing. In which second is known, and not which they are.
    pub fn handle_counted(&mut self, characters: u64, now: Nanos) {
        if characters > 0 {
            self.second(now).damaged += characters;
        }
    }

    /// Nothing more will come of what was sent: what is missing is lost.
    pub fn settle(&mut self, now: Nanos) {
        self.settle_blocks(now, true);
        let rest = self.sent - self.settled;
        if rest > 0 || !self.waiting.is_empty() {
            let fates = self.fates_of_rest(rest as usize);
            self.count_rest(&fates, now);
        }
        self.in_step = true;
    }

    /// The run ends here: what is out may still come, so it counts neither as sent nor as lost. Nor does what came last
    /// and is not in step: with nothing behind it nobody knows what it is.
    pub fn withdraw(&mut self, now: Nanos) {
        self.settle_blocks(now, true);
        let got = self.waiting.len();
        let rest = (self.sent - self.settled).min(got as u64) as usize;
        self.expect(rest);
        if got > 0 && rest == got && (self.waiting == self.expected || self.is_complement(got)) {
            self.count_recognised(&vec![Fate::Pair; got], now);
        } else {
            self.tally.counts.returned -= got as u64;
            self.consume(0, got);
        }
        self.tally.counts.sent -= self.sent - self.settled;
        self.sent = self.settled;
        self.sent_at.clear();
        self.in_step = true;
    }

    /// Ends the stream.
    pub fn finish(mut self, now: Nanos) -> LineTally {
        self.settle(now);
        self.tally
    }

    /// What became of the next `rest` bytes, where all that waits is theirs.
    fn fates_of_rest(&mut self, rest: usize) -> Vec<Fate> {
        self.expect(rest);
        let got = self.waiting.len();
        if got == rest && self.is_complement(got) { vec![Fate::Pair; got] } else { self.align_all(got) }
    }

    /// Counts the last bytes of a stretch, behind which no head shows whether they fit.
    fn count_rest(&mut self, fates: &[Fate], now: Nanos) {
        let slips = fates.iter().filter(|fate| **fate != Fate::Pair).count() * slip_cost(self.data_bits) as usize;
        let before = (self.tally.counts.bit_errors, self.settled);
        self.count(fates, now);
        let wrong = (self.tally.counts.bit_errors - before.0) as usize;
        let bits = (self.settled - before.1) as usize * usize::from(self.data_bits);
        if (wrong + slips) * 100 <= bits * CHANCE_PERCENT || slips == 0 && wrong * 4 >= bits * 3 {
            self.recognised = self.settled;
        }
    }

    /// Settles every piece whose fate is certain.
    fn settle_blocks(&mut self, now: Nanos, last: bool) {
        (self.look_at, self.in_step) = (0, false);
        loop {
            let piece = (BLOCK_BYTES as u64 - self.settled % BLOCK_BYTES as u64).min(self.sent - self.settled) as usize;
            if piece == 0 {
                self.in_step = self.waiting.is_empty();
                return;
            }
            let rest = self.sent - self.settled - piece as u64;
            let ahead = (HEAD_BYTES as u64).min(rest) as usize;
            self.expect(piece + ahead);
            let got = self.waiting.len();
            if got >= piece && self.waiting[..piece] == self.expected[..piece] {
                self.count_clean(piece, now);
                continue;
            }
            if got < piece && !last && self.waiting[..] == self.expected[..got] {
                self.in_step = true;
                return;
            }
            // How far it slipped shows only with the head that follows.
            if ahead < HEAD_BYTES || got < piece + ahead {
                self.look_at = if last { 0 } else { got + 1 };
                return;
            }
            if self.settle_in_step(piece, ahead, now) {
                continue;
            }
            if got < piece + ahead + SLIP_MAX && !last {
                self.look_at = piece + ahead + SLIP_MAX;
                return;
            }
            if self.settle_to_next_head(TABLE_BYTES, now)
                || self.settle_slipped(piece, ahead, true, now)
                || self.settle_to_next_head(usize::MAX, now)
            {
                continue;
            }
            if got < piece + GIVE_UP_BYTES && !last {
                self.look_at = (got + BLOCK_BYTES).min(piece + GIVE_UP_BYTES);
                return;
            }
            if last && (rest < GIVE_UP_BYTES as u64 || self.settle_one_gap(now)) {
                return;
            }
            self.expect(piece + ahead);
            if self.settle_slipped(piece, ahead, false, now) {
                continue;
            }
            // Nothing that can be recognised: taken as it stands.
            self.count(&vec![Fate::Pair; piece], now);
        }
    }

    /// The next head is where it belongs and little is wrong before it, or what came is the complement: nothing
    /// slipped.
    fn settle_in_step(&mut self, piece: usize, ahead: usize, now: Nanos) -> bool {
        let all = piece + ahead;
        let little = || self.wrong_bits(piece) <= 2 * slip_cost(self.data_bits) as usize;
        let in_step = (self.waiting[piece..all] == self.expected[piece..all] && little()) || self.is_complement(all);
        if in_step {
            self.count_recognised(&vec![Fate::Pair; piece], now);
        }
        in_step
    }

    /// At least three quarters of the first `len` bytes' bits are wrong, taken in step.
    fn is_complement(&self, len: usize) -> bool {
        self.wrong_bits(len) * 4 >= len * usize::from(self.data_bits) * 3
    }

    fn wrong_bits(&self, len: usize) -> usize {
        let pairs = self.waiting[..len].iter().zip(&self.expected);
        pairs.map(|(got, expected)| (got ^ expected).count_ones() as usize).sum()
    }

    /// Aligns the piece and the head behind it with what came. `sure` asks that the head is there, not only a fit that
    /// is better than chance.
    fn settle_slipped(&mut self, piece: usize, ahead: usize, sure: bool, now: Nanos) -> bool {
        let window = self.waiting.len().min(piece + ahead + SLIP_MAX);
        let got = &self.waiting[..window];
        let found = self.aligner.align(&self.expected, got, self.data_bits, SLIP_MAX, End::Open);
        let (mut own, mut i, mut j, mut cost_ahead) = (found.fates.len(), 0, 0, 0);
        for (number, fate) in found.fates.iter().enumerate() {
            if i == piece && *fate != Fate::Extra {
                own = own.min(number);
            }
            if number >= own {
                cost_ahead += match fate {
                    Fate::Pair => (self.expected[i] ^ self.waiting[j]).count_ones(),
                    _ => slip_cost(self.data_bits),
                };
            }
            i += usize::from(*fate != Fate::Extra);
            j += usize::from(*fate != Fate::Missing);
        }
        let bits = |bytes: usize| bytes * usize::from(self.data_bits);
        let fits = if sure {
            cost_ahead as usize * 100 <= bits(ahead) * HEAD_WRONG_PERCENT
        } else {
            found.cost as usize * 100 <= bits(piece + ahead) * CHANCE_PERCENT
        };
        if fits {
            self.count_recognised(&found.fates[..own], now);
        }
        fits
    }

    /// Aligns all up to the next intact head, which is that of the next block or, over a longer gap, of a later one.
    /// A span of more than `span_max` is left alone.
    fn settle_to_next_head(&mut self, span_max: usize, now: Nanos) -> bool {
        let found = (1..self.waiting.len().saturating_sub(HEAD_BYTES - 1)).find_map(|at| {
            let head = Head::parse(&self.waiting[at..], self.stream.mask)?;
            let position = self.stream.position_of(head.number, self.settled + 1);
            (head.tag == self.stream.tag && head.pattern == self.stream.pattern.id() && position < self.sent)
                .then_some((at, position))
        });
        let Some((at, position)) = found else { return false };
        let span = (position - self.settled) as usize;
        if span > span_max {
            return false;
        }
        self.expect(span);
        let fates = self.align_all(at);
        self.count_recognised(&fates, now);
        true
    }

    /// Settles all that was sent where what waits is its beginning and its very end: one gap in between, and no byte
    /// damaged. A tail without a head in it shows only so what it is.
    fn settle_one_gap(&mut self, now: Nanos) -> bool {
        self.expect((self.sent - self.settled) as usize);
        let got = &self.waiting;
        let before = got.iter().zip(&self.expected).take_while(|(got, expected)| got == expected).count();
        let tail = &got[before..];
        let fits = tail.len() >= TAIL_BYTES && self.expected.ends_with(tail);
        if fits {
            let gap = self.expected.len() - got.len();
            let mut fates = vec![Fate::Pair; self.expected.len()];
            fates[before..before + gap].fill(Fate::Missing);
            self.count_recognised(&fates, now);
        }
        fits
    }

    /// Aligns all that is expected with the first `got` bytes that wait.
    fn align_all(&mut self, got: usize) -> Vec<Fate> {
        let got = &self.waiting[..got];
        let band = 2 * SLIP_MAX.max(self.expected.len().abs_diff(got.len())) + 1;
        if self.expected.len() * band <= TABLE_CELLS {
            self.aligner.align(&self.expected, got, self.data_bits, SLIP_MAX, End::Closed).fates
        } else {
            align_long(&self.expected, got)
        }
    }

    /// The next `count` bytes of the stream that are not settled.
    fn expect(&mut self, count: usize) {
        self.expected.resize(count, 0);
        self.stream.fill(self.settled, &mut self.expected);
    }

    fn count_clean(&mut self, piece: usize, now: Nanos) {
        let counts = &mut self.tally.counts;
        counts.pieces += 1;
        counts.bits_compared += piece as u64 * u64::from(self.data_bits);
        self.tally.damage.add_clean(8 * piece as u64);
        let second = self.second(now);
        second.sent += piece as u64;
        second.returned += piece as u64;
        self.consume(piece, piece);
        self.recognised = self.settled;
    }

    /// Counts bytes that can only be those that were sent.
    fn count_recognised(&mut self, fates: &[Fate], now: Nanos) {
        self.count(fates, now);
        self.recognised = self.settled;
    }

    /// Counts bytes by their fate and takes them off both sides.
    fn count(&mut self, fates: &[Fate], now: Nanos) {
        self.pairs.0.clear();
        self.pairs.1.clear();
        let (mut i, mut j) = (0, 0);
        let (mut lost, mut inserted, mut damaged, mut damaged_marked) = (0, 0, 0, 0);
        for fate in fates {
            match fate {
                Fate::Pair => {
                    let (expected, got) = (self.expected[i], self.waiting[j]);
                    if expected != got {
                        damaged += 1;
                        damaged_marked += u64::from(self.marks.contains(&(self.waiting_from + j as u64)));
                    }
                    self.pairs.0.push(expected);
                    self.pairs.1.push(got);
                    (i, j) = (i + 1, j + 1);
                }
                Fate::Missing => {
                    lost += 1;
                    i += 1;
                }
                Fate::Extra => {
                    inserted += 1;
                    j += 1;
                }
            }
        }
        let paired = self.pairs.0.len() as u64;
        let counts = &mut self.tally.counts;
        counts.pieces += 1;
        counts.lost += lost;
        counts.inserted += inserted;
        counts.damaged += damaged;
        counts.damaged_marked += damaged_marked;
        counts.bits_compared += paired * u64::from(self.data_bits);
        counts.pieces_damaged += u64::from(damaged > 0);
        counts.pieces_slipped += u64::from(lost + inserted > 0);
        let offset = (self.settled % BLOCK_BYTES as u64) as usize;
        match compare(&self.pairs.0, &self.pairs.1, offset) {
            Some(damage) => {
                counts.bit_errors += damage.bit_errors;
                self.tally.damage.add_damage(&damage);
            }
            None if paired > 0 => self.tally.damage.add_clean(8 * paired),
            None => {}
        }
        self.count_lost(fates, now);
        let second = self.second(now);
        second.sent += paired;
        second.returned += paired;
        second.damaged += damaged - damaged_marked + inserted;
        self.consume(i, j);
    }

    /// Books the missing bytes to the seconds in which they were sent. What came back is booked when it comes.
    fn count_lost(&mut self, fates: &[Fate], now: Nanos) {
        let mut sent_at = self.sent_at.iter().copied().peekable();
        let mut lost: Vec<(Nanos, u64)> = Vec::new();
        for (position, fate) in (self.settled..).zip(fates.iter().filter(|fate| **fate != Fate::Extra)) {
            while sent_at.next_if(|(end, _)| *end <= position).is_some() {}
            if *fate == Fate::Missing {
                let at = sent_at.peek().map_or(now, |(_, at)| *at);
                match lost.last_mut() {
                    Some((known, count)) if *known == at => *count += 1,
                    _ => lost.push((at, 1)),
                }
            }
        }
        lost.into_iter().for_each(|(at, count)| self.second(at).sent += count);
    }

    fn consume(&mut self, sent: usize, got: usize) {
        self.settled += sent as u64;
        while self.sent_at.front().is_some_and(|(end, _)| *end <= self.settled) {
            self.sent_at.pop_front();
        }
        self.waiting.drain(..got);
        self.waiting_from += got as u64;
        while self.marks.front().is_some_and(|mark| *mark < self.waiting_from) {
            self.marks.pop_front();
        }
    }

    fn second(&mut self, now: Nanos) -> &mut SecondCounts {
        seconds::second_mut(&mut self.tally.seconds, now, self.origin)
    }
}

/// Slip within one block that is looked for byte by byte.
const SLIP_MAX: usize = 64;
/// Stretch of sent bytes over which an alignment between two heads is better than one with a damaged head.
const TABLE_BYTES: usize = 8 * BLOCK_BYTES;
/// Cells of the largest table that is filled: some milliseconds' work.
const TABLE_CELLS: usize = 1 << 21;
/// Eight bytes in a row that are equal by chance come once in 2^64 (computed).
const TAIL_BYTES: usize = 8;
/// So much must have come after a piece before it is taken as unrecognisable.
const GIVE_UP_BYTES: usize = 6 * BLOCK_BYTES;
/// A head with more wrong than this is not taken for the one that is due: two heads that follow each other differ in
/// about 10 %.
const HEAD_WRONG_PERCENT: usize = 4;
/// Out of step half of all bits are wrong, a little less where the best fit is sought: a fit that is worse than this is
/// none.
const CHANCE_PERCENT: usize = 30;

#[cfg(test)]
mod tests;
