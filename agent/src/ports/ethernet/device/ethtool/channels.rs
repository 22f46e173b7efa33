//! Queues that a driver claims (`ETHTOOL_GCHANNELS`).

use super::{EthtoolError, Interface, sys::Request, word};

/// How many queues are in use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Channels {
    /// For frames that come in.
    pub receive: u32,
    /// For frames that go out.
    pub transmit: u32,
}

impl Interface {
    /// The queues in use; none where the driver does not say.
    ///
    /// # Errors
    ///
    /// When the kernel does not answer.
    pub fn channels(&self) -> Result<Option<Channels>, EthtoolError> {
        let mut request = Request::new(GCHANNELS, CHANNELS_BYTES);
        let answer = self.control.ethtool(&mut request);
        Ok(self.ask("read the queues", answer)?.and_then(|_| parse(request.bytes())))
    }
}

/// Reads `struct ethtool_channels`: cmd, four maxima, then receive, transmit, other and combined in use.
fn parse(bytes: &[u8]) -> Option<Channels> {
    let combined = word(bytes, 32);
    let channels = Channels {
        receive: word(bytes, 20).saturating_add(combined),
        transmit: word(bytes, 24).saturating_add(combined),
    };
    (channels.receive > 0 && channels.transmit > 0).then_some(channels)
}

/// `struct ethtool_channels`, linux/ethtool.h: nine words.
const CHANNELS_BYTES: usize = 36;
/// linux/ethtool.h.
const GCHANNELS: u32 = 0x3c;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing;

    #[test]
    fn combined_queues_are_for_both_ways() {
        let words = |words: [u32; 9]| words.iter().flat_map(|word| word.to_ne_bytes()).collect::<Vec<u8>>();
        let read = |words_: [u32; 9]| parse(&words(words_));
        assert_eq!(read([0x3c, 8, 8, 1, 8, 0, 0, 1, 4]), Some(Channels { receive: 4, transmit: 4 }));
        assert_eq!(read([0x3c, 2, 4, 0, 0, 2, 4, 0, 0]), Some(Channels { receive: 2, transmit: 4 }));
        assert_eq!(read([0x3c, 0, 0, 0, 0, 0, 0, 0, 0]), None);
        assert_eq!(parse(&[]), None);
    }

    /// As many as the cable was made with: the kernel's answer, not ours.
    #[test]
    fn a_virtual_cable_has_the_queues_that_it_was_made_with() {
        testing::in_namespace(|| {
            if !testing::ip("link add quay1 numrxqueues 3 numtxqueues 3 type veth peer name quay2") {
                return;
            }
            let channels = Interface::open("quay1").unwrap().channels().unwrap();
            assert_eq!(channels, Some(Channels { receive: 3, transmit: 3 }));
        });
    }
}
