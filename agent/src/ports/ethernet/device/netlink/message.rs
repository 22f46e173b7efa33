//! Netlink's framing as pure functions: messages in a buffer, attributes in a message. No socket here.

/// One message: its type, and what follows its header.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Message<'a> {
    pub(super) kind: u16,
    pub(super) sequence: u32,
    pub(super) body: &'a [u8],
}

/// Splits a buffer into messages and stops at the first that is cut.
pub(super) fn messages(buffer: &[u8]) -> impl Iterator<Item = Message<'_>> {
    let mut rest = buffer;
    std::iter::from_fn(move || {
        let length = u32_at(rest, 0)? as usize;
        let body = rest.get(HEADER_BYTES..length)?;
        let message = Message { kind: u16_at(rest, 4)?, sequence: u32_at(rest, 8)?, body };
        rest = rest.get(aligned(length)..).unwrap_or(&[]);
        Some(message)
    })
}

/// Splits octets into attributes (type without its flag bits, value) and stops at the first that is cut.
pub(super) fn attributes(bytes: &[u8]) -> impl Iterator<Item = (u16, &[u8])> {
    let mut rest = bytes;
    std::iter::from_fn(move || {
        let length = usize::from(u16_at(rest, 0)?);
        let value = rest.get(4..length)?;
        let kind = u16_at(rest, 2)? & TYPE_MASK;
        rest = rest.get(aligned(length)..).unwrap_or(&[]);
        Some((kind, value))
    })
}

/// A request: header, then the body.
pub(super) fn request(kind: u16, flags: u16, sequence: u32, body: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(HEADER_BYTES + body.len());
    let length = u32::try_from(HEADER_BYTES + body.len()).unwrap_or(u32::MAX);
    bytes.extend(length.to_ne_bytes());
    bytes.extend(kind.to_ne_bytes());
    bytes.extend(flags.to_ne_bytes());
    bytes.extend(sequence.to_ne_bytes());
    bytes.extend(0u32.to_ne_bytes());
    bytes.extend(body);
    bytes
}

/// Appends an attribute, padded to four octets.
pub(super) fn put_attribute(bytes: &mut Vec<u8>, kind: u16, value: &[u8]) {
    let length = u16::try_from(4 + value.len()).unwrap_or(u16::MAX);
    bytes.extend(length.to_ne_bytes());
    bytes.extend(kind.to_ne_bytes());
    bytes.extend(value);
    bytes.resize(aligned(bytes.len()), 0);
}

pub(super) fn u16_at(bytes: &[u8], offset: usize) -> Option<u16> {
    bytes.get(offset..)?.first_chunk().map(|chunk| u16::from_ne_bytes(*chunk))
}

pub(super) fn u32_at(bytes: &[u8], offset: usize) -> Option<u32> {
    bytes.get(offset..)?.first_chunk().map(|chunk| u32::from_ne_bytes(*chunk))
}

pub(super) fn text(value: &[u8]) -> String {
    let end = value.iter().position(|&byte| byte == 0).unwrap_or(value.len());
    String::from_utf8_lossy(&value[..end]).into_owned()
}

fn aligned(length: usize) -> usize {
    length.next_multiple_of(4)
}

/// `struct nlmsghdr`, linux/netlink.h: length, type, flags, sequence, port.
const HEADER_BYTES: usize = 16;
/// `NLA_TYPE_MASK`, linux/netlink.h: the upper two bits are flags.
const TYPE_MASK: u16 = 0x3fff;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn attributes_read_back_as_written(
            list in proptest::collection::vec((0u16..0x4000, proptest::collection::vec(any::<u8>(), 0..20)), 0..6)
        ) {
            let mut body = Vec::new();
            for (kind, value) in &list {
                put_attribute(&mut body, *kind, value);
            }
            let buffer = request(16, 1, 7, &body);
            let read: Vec<_> = messages(&buffer).collect();
            prop_assert_eq!(read.len(), 1);
            prop_assert_eq!((read[0].kind, read[0].sequence), (16, 7));
            let found: Vec<(u16, Vec<u8>)> =
                attributes(read[0].body).map(|(kind, value)| (kind, value.to_vec())).collect();
            prop_assert_eq!(found, list);
        }

        #[test]
        fn any_octets_end(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            // A length shorter than its header must not make the walk stand still.
            prop_assert!(messages(&bytes).count() <= bytes.len());
            prop_assert!(attributes(&bytes).count() <= bytes.len());
        }
    }
}
