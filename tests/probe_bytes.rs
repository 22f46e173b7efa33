//! The bytes of each released probe format. Never edit a case here, only add: a probe of an older release must stay
//! readable in captures.

use turnback_core::probe::ethernet::{HEADER_BYTES, HeaderRepr, Shape};

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
