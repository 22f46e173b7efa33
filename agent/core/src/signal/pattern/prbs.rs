//! Pseudo-random sequences of ITU-T O.150: any stretch of one, from any position, a vector at a time.
//!
//! A register of `n` stages with taps `k` and `n` gives `b[i] = b[i-n] ^ b[i-k]`. Over GF(2) squaring keeps the shape,
//! so `b[i] = b[i - n*2^s] ^ b[i - k*2^s]` for every `s`: from `s = 3` on the lags are whole bytes, and the stream is
//! its own table. Each doubling of what is already written allows longer lags, hence longer blocks to XOR at once.
//! Names and numbers are in `mod.rs`, the fixed patterns in `fixed.rs`.

/// One sequence: the register, and what is done to its output before it goes to the line.
#[derive(Debug)]
pub(super) struct Register {
    /// Stages, at most 32.
    pub n: u32,
    /// The second tap, below `n`.
    pub k: u32,
    /// The line carries the complement of the register's output.
    pub inverted: bool,
    /// A bit followed by 14 zeros is sent as a one (QRSS, O.150 5.5).
    pub zero_suppression: bool,
}

impl Register {
    pub(super) const fn new(n: u32, k: u32) -> Self {
        Self { n, k, inverted: false, zero_suppression: false }
    }

    pub(super) const fn inverted(n: u32, k: u32) -> Self {
        Self { inverted: true, ..Self::new(n, k) }
    }

    pub(super) const fn zero_suppressed(n: u32, k: u32) -> Self {
        Self { zero_suppression: true, ..Self::new(n, k) }
    }

    /// Bits after which the sequence repeats. Being odd, it is also the period in bytes.
    pub(super) const fn period(&self) -> u64 {
        (1 << self.n) - 1
    }

    /// Writes the line sequence from byte `phase_bytes` on, most significant bit first.
    pub(super) fn fill(&self, phase_bytes: u64, out: &mut [u8]) {
        let first_bit = self.bit_of_byte(phase_bytes);
        let flip = if self.inverted { 0xFF } else { 0 };
        let mut state = self.state_at(first_bit);
        let seed = out.len().min(SEED_BYTES);
        for chunk in out[..seed].chunks_mut(4) {
            let next = self.next_64(state);
            // The earliest bit sits lowest in `next` but highest in a byte on the line.
            let bytes = (next as u32).reverse_bits().to_be_bytes();
            for (to, from) in chunk.iter_mut().zip(bytes) {
                *to = from ^ flip;
            }
            state = (next >> 32) & self.mask();
        }
        self.grow(out, seed, flip);
        if self.zero_suppression {
            let after = self.state_at(self.bit_of_byte(phase_bytes % self.period() + out.len() as u64));
            suppress_zeros(out, (self.next_64(after) as u16).reverse_bits());
        }
    }

    /// Continues a sequence whose first `filled` bytes are written to the end of `out`.
    ///
    /// The complement `c = !b` obeys `c[i] = !(c[i-n] ^ c[i-k])` at every power of two, so `flip` is all that inversion
    /// costs.
    fn grow(&self, out: &mut [u8], mut filled: usize, flip: u8) {
        let (n, k) = (self.n as usize, self.k as usize);
        while filled < out.len() {
            let scale = (filled.min(LONGEST_LAG_BYTES) / n).ilog2();
            let (far, near) = (n << scale, k << scale);
            let (written, rest) = out.split_at_mut(filled);
            let block = near.min(rest.len());
            let a = &written[filled - far..][..block];
            let b = &written[filled - near..][..block];
            for ((to, a), b) in rest[..block].iter_mut().zip(a).zip(b) {
                *to = a ^ b ^ flip;
            }
            filled += block;
        }
    }

    /// Position in the period of the first bit of byte `phase_bytes`.
    fn bit_of_byte(&self, phase_bytes: u64) -> u64 {
        (phase_bytes % self.period()) * 8 % self.period()
    }

    /// Byte phase whose stream begins at bit `bit`: there is one for every bit, since 8 has an inverse modulo `2^n -
    /// 1`.
    pub(super) fn byte_of_bit(&self, bit: u64) -> u64 {
        // 8 * 2^(n-3) = 2^n = 1 (mod 2^n - 1)
        (bit % self.period()) * (1 << (self.n - 3)) % self.period()
    }

    /// The `n` register bits from which the sequence goes on at position `bit`; bit `j` is the `j`-th to come.
    ///
    /// The shift operator satisfies the characteristic polynomial `P = x^n + x^(n-k) + 1`, so with
    /// `x^bit mod P = sum c_j x^j` each bit there is `sum c_j b[i+j]`, a parity over bits near the start.
    pub(super) fn state_at(&self, bit: u64) -> u64 {
        self.advance(self.mask(), &self.power_of_x(bit % self.period()))
    }

    /// Moves a state by the distance whose power of x is given.
    pub(super) fn advance(&self, state: u64, distance: &PowerOfX) -> u64 {
        let ahead = self.next_64(state);
        (0..self.n).fold(0, |moved, i| moved | u64::from((distance.0 & (ahead >> i)).count_ones() & 1) << i)
    }

    /// `x^exponent` modulo the characteristic polynomial.
    pub(super) fn power_of_x(&self, exponent: u64) -> PowerOfX {
        let mut power = 1;
        for i in (0..u64::BITS - exponent.leading_zeros()).rev() {
            // Squaring over GF(2) only spreads the coefficients.
            power = self.reduce(spread(power as u32));
            power = self.reduce(power << (exponent >> i & 1));
        }
        PowerOfX(power)
    }

    /// The remainder modulo `x^n + x^(n-k) + 1`.
    fn reduce(&self, mut polynomial: u64) -> u64 {
        while polynomial >> self.n != 0 {
            let high = polynomial >> self.n;
            polynomial = (polynomial & self.mask()) ^ high ^ (high << (self.n - self.k));
        }
        polynomial
    }

    /// The 64 register bits that begin with the `n` of `state`, the first lowest.
    pub(super) fn next_64(&self, state: u64) -> u64 {
        let mut bits = state;
        let mut known = self.n;
        while known < 64 {
            // Bit i here is b[i+n]; the first (known - n + k) of them rest on known bits.
            let next = (bits ^ bits >> (self.n - self.k)) & low_bits(known - self.n + self.k);
            bits = state | next << self.n;
            known += self.k;
        }
        bits
    }

    /// The state one bit later.
    pub(super) fn step(&self, state: u64) -> u64 {
        let next = (state ^ state >> (self.n - self.k)) & 1;
        state >> 1 | next << (self.n - 1)
    }

    /// Ones in the places of a state's bits.
    pub(super) const fn mask(&self) -> u64 {
        low_bits(self.n)
    }
}

/// A distance along a sequence, as a polynomial: what [`Register::advance`] needs, computed once.
#[derive(Debug)]
pub(super) struct PowerOfX(u64);

/// Sends a one wherever the next 14 bits of the base sequence are all zero.
///
/// `ahead` are the 16 bits after `bits`. Works forward in place: a bit's fate rests on later bits only.
fn suppress_zeros(bits: &mut [u8], ahead: u16) {
    let ahead = ahead.to_be_bytes();
    let whole = bits.len().saturating_sub(2) / BLOCK * BLOCK;
    for at in (0..whole).step_by(BLOCK) {
        // A change needs 15 zeros in a row, and these hold a whole zero byte, here or one byte on: mostly there is
        // none.
        let has_zero = |block: &[u8; BLOCK]| block.iter().fold(0, |any, &byte| any | u8::from(byte == 0)) != 0;
        let zeros = bits[at..].first_chunk().is_none_or(has_zero) || bits[at + BLOCK] == 0;
        if zeros {
            for at in (at..at + BLOCK).step_by(2) {
                suppress_in_pair(bits, at, [bits[at + 2], bits[at + 3]]);
            }
        }
    }
    for at in (whole..bits.len()).step_by(2) {
        let byte = |i: usize| bits.get(i).copied().unwrap_or_else(|| ahead[i - bits.len()]);
        if at + 1 < bits.len() {
            let next = [byte(at + 2), byte(at + 3)];
            suppress_in_pair(bits, at, next);
        } else {
            let mut pair = [bits[at], ahead[0]];
            // Only the first byte is kept, and that looks no further than `ahead`.
            suppress_in_pair(&mut pair, 0, [ahead[1], 0]);
            bits[at] = pair[0];
        }
    }
}

/// Zero suppression of the two bytes at `at`, given the two that follow.
fn suppress_in_pair(bits: &mut [u8], at: usize, next: [u8; 2]) {
    let word = u32::from_be_bytes([bits[at], bits[at + 1], next[0], next[1]]);
    let mut ones_ahead = word << 1;
    ones_ahead |= ones_ahead << 1;
    ones_ahead |= ones_ahead << 2;
    ones_ahead |= ones_ahead << 4;
    // Now eight bits ahead are covered; six further makes fourteen.
    ones_ahead |= ones_ahead << 6;
    let [first, second, ..] = (word | !ones_ahead).to_be_bytes();
    bits[at] = first;
    bits[at + 1] = second;
}

/// Puts a zero between the bits: `abcd` becomes `0a0b0c0d`.
fn spread(bits: u32) -> u64 {
    let mut wide = u64::from(bits);
    for (shift, mask) in [
        (16, 0x0000_FFFF_0000_FFFF),
        (8, 0x00FF_00FF_00FF_00FF),
        (4, 0x0F0F_0F0F_0F0F_0F0F),
        (2, 0x3333_3333_3333_3333),
        (1, 0x5555_5555_5555_5555),
    ] {
        wide = (wide | wide << shift) & mask;
    }
    wide
}

const fn low_bits(count: u32) -> u64 {
    if count >= 64 { u64::MAX } else { (1 << count) - 1 }
}

/// Bytes made from register states before the stream feeds itself: not less than the longest register's 31 bytes.
const SEED_BYTES: usize = 32;

/// Lags beyond this would leave the first-level cache without making the blocks noticeably longer.
const LONGEST_LAG_BYTES: usize = 16 * 1024;

/// Bytes looked at together for zero suppression.
const BLOCK: usize = 32;
