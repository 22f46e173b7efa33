//! Short repeated units: the fixed patterns, and how a unit becomes an endless stream.

/// One bit set in each byte, from the most significant down.
pub(super) const WALKING_ONE: [u8; 8] = [0x80, 0x40, 0x20, 0x10, 0x08, 0x04, 0x02, 0x01];

/// One bit clear in each byte, from the most significant down.
pub(super) const WALKING_ZERO: [u8; 8] = [0x7F, 0xBF, 0xDF, 0xEF, 0xF7, 0xFB, 0xFD, 0xFE];

/// Every byte value in order.
pub(super) const COUNTER: [u8; 256] = {
    let mut unit = [0; 256];
    let mut i = 0;
    while i < unit.len() {
        unit[i] = i as u8;
        i += 1;
    }
    unit
};

/// Three ones in 24 bits, 15 zeros at most together: `0100 0100 0000 0000 0000 0100`.
///
/// The name stands in RFC 4805 `dsx1SendCode`; the content is from memory.
pub(super) const THREE_IN_24: [u8; 3] = [0x44, 0x00, 0x04];

/// The repeated body of CRPAT, IEEE 802.3 annexes 36A.4 and 48A: from memory, and proved by the frame check sequences
/// remembered with it (see the tests).
pub(super) const CRPAT: [u8; 12] = [0xBE, 0xD7, 0x23, 0x47, 0x6B, 0x8F, 0xB3, 0x14, 0x5E, 0xFB, 0x35, 0x59];

/// Writes the endless repetition of `unit`, which is not empty, from byte `phase_bytes` on.
pub(super) fn repeat(unit: &[u8], phase_bytes: u64, out: &mut [u8]) {
    let start = (phase_bytes % unit.len() as u64) as usize;
    let seed = out.len().min(unit.len());
    for (to, from) in out.iter_mut().zip(unit[start..].iter().chain(&unit[..start])) {
        *to = *from;
    }
    // Copies of whole units keep the phase; they double until they are long enough to copy fast.
    let (mut filled, mut source) = (seed, seed);
    while filled < out.len() {
        let block = source.min(out.len() - filled);
        out.copy_within(..block, filled);
        filled += block;
        if source < ENOUGH_BYTES {
            source = filled;
        }
    }
}

/// A source this long is copied at full speed and stays in the first-level cache.
const ENOUGH_BYTES: usize = 4 * 1024;
