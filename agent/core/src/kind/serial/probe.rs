//! Serial probe format 1: an endless stream of blocks of 256 bytes, each with a head that says which it is.
//!
//! A head is made of characters that carry four bits each, in the low half and turned over in the high half, so that a
//! line of 5, 6 or 7 data bits, which cuts the upper bits off, still shows which block it is. `docs/probe-format.md`
//! has the table. Nothing in the stream depends on time, so a receiver that knows the tag can rebuild every byte of it.

use crate::signal::pattern::Pattern;

/// Version of the format, in every head.
pub const FORMAT: u8 = 1;
/// Bytes of a block.
pub const BLOCK_BYTES: usize = 256;
/// Bytes of its head.
pub const HEAD_BYTES: usize = 38;
/// Bytes of pattern in it.
pub const PAYLOAD_BYTES: usize = BLOCK_BYTES - HEAD_BYTES;
/// How a block begins. The values are those that a line in the wrong mode swallows or changes: 00, FF, and the two flow
/// control characters (XON and XOFF, 11 and 13).
pub const SYNC: [u8; 4] = [0x00, 0xFF, 0x11, 0x13];

/// What a head says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Head {
    /// Tag of the run.
    pub tag: u32,
    /// Number of the block in the run.
    pub number: u32,
    /// [`Pattern::id`] of what fills it.
    pub pattern: u8,
    /// Place in the pattern of the first byte behind the head, modulo 2^32.
    pub phase: u32,
}

impl Head {
    /// The bytes of the head, before the line's mask.
    pub fn emit(&self) -> [u8; HEAD_BYTES] {
        let mut bytes = [0; HEAD_BYTES];
        bytes[..SYNC.len()].copy_from_slice(&SYNC);
        let mut at = SYNC.len();
        let mut put = |value: u32, digits: u32| {
            for digit in (0..digits).rev() {
                bytes[at] = character(value >> (4 * digit) & 0xF);
                at += 1;
            }
        };
        put(FORMAT.into(), 1);
        put(self.tag, 8);
        put(self.number, 8);
        put(self.pattern.into(), 2);
        put(PAYLOAD_BYTES as u32, 3);
        put(self.phase, 8);
        put(check(self).into(), 4);
        bytes
    }

    /// Reads a head that came over a line with this mask; `None` unless all of it is right.
    pub fn parse(bytes: &[u8], mask: u8) -> Option<Self> {
        let bytes: &[u8; HEAD_BYTES] = bytes.get(..HEAD_BYTES)?.try_into().ok()?;
        if (0..SYNC.len()).any(|i| bytes[i] != SYNC[i] & mask) {
            return None;
        }
        let mut at = SYNC.len();
        let mut take = |digits: usize| {
            let value = bytes[at..at + digits].iter().fold(0, |value: u32, byte| value << 4 | u32::from(byte & 0xF));
            at += digits;
            value
        };
        let format = take(1);
        let (tag, number, pattern) = (take(8), take(8), take(2) as u8);
        let (payload, phase) = (take(3), take(8));
        let head = Self { tag, number, pattern, phase };
        let fits = format == u32::from(FORMAT) && payload == PAYLOAD_BYTES as u32;
        // The halves turned over must be right too, so the whole head is made again.
        (fits && head.emit().iter().zip(bytes).all(|(made, got)| made & mask == *got)).then_some(head)
    }
}

/// Four bits as a character: low half as they are, high half turned over.
fn character(nibble: u32) -> u8 {
    let low = (nibble & 0xF) as u8;
    low | (!low & 0xF) << 4
}

/// CRC-16 with polynomial 1021, begun at FFFF, over number, tag, pattern and phase as big-endian bytes.
fn check(head: &Head) -> u16 {
    let mut crc = 0xFFFF;
    for byte in [FORMAT, head.pattern]
        .into_iter()
        .chain(head.tag.to_be_bytes())
        .chain(head.number.to_be_bytes())
        .chain(head.phase.to_be_bytes())
    {
        crc = crc16(crc, byte);
    }
    crc
}

fn crc16(mut crc: u16, byte: u8) -> u16 {
    crc ^= u16::from(byte) << 8;
    for _ in 0..8 {
        crc = if crc & 0x8000 == 0 { crc << 1 } else { crc << 1 ^ 0x1021 };
    }
    crc
}

/// The endless stream of one run and pattern.
#[derive(Clone, Debug)]
pub struct BlockStream {
    /// Tag of the run.
    pub tag: u32,
    /// Number of the block at position 0.
    pub first_block: u32,
    /// What fills the blocks.
    pub pattern: Pattern,
    /// Bits of a byte that the line carries.
    pub mask: u8,
}

impl BlockStream {
    /// Writes the stream from byte `position` on.
    pub fn fill(&self, position: u64, out: &mut [u8]) {
        let (mut at, mut done) = (position, 0);
        while done < out.len() {
            let offset = (at % BLOCK_BYTES as u64) as usize;
            let block = at / BLOCK_BYTES as u64;
            let phase = block * PAYLOAD_BYTES as u64;
            let here = (BLOCK_BYTES - offset).min(out.len() - done);
            let piece = &mut out[done..done + here];
            if offset < HEAD_BYTES {
                let head = self.head(block).emit();
                let of_head = (HEAD_BYTES - offset).min(here);
                piece[..of_head].copy_from_slice(&head[offset..offset + of_head]);
                if here > of_head {
                    self.pattern.fill(phase, &mut piece[of_head..]);
                }
            } else {
                self.pattern.fill(phase + (offset - HEAD_BYTES) as u64, piece);
            }
            done += here;
            at += here as u64;
        }
        if self.mask != 0xFF {
            out.iter_mut().for_each(|byte| *byte &= self.mask);
        }
    }

    /// Position of the first byte of the block with this number, taken to be at or after `from`; numbers wrap.
    pub fn position_of(&self, number: u32, from: u64) -> u64 {
        let current = from.div_ceil(BLOCK_BYTES as u64);
        let ahead = number.wrapping_sub(self.first_block.wrapping_add(current as u32));
        (current + u64::from(ahead)) * BLOCK_BYTES as u64
    }

    fn head(&self, block: u64) -> Head {
        Head {
            tag: self.tag,
            number: self.first_block.wrapping_add(block as u32),
            pattern: self.pattern.id(),
            phase: (block * PAYLOAD_BYTES as u64) as u32,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn the_check_is_the_catalogued_one() {
        // CRC-16/IBM-3740: check value 29B1 for the digits 1 to 9 (catalogue of parametrised CRC algorithms, from
        // memory).
        assert_eq!(b"123456789".iter().fold(0xFFFF, |crc, byte| crc16(crc, *byte)), 0x29B1);
    }

    proptest! {
        #[test]
        fn a_head_is_read_back_through_every_mask(
            tag: u32,
            number: u32,
            pattern: u8,
            phase: u32,
            data_bits in 5_u8..=8,
        ) {
            let head = Head { tag, number, pattern, phase };
            let mask = 0xFF >> (8 - data_bits);
            let bytes = head.emit().map(|byte| byte & mask);
            prop_assert_eq!(Head::parse(&bytes, mask), Some(head));
        }

        #[test]
        fn one_wrong_bit_is_no_head(tag: u32, number: u32, at in 0..HEAD_BYTES, bit in 0..8) {
            let mut bytes = Head { tag, number, pattern: 9, phase: 77 }.emit();
            bytes[at] ^= 1_u8 << bit;
            prop_assert_eq!(Head::parse(&bytes, 0xFF), None);
        }

        #[test]
        fn arbitrary_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..60), mask: u8) {
            let _ = Head::parse(&bytes, mask);
        }

        #[test]
        fn pieces_of_the_stream_fit_together(from in 0_u64..100_000, cut in 0_usize..600, len in 0_usize..600) {
            let stream = BlockStream { tag: 7, first_block: 3, pattern: Pattern::Prbs15, mask: 0x7F };
            let mut whole = vec![0; cut + len];
            stream.fill(from, &mut whole);
            let (mut left, mut right) = (vec![0; cut], vec![0; len]);
            stream.fill(from, &mut left);
            stream.fill(from + cut as u64, &mut right);
            left.extend(right);
            prop_assert_eq!(left, whole);
        }
    }

    #[test]
    fn every_byte_value_goes_over_the_line() {
        for (pattern, blocks) in [(Pattern::Counter, 2), (Pattern::Prbs31, 16)] {
            for mask in [0x1F, 0x3F, 0x7F, 0xFF_u8] {
                let stream = BlockStream { tag: 1, first_block: 0, pattern: pattern.clone(), mask };
                let mut bytes = vec![0; blocks * BLOCK_BYTES];
                stream.fill(0, &mut bytes);
                let seen: std::collections::BTreeSet<u8> = bytes.into_iter().collect();
                assert_eq!(seen.len(), usize::from(mask) + 1, "{pattern} {mask:02X}");
            }
        }
    }

    #[test]
    fn positions_follow_numbers_over_the_wrap() {
        let stream = BlockStream { tag: 1, first_block: u32::MAX, pattern: Pattern::Zeros, mask: 0xFF };
        assert_eq!(stream.position_of(u32::MAX, 0), 0);
        assert_eq!(stream.position_of(1, 256), 512);
    }
}
