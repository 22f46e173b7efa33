//! Vital product data: what a card's maker wrote into it, as PCI Local Bus Specification 3.0, appendix I, lays it out.
//!
//! A list of resources. A large one begins with a byte whose top bit is set and two bytes of length, low byte first; a
//! small one has its length in the low three bits of its only byte. The read-only resource holds fields of two letters,
//! a byte of length and the data. Its field `RV` begins with a byte that makes the sum of all bytes up to and including
//! it zero.

/// What was read.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Vpd {
    /// The product, in the maker's words.
    pub product: Option<String>,
    /// Part number.
    pub part: Option<String>,
    /// Serial number.
    pub serial: Option<String>,
    /// Whether the sum is right; none where the data end before the field that says so.
    pub intact: Option<bool>,
}

impl Vpd {
    /// Reads the data; none where they begin with no resource at all, as memory that was never written does.
    pub fn parse(bytes: &[u8]) -> Option<Self> {
        if bytes.first() != Some(&PRODUCT) {
            return None;
        }
        let mut vpd = Self::default();
        let mut at = 0;
        while let Some(&tag) = bytes.get(at) {
            let (head, length) = match (tag & LARGE, bytes.get(at + 1), bytes.get(at + 2)) {
                (0, ..) => (1, usize::from(tag & 7)),
                (_, Some(low), Some(high)) => (3, usize::from(u16::from_le_bytes([*low, *high]))),
                _ => break,
            };
            if tag & !7 == END {
                break;
            }
            let data = at + head;
            let Some(body) = bytes.get(data..data + length) else { break };
            match tag {
                PRODUCT => vpd.product = text(body),
                READ_ONLY => vpd.read_fields(bytes, data, length),
                _ => {}
            }
            at = data + length;
        }
        Some(vpd)
    }

    fn read_fields(&mut self, bytes: &[u8], from: usize, length: usize) {
        let end = from + length;
        let mut at = from;
        while at + 3 <= end {
            let (key, data) = (&bytes[at..at + 2], at + 3);
            let next = data + usize::from(bytes[at + 2]);
            if next > end {
                return;
            }
            match key {
                b"PN" => self.part = text(&bytes[data..next]),
                b"SN" => self.serial = text(&bytes[data..next]),
                b"RV" if next > data => {
                    self.intact = Some(bytes[..=data].iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte)) == 0);
                }
                _ => {}
            }
            at = next;
        }
    }
}

/// Letters and digits of a field; makers fill up with spaces and zeros.
fn text(bytes: &[u8]) -> Option<String> {
    let text = String::from_utf8_lossy(bytes);
    let text = text.trim_matches(|c: char| c == '\0' || c.is_whitespace()).to_owned();
    (!text.is_empty()).then_some(text)
}

/// Top bit of a large resource.
const LARGE: u8 = 0x80;
/// Identifier string, a large resource.
const PRODUCT: u8 = 0x82;
/// Read-only data, a large resource.
const READ_ONLY: u8 = 0x90;
/// End, a small resource.
const END: u8 = 0x78;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Laid out as PCI Local Bus Specification 3.0, appendix I.3.2, does its example: product, then `PN`, `SN`, `RV`.
    fn example() -> Vec<u8> {
        let field = |key: &str, data: &[u8]| [key.as_bytes(), &[data.len() as u8], data].concat();
        let mut fields = [field("PN", b"HB-2G "), field("SN", b"HB-0001\0"), field("V0", b"quay")].concat();
        fields.extend(field("RV", &[0, 0]));
        let product = b"Harbour two-port card";
        let mut bytes = vec![0x82, product.len() as u8, 0];
        bytes.extend(product);
        bytes.extend([0x90, fields.len() as u8, 0]);
        bytes.extend(fields);
        let at = bytes.len() - 2;
        bytes[at] = bytes[..at].iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte)).wrapping_neg();
        bytes.extend([0x78, 0xff, 0xff]);
        bytes
    }

    #[test]
    fn the_fields_are_read_and_the_sum_is_checked() {
        let vpd = Vpd {
            product: Some("Harbour two-port card".into()),
            part: Some("HB-2G".into()),
            serial: Some("HB-0001".into()),
            intact: Some(true),
        };
        assert_eq!(Vpd::parse(&example()), Some(vpd.clone()));
        let mut damaged = example();
        damaged[5] ^= 4;
        assert_eq!(Vpd::parse(&damaged).unwrap().intact, Some(false));
        // Cut before the sum: nobody can say.
        let cut = example().len() - 8;
        assert_eq!(Vpd::parse(&example()[..cut]).unwrap().intact, None);
        assert_eq!((Vpd::parse(&[]), Vpd::parse(&[0xff; 64]), Vpd::parse(&[0; 64])), (None, None, None));
    }

    proptest! {
        #[test]
        fn any_bytes_are_read(mut bytes in proptest::collection::vec(any::<u8>(), 1..200)) {
            bytes[0] = PRODUCT;
            prop_assert!(Vpd::parse(&bytes).is_some());
        }
    }
}
