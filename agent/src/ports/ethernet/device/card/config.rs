//! Errors that a device keeps in its own registers, from its configuration space.
//!
//! The kernel counts an error only if the device reports it, and on many machines nobody asked it to. The device itself
//! notes each kind all the same, until the note is cleared. So a kind that is noted here is at least one error that
//! nobody counted; one that was counted is cleared. Only kinds that a bus or a card is at fault for are looked at, not
//! those that any request for something that is not there leaves behind.

use turnback_core::kind::ethernet::counters::BusErrors;

/// Kinds of errors that the device has noted; none where it keeps no such notes, or where they cannot be read.
pub fn noted(config: &[u8]) -> Option<BusErrors> {
    let registers = error_registers(config)?;
    let register = |offset: usize| word(config, registers + offset);
    let uncorrected = register(UNCORRECTED)? & UNCORRECTED_KINDS;
    let fatal = uncorrected & register(SEVERITY)?;
    let corrected = register(CORRECTED)? & CORRECTED_KINDS;
    let count = |bits: u32| u64::from(bits.count_ones());
    Some(BusErrors { corrected: count(corrected), nonfatal: count(uncorrected & !fatal), fatal: count(fatal) })
}

/// Where the registers of advanced error reporting are.
fn error_registers(config: &[u8]) -> Option<usize> {
    let mut at = EXTENDED;
    // As many steps as fit into the space: a damaged list may lead round in a circle.
    for _ in 0..config.len() / 8 {
        let head = word(config, at).filter(|head| *head != 0 && *head != u32::MAX)?;
        if head & 0xffff == ERRORS_ID {
            return Some(at);
        }
        at = (head >> 20) as usize & !3;
        if at < EXTENDED {
            return None;
        }
    }
    None
}

fn word(config: &[u8], at: usize) -> Option<u32> {
    config.get(at..)?.first_chunk().map(|chunk| u32::from_le_bytes(*chunk))
}

/// Start of the extended capabilities, as all below: linux/pci_regs.h.
const EXTENDED: usize = 0x100;
const ERRORS_ID: u32 = 1;
const UNCORRECTED: usize = 4;
const SEVERITY: usize = 0xc;
const CORRECTED: usize = 0x10;
/// Receiver, bad packet of either layer, replay number, replay timer (`PCI_ERR_COR_*`).
const CORRECTED_KINDS: u32 = 0x1 | 0x40 | 0x80 | 0x100 | 0x1000;
/// Data link protocol, poisoned packet, flow control, receiver overflow, malformed packet, checksum (`PCI_ERR_UNC_*`).
const UNCORRECTED_KINDS: u32 = 0x10 | 0x1000 | 0x2000 | 0x2_0000 | 0x4_0000 | 0x8_0000;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn space(put: &[(usize, u32)]) -> Vec<u8> {
        let mut config = vec![0; 4096];
        for (at, value) in put {
            config[*at..*at + 4].copy_from_slice(&value.to_le_bytes());
        }
        config
    }

    /// Layout and bits: linux/pci_regs.h. 0x18 is another capability, latency tolerance.
    #[test]
    fn kinds_of_errors_are_read_and_requests_for_nothing_are_not() {
        let list = [(0x100, 0x1401_0018), (0x140, 0x0001_0001)];
        let unsupported_request = 0x10_0000;
        let none = BusErrors::default();
        assert_eq!(noted(&space(&list)), Some(none));
        let with = |more: &[(usize, u32)]| noted(&space(&[&list[..], more].concat())).unwrap();
        assert_eq!(with(&[(0x144, unsupported_request), (0x150, 0x2000)]), none);
        assert_eq!(with(&[(0x150, 0x40 | 0x80)]), BusErrors { corrected: 2, ..none });
        // The third register says which of the uncorrected ones are fatal.
        assert_eq!(with(&[(0x144, 0x1000 | 0x4_0000), (0x14c, 0x4_0000)]), BusErrors { nonfatal: 1, fatal: 1, ..none });
        for short in [&[][..], &space(&list)[..64], &space(&list)[..0x150], &[0xff; 4096]] {
            assert_eq!(noted(short), None);
        }
        assert_eq!(noted(&space(&[(0x100, 0x1000_0018)])), None, "a circle");
    }

    proptest! {
        #[test]
        fn any_space_is_read(bytes in proptest::collection::vec(any::<u8>(), 0..600)) {
            noted(&bytes);
        }
    }
}
