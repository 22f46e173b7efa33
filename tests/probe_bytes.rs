//! The bytes of each released probe format. Never edit a case here, only add: a probe of an older release must stay
//! readable in captures.

use turnback_core::kind::ethernet::probe::{HEADER_BYTES, HeaderRepr, Shape};
use turnback_core::kind::serial::probe::{BLOCK_BYTES, BlockStream, Head};
use turnback_core::signal::pattern::Pattern;

/// Written out by hand from the table in `docs/probe-format.md`.
#[test]
fn ethernet_format_1() {
    let header = HeaderRepr {
        destination: [0x02, 0x00, 0x00, 0x00, 0x00, 0x01],
        source: [0x02, 0x00, 0x00, 0x00, 0x00, 0x81],
        lane: 1,
        tag: 0x0102_0304_0506_0708,
        sequence: 0x0A,
        sent_at: 0x10,
        shape: Shape::new(9, 1514, 0x11),
    };
    let mut expected = [0u8; HEADER_BYTES];
    expected[0..6].copy_from_slice(&[0x02, 0, 0, 0, 0, 0x01]);
    expected[6..12].copy_from_slice(&[0x02, 0, 0, 0, 0, 0x81]);
    expected[12..16].copy_from_slice(&[0x88, 0xB5, 0x01, 0x01]);
    expected[16..24].copy_from_slice(&[1, 2, 3, 4, 5, 6, 7, 8]);
    expected[24..32].copy_from_slice(&[0, 0, 0, 0, 0, 0, 0, 0x0A]);
    expected[32..40].copy_from_slice(&[0, 0, 0, 0, 0, 0, 0, 0x10]);
    expected[40..48].copy_from_slice(&[9, 0x05, 0xEA, 0, 0, 0, 0, 0x11]);
    let check = 0x7475_726E_6261_636Bu64
        ^ 0x0101u64.rotate_left(5)
        ^ 0x0102_0304_0506_0708u64.rotate_left(1)
        ^ 0x0Au64.rotate_left(17)
        ^ 0x10u64.rotate_left(31)
        ^ 0x0905_EA00_0000_0011u64.rotate_left(47);
    expected[48..56].copy_from_slice(&check.to_be_bytes());
    assert_eq!(header.emit(), expected);
}

/// Written out by hand from the table in `docs/probe-format.md`; the check is CRC-16/IBM-3740 of the bytes 01 09
/// A1B2C3D4 00000002 000001B4, worked out with another program (Python's `binascii.crc_hqx`, begun at FFFF).
#[test]
fn serial_format_1() {
    let expected = [
        0x00, 0xFF, 0x11, 0x13, // sync
        0xE1, // format 1
        0x5A, 0xE1, 0x4B, 0xD2, 0x3C, 0xC3, 0x2D, 0xB4, // tag A1B2C3D4
        0xF0, 0xF0, 0xF0, 0xF0, 0xF0, 0xF0, 0xF0, 0xD2, // block 2
        0xF0, 0x69, // pattern 9
        0xF0, 0x2D, 0x5A, // 0DA: 218 bytes of pattern
        0xF0, 0xF0, 0xF0, 0xF0, 0xF0, 0xE1, 0x4B, 0xB4, // phase 1B4: 436
        0xE1, 0xA5, 0x96, 0x1E, // check 156E
    ];
    let head = Head { tag: 0xA1B2_C3D4, number: 2, pattern: 9, phase: 436 };
    assert_eq!(head.emit(), expected);
    // Block 2 of the stream, whole and with the upper bits cut off by a line of 7 data bits.
    let mut payload = [0; 218];
    Pattern::Prbs31.fill(436, &mut payload);
    for mask in [0xFF, 0x7F] {
        let stream = BlockStream { tag: 0xA1B2_C3D4, first_block: 0, pattern: Pattern::Prbs31, mask };
        let mut block = [0; BLOCK_BYTES];
        stream.fill(512, &mut block);
        let whole: Vec<u8> = expected.iter().chain(&payload).map(|byte| byte & mask).collect();
        assert_eq!(block[..], whole[..]);
    }
}
