//! Sent against received: how many bits of an echo are wrong, and where.
//!
//! [`compare`] looks at one echo. An echo that is right costs one `memcmp`; only a damaged one is taken apart. What is
//! found is added up in a [`DamageTally`], which can name the [`DamageKind`]. Lengths, order and loss are the ledger's.
//!
//! Bits are numbered as Ethernet and a UART send them: bit 0 is the least significant of a byte. A *word bit* is the
//! bit number within an 8-byte word of the probe, `8 * (offset % 8) + bit`, 0 to 63.

mod kind;
pub mod slip;
mod tally;
#[cfg(test)]
mod tests;

pub use kind::{DamageKind, Level};
pub use tally::{Bins, DamageTally, GROUP_GAP_PROBES};

/// What is wrong with one echo.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProbeDamage {
    /// Bits looked at: the length that sent and received have in common.
    pub bits_compared: u64,
    /// Of these, the bits that differ; at least one.
    pub bit_errors: u64,
    /// Byte of the probe with the first error.
    pub first_offset: usize,
    /// Byte of the probe with the last error.
    pub last_offset: usize,
    /// Bits sent as 0 and received as 1, by word bit.
    pub zeros_to_ones: [u32; 64],
    /// Bits sent as 1 and received as 0, by word bit.
    pub ones_to_zeros: [u32; 64],
    /// Word bits that were received as 0 at least once, as a mask; a bit not set here always read 1, if at all.
    pub read_zero: u64,
    /// Word bits that were received as 1 at least once, as a mask.
    pub read_one: u64,
    /// Bit errors by where they are in the probe: bin `i` holds those in the 8-byte words that begin from `i/64` to
    /// `(i+1)/64` of the probe's length, which is taken to end where the compared part does.
    pub offsets: [u32; 64],
    /// Bursts: two or more errors with fewer than [`GUARD_BITS`] good bits between one and the next.
    pub bursts: u32,
    /// Bit errors that are part of a burst.
    pub bit_errors_in_bursts: u64,
    /// Bits from the first to the last error of the longest burst, both counted; 0 without one.
    pub longest_burst_bits: u64,
    /// At least 7 of 8 bits are wrong, of at least 64: what was sent came back as its complement.
    ///
    /// An inverted sequence shows about 100 % errors and a lost one about 50 %; random bits get here with a probability
    /// below 1e-9 (binomial law: 56 or more of 64).
    pub inverted: bool,
}

impl ProbeDamage {
    /// Places wrong bits of one byte of a probe of `probe_bytes` at another of its bytes.
    pub fn move_errors(&mut self, from_byte: usize, to_byte: usize, probe_bytes: usize, errors: u32) {
        self.offsets[from_byte * 64 / probe_bytes] -= errors;
        self.offsets[to_byte * 64 / probe_bytes] += errors;
    }
}

/// Good bits that end a burst: common practice, no source; 64 because errors in one 8-byte word then always belong
/// together.
pub const GUARD_BITS: u64 = 64;

/// Compares what was sent with what came back, over the length they have in common.
///
/// `at_offset` is the place in the probe, in bytes, of the first byte of both. `None` means that all is right.
pub fn compare(expected: &[u8], got: &[u8], at_offset: usize) -> Option<ProbeDamage> {
    let common = expected.len().min(got.len());
    let (expected, got) = (&expected[..common], &got[..common]);
    // This is memcmp.
    (expected != got).then(|| assess(expected, got, at_offset))
}

#[cold]
fn assess(expected: &[u8], got: &[u8], at_offset: usize) -> ProbeDamage {
    let mut count = Count::new(at_offset + expected.len());
    // The probe is cut at its own 8-byte boundaries, so the first and last words may be incomplete.
    let mut offset = at_offset - at_offset % 8;
    let head = (at_offset.next_multiple_of(8) - at_offset).min(expected.len());
    let (expected_head, expected) = expected.split_at(head);
    let (got_head, got) = got.split_at(head);
    if head > 0 {
        count.partial(offset, at_offset % 8, expected_head, got_head);
        offset += 8;
    }
    let (expected_words, expected_tail) = expected.as_chunks::<8>();
    let (got_words, got_tail) = got.as_chunks::<8>();
    for (expected, got) in expected_words.chunks(BLOCK_WORDS).zip(got_words.chunks(BLOCK_WORDS)) {
        if expected != got {
            for (i, (expected, got)) in expected.iter().zip(got).enumerate() {
                count.word(offset + 8 * i, u64::from_le_bytes(*expected), u64::from_le_bytes(*got));
            }
        }
        offset += 8 * expected.len();
    }
    let (any, all) = got_words
        .iter()
        .map(|word| u64::from_le_bytes(*word))
        .fold((0, u64::MAX), |(any, all), word| (any | word, all & word));
    count.read_one |= any;
    count.read_zero |= !all;
    count.partial(offset, 0, expected_tail, got_tail);
    count.finish(8 * (head + expected.len()) as u64)
}

/// Words compared at once before they are looked at one by one.
const BLOCK_WORDS: usize = 32;

/// The running count over the words of one probe.
struct Count {
    probe_bytes: usize,
    zeros_to_ones: Columns,
    ones_to_zeros: Columns,
    read_zero: u64,
    read_one: u64,
    offsets: [u32; 64],
    bit_errors: u64,
    first_error: Option<u64>,
    burst: Burst,
    bursts: u32,
    bit_errors_in_bursts: u64,
    longest_burst_bits: u64,
}

/// Errors that lie close together; bits are counted from the start of the probe.
#[derive(Clone, Copy, Default)]
struct Burst {
    first: u64,
    last: u64,
    bit_errors: u64,
}

impl Count {
    fn new(probe_bytes: usize) -> Self {
        Self {
            probe_bytes,
            zeros_to_ones: Columns::default(),
            ones_to_zeros: Columns::default(),
            read_zero: 0,
            read_one: 0,
            offsets: [0; 64],
            bit_errors: 0,
            first_error: None,
            burst: Burst::default(),
            bursts: 0,
            bit_errors_in_bursts: 0,
            longest_burst_bits: 0,
        }
    }

    /// Counts a word of which only the bytes from `skip` on are there.
    fn partial(&mut self, offset: usize, skip: usize, expected: &[u8], got: &[u8]) {
        let load = |bytes: &[u8]| {
            let mut word = [0; 8];
            word[skip..skip + bytes.len()].copy_from_slice(bytes);
            u64::from_le_bytes(word)
        };
        let present = load(&[0xFF; 8][..got.len()]);
        let (expected, got) = (load(expected), load(got));
        self.read_one |= got;
        self.read_zero |= !got & present;
        self.word(offset, expected, got);
    }

    /// Counts the errors of the word at byte `offset` of the probe.
    fn word(&mut self, offset: usize, expected: u64, got: u64) {
        let wrong = expected ^ got;
        if wrong == 0 {
            return;
        }
        let errors = wrong.count_ones();
        self.zeros_to_ones.add(wrong & got);
        self.ones_to_zeros.add(wrong & expected);
        for (byte, wrong) in wrong.to_le_bytes().into_iter().enumerate().filter(|(_, wrong)| *wrong != 0) {
            self.offsets[(offset + byte) * 64 / self.probe_bytes] += wrong.count_ones();
        }
        self.bit_errors += u64::from(errors);

        let at = 8 * offset as u64;
        let first = at + u64::from(wrong.trailing_zeros());
        let last = at + 63 - u64::from(wrong.leading_zeros());
        self.first_error.get_or_insert(first);
        // Within a word no gap reaches the guard; what matters is the gap to the word before, if any.
        if first - self.burst.last > GUARD_BITS {
            self.end_burst();
        }
        if self.burst.bit_errors == 0 {
            self.burst.first = first;
        }
        self.burst.last = last;
        self.burst.bit_errors += u64::from(errors);
    }

    fn end_burst(&mut self) {
        let burst = std::mem::take(&mut self.burst);
        if burst.bit_errors > 1 {
            self.bursts += 1;
            self.bit_errors_in_bursts += burst.bit_errors;
            self.longest_burst_bits = self.longest_burst_bits.max(burst.last - burst.first + 1);
        }
    }

    fn finish(mut self, bits_compared: u64) -> ProbeDamage {
        let last_error = self.burst.last;
        self.end_burst();
        ProbeDamage {
            bits_compared,
            bit_errors: self.bit_errors,
            first_offset: (self.first_error.unwrap_or_default() / 8) as usize,
            last_offset: (last_error / 8) as usize,
            zeros_to_ones: self.zeros_to_ones.totals(),
            ones_to_zeros: self.ones_to_zeros.totals(),
            read_zero: self.read_zero,
            read_one: self.read_one,
            offsets: self.offsets,
            bursts: self.bursts,
            bit_errors_in_bursts: self.bit_errors_in_bursts,
            longest_burst_bits: self.longest_burst_bits,
            inverted: bits_compared >= 64 && self.bit_errors * 8 >= bits_compared * 7,
        }
    }
}

/// 64 counters, one for each bit of a word, stored as the binary digits of all: digit `d` of counter `i` is bit `i` of
/// `digits[d]`. Adding a word costs an addition with carry and no loop over its bits, however many are set.
#[derive(Default)]
struct Columns {
    digits: [u64; 32],
}

impl Columns {
    fn add(&mut self, mut word: u64) {
        for digit in &mut self.digits {
            if word == 0 {
                return;
            }
            let carry = *digit & word;
            *digit ^= word;
            word = carry;
        }
    }

    fn totals(&self) -> [u32; 64] {
        let mut totals = [0; 64];
        for (weight, &digit) in self.digits.iter().enumerate() {
            let mut left = digit;
            while left != 0 {
                totals[left.trailing_zeros() as usize] += 1 << weight;
                left &= left - 1;
            }
        }
        totals
    }
}
