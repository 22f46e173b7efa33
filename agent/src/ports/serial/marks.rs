//! Marks that the kernel puts between received bytes, so that an error is tied to the byte it struck.
//!
//! With `PARMRK` and `INPCK` set and `IGNPAR`, `ISTRIP`, `IGNBRK`, `BRKINT` off, a byte X received with a framing or
//! parity error is read as FF 00 X, a break as FF 00 00, and an FF that is well as FF FF (termios(3)). A break and a
//! byte 00 with an error look the same; the driver's counts tell how many breaks there were.

use crate::ports::port::Received;

/// Takes the marks out of a stream that arrives in pieces.
#[derive(Clone, Copy, Debug, Default)]
pub struct Marks {
    state: State,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
enum State {
    #[default]
    Plain,
    /// After FF.
    Escaped,
    /// After FF 00.
    Error,
}

impl Marks {
    /// Takes the next bytes as read, and gives to `each` what they stand for.
    ///
    /// An FF before anything but FF and 00, which no kernel writes, is given as it is.
    pub fn feed(&mut self, bytes: &[u8], each: &mut dyn FnMut(Received<'_>)) {
        let mut rest = bytes;
        while let Some(&first) = rest.first() {
            match self.state {
                State::Plain => {
                    let plain = rest.iter().position(|&byte| byte == ESCAPE).unwrap_or(rest.len());
                    if plain > 0 {
                        each(Received::Bytes(&rest[..plain]));
                    }
                    if plain < rest.len() {
                        self.state = State::Escaped;
                    }
                    rest = &rest[(plain + 1).min(rest.len())..];
                    continue;
                }
                State::Escaped => {
                    self.state = State::Plain;
                    match first {
                        ESCAPE => each(Received::Bytes(&[ESCAPE])),
                        0 => self.state = State::Error,
                        other => each(Received::Bytes(&[ESCAPE, other])),
                    }
                }
                State::Error => {
                    self.state = State::Plain;
                    each(if first == 0 { Received::Break } else { Received::Marked(first) });
                }
            }
            rest = &rest[1..];
        }
    }

    /// Forgets a mark that was begun, as after the input was discarded.
    pub fn start_anew(&mut self) {
        self.state = State::Plain;
    }
}

const ESCAPE: u8 = 0xFF;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[derive(Clone, Debug, PartialEq)]
    enum Event {
        Good(u8),
        Marked(u8),
        Break,
    }

    /// What the kernel writes for an event: the rule of termios(3), spelt out.
    fn kernel(events: &[Event]) -> Vec<u8> {
        let mut bytes = Vec::new();
        for event in events {
            match event {
                Event::Good(0xFF) => bytes.extend([0xFF, 0xFF]),
                Event::Good(byte) => bytes.push(*byte),
                Event::Marked(byte) => bytes.extend([0xFF, 0x00, *byte]),
                Event::Break => bytes.extend([0xFF, 0x00, 0x00]),
            }
        }
        bytes
    }

    fn read(bytes: &[u8], piece: usize) -> Vec<Event> {
        let (mut marks, mut events) = (Marks::default(), Vec::new());
        for part in bytes.chunks(piece) {
            marks.feed(part, &mut |what| match what {
                Received::Bytes(bytes) => events.extend(bytes.iter().map(|&byte| Event::Good(byte))),
                Received::Marked(byte) => events.push(Event::Marked(byte)),
                Received::Break => events.push(Event::Break),
            });
        }
        events
    }

    #[test]
    fn marks_are_read_as_the_manual_says() {
        // 41, a good FF, a bad 42, a break: computed by the rule of termios(3).
        let bytes = [0x41, 0xFF, 0xFF, 0xFF, 0x00, 0x42, 0xFF, 0x00, 0x00];
        for piece in 1..=9 {
            let events = [Event::Good(0x41), Event::Good(0xFF), Event::Marked(0x42), Event::Break];
            assert_eq!(read(&bytes, piece), events, "pieces of {piece}");
        }
    }

    #[test]
    fn a_marked_ff_is_one_byte() {
        assert_eq!(read(&[0xFF, 0x00, 0xFF, 0x31], 4), [Event::Marked(0xFF), Event::Good(0x31)]);
    }

    #[test]
    fn a_mark_begun_before_the_input_was_discarded_is_forgotten() {
        let mut marks = Marks::default();
        marks.feed(&[0xFF, 0x00], &mut |what| panic!("{what:?}"));
        marks.start_anew();
        let mut seen = Vec::new();
        marks.feed(&[0x00, 0x01], &mut |what| match what {
            Received::Bytes(bytes) => seen.extend_from_slice(bytes),
            other => panic!("{other:?}"),
        });
        assert_eq!(seen, [0, 1]);
    }

    fn event() -> impl Strategy<Value = Event> {
        prop_oneof![
            4 => any::<u8>().prop_map(Event::Good),
            1 => Just(Event::Good(0xFF)),
            1 => (1..=0xFF_u8).prop_map(Event::Marked),
            1 => Just(Event::Break),
        ]
    }

    proptest! {
        #[test]
        fn whatever_the_kernel_writes_is_read_back(
            events in prop::collection::vec(event(), 0..300), piece in 1_usize..40,
        ) {
            prop_assert_eq!(read(&kernel(&events), piece), events);
        }

        #[test]
        fn any_bytes_are_read_alike_in_any_pieces(
            bytes in prop::collection::vec(prop_oneof![any::<u8>(), Just(0xFF), Just(0)], 0..300), piece in 1_usize..40,
        ) {
            prop_assert_eq!(read(&bytes, piece), read(&bytes, bytes.len().max(1)));
        }
    }
}
