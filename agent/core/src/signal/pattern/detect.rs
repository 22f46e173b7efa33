//! Names a stream whose pattern and phase are unknown.
//!
//! A pseudo-random sequence is found as a receiver does it: `n` received bits are taken for the register, and if the
//! bits it predicts arrive, that is the sequence. Where in the period it stands is a discrete logarithm. Repeated units
//! are few and short enough to try every one at every bit.

use super::prbs::Register;
use super::{Pattern, Source};

/// Fewest bytes [`detect`] looks at.
///
/// Enough to name an undamaged stream always. With damage more is better: a register needs `n` bits in a row (31 for
/// `prbs31`) that are right, so near the highest error ratio allowed give 512 bytes or more.
pub const DETECT_MIN_BYTES: usize = 64;

/// What [`detect`] found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Detected {
    /// The named pattern.
    pub pattern: Pattern,
    /// The whole stream is the complement of the pattern.
    pub inverted: bool,
    /// The first bit received is this bit of the pattern's period, counted from 0.
    pub phase_bits: u64,
    /// Bits looked at: all that were given.
    pub bits_compared: u64,
    /// Of these, the bits that differ from the pattern.
    pub bit_errors: u64,
}

impl Detected {
    /// The phase for [`Pattern::fill`], or `None` if a repeated unit stands off by part of a byte.
    ///
    /// A pseudo-random sequence has one always: its period is odd, so each of its bits begins a byte sooner or later.
    pub fn phase_bytes(&self) -> Option<u64> {
        match self.pattern.source() {
            Source::Register(register) => Some(register.byte_of_bit(self.phase_bits)),
            Source::Unit(_) => self.phase_bits.is_multiple_of(8).then_some(self.phase_bits / 8),
        }
    }
}

/// Finds which named pattern `received` is a stretch of, at any bit phase and either polarity.
///
/// Needs [`DETECT_MIN_BYTES`]; the whole stretch must agree but for at most one bit in 32. Constant data is `zeros` or
/// `ones`, not an inverted other. Of names that fit equally well the one that is not inverted is given, then the first
/// in the list, then the smallest phase. `None` for noise, other patterns, hex patterns, and a stream that slipped
/// midway.
///
/// Takes some milliseconds: meant for a stream met once, not for every probe.
pub fn detect(received: &[u8]) -> Option<Detected> {
    if received.len() < DETECT_MIN_BYTES {
        return None;
    }
    // Units first: on nearly constant data a register with a single one in it predicts fairly well, and is no answer.
    best(received, |pattern| match pattern.source() {
        Source::Unit(unit) => detect_unit(pattern, unit, received),
        Source::Register(_) => None,
    })
    .or_else(|| {
        best(received, |pattern| match pattern.source() {
            Source::Register(register) => detect_register(pattern, register, received),
            Source::Unit(_) => None,
        })
    })
}

fn best(received: &[u8], find: impl Fn(&Pattern) -> Option<Detected>) -> Option<Detected> {
    Pattern::named()
        .filter_map(|pattern| find(&pattern))
        .filter(|found| found.bit_errors <= allowed_errors(received.len() as u64 * 8))
        .min_by_key(|found| (found.bit_errors, found.inverted))
}

fn allowed_errors(bits: u64) -> u64 {
    bits / 32
}

/// The best phase and polarity of a repeated unit.
fn detect_unit(pattern: &Pattern, unit: &[u8], received: &[u8]) -> Option<Detected> {
    let sample = &received[..received.len().min(UNIT_SAMPLE_BYTES)];
    // One byte more than needed, to shift out of.
    let mut stream = vec![0; unit.len() + sample.len() + 1];
    pattern.fill(0, &mut stream);
    let best = (0..unit.len() * 8)
        .map(|phase| {
            let different = differing_bits(sample, bits_from(&stream, phase));
            let inverted = sample.len() as u64 * 8 - different;
            (different.min(inverted), inverted < different, phase)
        })
        .min()?;
    let (_, inverted, phase) = best;
    let mut stream = vec![0; unit.len() + received.len() + 1];
    pattern.fill(0, &mut stream);
    let different = differing_bits(received, bits_from(&stream, phase));
    Some(found(pattern, inverted, phase as u64, received, different))
}

/// A register that predicts what arrives, its polarity and place.
fn detect_register(pattern: &Pattern, register: &Register, received: &[u8]) -> Option<Detected> {
    let starts = received.len() * 8 - LOCK_BITS;
    // A damaged bit spoils the seeds that hold it, so seeds are tried all along the stretch, and the best followed up.
    let mut locks: Vec<_> = (0..starts)
        .step_by((starts / MOST_STARTS).max(1))
        .flat_map(|start| [(start, false), (start, true)])
        .filter_map(|(start, inverted)| {
            let (misses, state) = lock(register, received, start, register.inverted != inverted)?;
            Some((misses, start, inverted, state))
        })
        .collect();
    locks.sort_unstable();
    locks.into_iter().take(MOST_LOCKS).find_map(|(_, start, inverted, state)| {
        let before = register.period() - start as u64 % register.period();
        let phase_bits = (register.position(state)? + before) % register.period();
        let mut expected = vec![0; received.len()];
        register.fill(register.byte_of_bit(phase_bits), &mut expected);
        let different = differing_bits(received, expected.into_iter());
        let found = found(pattern, inverted, phase_bits, received, different);
        (found.bit_errors <= allowed_errors(found.bits_compared)).then_some(found)
    })
}

fn found(pattern: &Pattern, inverted: bool, phase_bits: u64, received: &[u8], different: u64) -> Detected {
    let bits_compared = received.len() as u64 * 8;
    let bit_errors = if inverted { bits_compared - different } else { different };
    Detected { pattern: pattern.clone(), inverted, phase_bits, bits_compared, bit_errors }
}

/// Takes the bits at `start` for the register; if it predicts the [`LOCK_BITS`] from there well enough, gives the
/// number that it missed, and the register.
fn lock(register: &Register, received: &[u8], start: usize, flip: bool) -> Option<(u32, u64)> {
    let flip = if flip { u32::MAX } else { 0 };
    let state = u64::from(bits_at(received, start) ^ flip) & register.mask();
    // The register cannot stand at zero: it would predict zeros for ever.
    if state == 0 {
        return None;
    }
    let mut running = state;
    let mut misses = 0;
    for at in (start..start + LOCK_BITS).step_by(32) {
        let predicted = register.next_64(running);
        misses += (predicted as u32 ^ bits_at(received, at) ^ flip).count_ones();
        if misses > LOCK_MISSES {
            return None;
        }
        running = predicted >> 32 & register.mask();
    }
    Some((misses, state))
}

/// The 32 bits from bit `at` on, the first lowest; there must be so many.
fn bits_at(received: &[u8], at: usize) -> u32 {
    let five = (0..5).fold(0, |word, i| word << 8 | u64::from(received.get(at / 8 + i).copied().unwrap_or(0)));
    ((five >> (8 - at % 8)) as u32).reverse_bits()
}

impl Register {
    /// Position in the period at which the register holds `state`, or `None` for a state it never holds.
    ///
    /// Shanks's baby steps and giant steps: positions just ahead of the start are tabled, then the state is taken back
    /// by the length of the table until it is in there. D. Shanks, Proc. Symp. Pure Math. 20 (1971), pp. 415-440, from
    /// memory.
    pub(super) fn position(&self, state: u64) -> Option<u64> {
        let steps = self.period().min(BABY_STEPS);
        let mut table = Vec::with_capacity(steps as usize);
        let mut running = self.mask();
        for position in 0..steps {
            table.push((running, position));
            running = self.step(running);
        }
        table.sort_unstable();
        let back = self.power_of_x(self.period() - steps % self.period());
        let mut running = state;
        for giant in 0..self.period().div_ceil(steps) {
            if let Ok(at) = table.binary_search_by_key(&running, |&(state, _)| state) {
                return Some(table[at].1 + giant * steps);
            }
            running = self.advance(running, &back);
        }
        None
    }
}

/// The bytes that begin at bit `phase` of `stream`, most significant bit first.
fn bits_from(stream: &[u8], phase: usize) -> impl Iterator<Item = u8> {
    let shift = phase % 8;
    stream[phase / 8..].windows(2).map(move |pair| (u16::from_be_bytes([pair[0], pair[1]]) << shift >> 8) as u8)
}

fn differing_bits(received: &[u8], expected: impl Iterator<Item = u8>) -> u64 {
    received.iter().zip(expected).map(|(a, b)| u64::from((a ^ b).count_ones())).sum()
}

/// Bits a register must predict before it is believed, its own among them, and how many may be wrong.
///
/// Random bits pass with the probability that of 129 bits (beside the 31 of the longest register) at most 16 are wrong,
/// less than 1e-18 by the binomial law.
const LOCK_BITS: usize = 160;
const LOCK_MISSES: u32 = 16;

/// Seeds tried along a stretch, about.
const MOST_STARTS: usize = 512;

/// Locks followed up: a damaged seed can still predict fairly well, but less well than a sound one.
const MOST_LOCKS: usize = 4;

/// A unit is placed on this many bytes, twice the longest unit; the errors are then counted on all.
const UNIT_SAMPLE_BYTES: usize = 512;

/// Table length of the discrete logarithm: balances sorting it against 2^31 / 2^16 steps back.
const BABY_STEPS: u64 = 1 << 16;
