//! What a receiver makes of a line whose two levels are exchanged: at rest the line reads as a break, a start bit is
//! the end of that, and every falling edge within a character may be taken for a start bit.

use std::collections::VecDeque;

use super::chip::Item;
use super::fault::Character;
use crate::base::time::{Nanos, SECOND_NS};
use crate::kind::serial::format::{LineFormat, Parity, StopBits};

/// The receiver of such a line, bit by bit.
#[derive(Debug, Default)]
pub(super) struct InvertedLine {
    /// Levels to come as the receiver sees them, one each bit time; true is mark. After them the line rests at space.
    levels: VecDeque<bool>,
    /// When the first of them begins.
    at: Nanos,
    state: State,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    /// Waits for an edge from mark to space; the last level.
    Waits { mark: bool },
    /// Within a character, of which so many bits came in.
    Takes { value: u8, parity: Option<bool>, bits: u8 },
}

impl Default for State {
    /// The line has been at rest for long: the break that this reads as is over.
    fn default() -> Self {
        Self::Waits { mark: false }
    }
}

const START: State = State::Takes { value: 0, parity: None, bits: 0 };

impl InvertedLine {
    /// A character that begins at `start`.
    pub fn send(&mut self, start: Nanos, character: &Character, format: &LineFormat) {
        let parity = parity_bit(character.value, format).map(|bit| bit != character.parity);
        let data = (0..format.data_bits).map(|bit| character.value >> bit & 1 == 1);
        let stops = if format.stop_bits == StopBits::Two { 2 } else { 1 };
        let sent = [false].into_iter().chain(data).chain(parity).chain([!character.framing; 2].into_iter().take(stops));
        self.put(start, sent.map(|bit| !bit), format);
    }

    /// The line held at break from `start` on for `ns`.
    pub fn send_break(&mut self, start: Nanos, ns: u64, format: &LineFormat) {
        let count = (ns / bit_ns(format)).max(1) as usize;
        self.put(start, std::iter::repeat_n(true, count), format);
    }

    fn put(&mut self, start: Nanos, levels: impl Iterator<Item = bool>, format: &LineFormat) {
        let bit = bit_ns(format);
        let end = self.at + self.levels.len() as u64 * bit;
        if self.is_at_rest() {
            self.at = start;
        } else {
            let pause = start.saturating_sub(end);
            // Bits of characters without a pause do not drift apart by what a bit time was rounded.
            self.at += pause % bit;
            // Longer than any character: by then the receiver is at rest.
            let rest = pause / bit;
            self.levels.extend(std::iter::repeat_n(false, rest.min(CHARACTER_BITS_MAX) as usize));
        }
        self.levels.extend(levels);
    }

    /// When the receiver sees the next bit; none if the line is at rest.
    pub fn next_at(&self, format: &LineFormat) -> Option<Nanos> {
        (!self.is_at_rest()).then(|| self.at + bit_ns(format))
    }

    /// What comes in up to `to`, with its moment.
    pub fn advance(&mut self, to: Nanos, format: &LineFormat) -> Vec<(Nanos, Item)> {
        let mut came = Vec::new();
        while !self.is_at_rest() && self.at + bit_ns(format) <= to {
            self.at += bit_ns(format);
            let level = self.levels.pop_front().unwrap_or(false);
            came.extend(self.see(level, format).map(|item| (self.at, item)));
        }
        came
    }

    /// Forgets what is on its way.
    pub fn clear(&mut self) {
        *self = Self::default();
    }

    fn is_at_rest(&self) -> bool {
        self.levels.is_empty() && self.state == State::default()
    }

    fn see(&mut self, mark: bool, format: &LineFormat) -> Option<Item> {
        let mut item = None;
        self.state = match self.state {
            State::Waits { mark: true } if !mark => START,
            State::Waits { .. } => State::Waits { mark },
            State::Takes { value, bits, .. } if bits < format.data_bits => {
                State::Takes { value: value | u8::from(mark) << bits, parity: None, bits: bits + 1 }
            }
            State::Takes { value, bits, .. } if bits == format.data_bits && format.parity != Parity::None => {
                State::Takes { value, parity: Some(mark), bits: bits + 1 }
            }
            // All space, the stop bit too: a break. Nothing more is taken before the line is back at mark.
            State::Takes { value: 0, parity: None | Some(false), .. } if !mark => {
                item = Some(Item::Break);
                State::Waits { mark: false }
            }
            State::Takes { value, parity, .. } => {
                let parity = parity.is_some_and(|bit| parity_bit(value, format) != Some(bit));
                item = Some(Item::Byte { value, framing: !mark, parity });
                // A space where a stop bit is due is taken for the next start bit (16550 data sheet, line status
                // register, framing error; from memory).
                if mark { State::Waits { mark: true } } else { START }
            }
        };
        item
    }
}

/// The parity bit of a character; none in a format without.
fn parity_bit(value: u8, format: &LineFormat) -> Option<bool> {
    let odd = value.count_ones() % 2 == 1;
    match format.parity {
        Parity::None => None,
        Parity::Even => Some(odd),
        Parity::Odd => Some(!odd),
        Parity::Mark => Some(true),
        Parity::Space => Some(false),
    }
}

fn bit_ns(format: &LineFormat) -> u64 {
    (SECOND_NS / u64::from(format.bits_per_second)).max(1)
}

/// Start, 8 data bits, parity, two stop bits.
const CHARACTER_BITS_MAX: u64 = 12;

#[cfg(test)]
mod tests {
    use super::*;

    fn receives(bytes: &[u8], format: &str) -> Vec<Item> {
        let format: LineFormat = format.parse().unwrap();
        let mut line = InvertedLine::default();
        for (number, value) in bytes.iter().enumerate() {
            let start = number as u64 * format.characters_ns(1);
            line.send(start, &Character { value: *value, ..Character::default() }, &format);
        }
        line.advance(Nanos::MAX / 2, &format).into_iter().map(|(_, item)| item).collect()
    }

    /// By hand, level by level, least significant bit first.
    #[test]
    fn levels_that_are_exchanged_come_in_as_breaks_and_wrong_stop_bits() {
        // 00: start mark, data all mark, stop space, then rest: one edge, and space for longer than a character.
        assert_eq!(receives(&[0x00], "9600,8N1"), [Item::Break]);
        // FF: start mark, then space for longer than a character: the edge after the start bit.
        assert_eq!(receives(&[0xFF], "9600,8N1"), [Item::Break]);
        // 01 turned over: mark | space, seven times mark | space. The space is taken for a start bit, behind it come
        // seven ones and a zero, which is 7F; where its stop bit is due the line is at rest: a wrong stop bit, and that
        // space is the next start bit, with nothing behind it: a break.
        let byte = Item::Byte { value: 0x7F, framing: true, parity: false };
        assert_eq!(receives(&[0x01], "9600,8N1"), [byte, Item::Break]);
    }

    #[test]
    fn a_break_that_was_sent_ends_in_one() {
        let format = LineFormat::default();
        let mut line = InvertedLine::default();
        line.send_break(0, 250_000_000, &format);
        assert!(line.advance(249_000_000, &format).is_empty());
        assert_eq!(line.advance(SECOND_NS, &format).len(), 1);
        assert_eq!(line.next_at(&format), None, "at rest");
    }
}
