//! Packs a document for the way: JSON, zstd-compressed, of bounded size.
//!
//! A document that is too large goes without what it measured second by second, and says so. What is too large even
//! then does not go at all.

use std::{cell::RefCell, io};

use serde::Serialize;
use serde_json::Value;
use thiserror::Error;
use turnback_core::document::Document;
use zstd::{bulk::Decompressor, zstd_safe::get_frame_content_size};

/// A packed message is no larger, bytes. A broker takes a mebibyte unless it is told otherwise.
pub const PACKED_MAX: usize = 512 * 1024;

/// An unpacked one is no larger, bytes: a small packed message must not fill the memory of a collector.
pub const PLAIN_MAX: usize = 16 * 1024 * 1024;

/// A state or heartbeat unpacks to no more, bytes: it is read into memory whole before anything is known of it.
pub const MESSAGE_PLAIN_MAX: usize = 4 * 1024 * 1024;

/// A document ready for the way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Packed {
    /// What is sent.
    pub bytes: Vec<u8>,
    /// It was too large: its series were left out.
    pub without_series: bool,
}

/// A message that cannot be packed or unpacked.
#[derive(Debug, Error)]
pub enum PayloadError {
    /// Too large even without its series.
    #[error("{bytes} bytes are too many for a message, without its series too")]
    TooLarge {
        /// Size, bytes.
        bytes: usize,
    },
    /// It is not what zstd makes of a text, or unpacks to more than is allowed.
    #[error("no zstd frame that unpacks to {most} bytes at most")]
    NotPacked {
        /// What is allowed, bytes.
        most: usize,
    },
    /// What was packed is no text.
    #[error("what was packed is not UTF-8 text")]
    NotText,
    /// It cannot be written as JSON.
    #[error("it cannot be written as JSON")]
    Json(#[from] serde_json::Error),
}

/// Packs a document, without its series if it is too large with them.
///
/// # Errors
/// [`PayloadError::TooLarge`].
pub fn pack_document(document: &Document) -> Result<Packed, PayloadError> {
    match pack(document) {
        Ok(bytes) => Ok(Packed { bytes, without_series: false }),
        Err(PayloadError::TooLarge { .. }) => {
            let mut value = serde_json::to_value(document)?;
            leave_out_series(&mut value);
            Ok(Packed { bytes: pack(&value)?, without_series: true })
        }
        Err(error) => Err(error),
    }
}

/// A packed document without its series; none if that makes it no smaller.
pub fn without_series(packed: &[u8]) -> Option<Vec<u8>> {
    let mut value = serde_json::from_str(&unpack(packed, PLAIN_MAX).ok()?).ok()?;
    leave_out_series(&mut value);
    pack(&value).ok().filter(|shorter| shorter.len() < packed.len())
}

/// Packs a message.
///
/// # Errors
/// [`PayloadError::TooLarge`].
pub fn pack(message: &impl Serialize) -> Result<Vec<u8>, PayloadError> {
    let text = serde_json::to_vec(message)?;
    if text.len() > PLAIN_MAX {
        return Err(PayloadError::TooLarge { bytes: text.len() });
    }
    // Compressing into memory fails only where there is none.
    let packed = zstd::bulk::compress(&text, LEVEL).map_err(|_| PayloadError::TooLarge { bytes: text.len() })?;
    match packed.len() > PACKED_MAX {
        true => Err(PayloadError::TooLarge { bytes: packed.len() }),
        false => Ok(packed),
    }
}

/// The text of a packed message, which has no more than `most` bytes.
///
/// # Errors
/// It was not packed by [`pack`], or is larger.
pub fn unpack(bytes: &[u8], most: usize) -> Result<String, PayloadError> {
    let refused = || PayloadError::NotPacked { most };
    let size = plain_size(bytes).filter(|size| *size <= most).ok_or_else(refused)?;
    let text = decompress(bytes, size).map_err(|_| refused())?;
    String::from_utf8(text).map_err(|_| PayloadError::NotText)
}

fn decompress(bytes: &[u8], size: usize) -> io::Result<Vec<u8>> {
    UNPACKER.with_borrow_mut(|unpacker| {
        let unpacker = match unpacker {
            Some(unpacker) => unpacker,
            none => none.insert(Decompressor::new()?),
        };
        unpacker.decompress(bytes, size)
    })
}

thread_local! {
    /// Making one anew for each message takes as long as unpacking a run does.
    static UNPACKER: RefCell<Option<Decompressor<'static>>> = const { RefCell::new(None) };
}

/// What a packed message says of its size once unpacked, bytes; none if it says nothing.
pub fn plain_size(bytes: &[u8]) -> Option<usize> {
    get_frame_content_size(bytes).ok().flatten().and_then(|size| usize::try_from(size).ok())
}

/// Of a run the seconds; of a card test all samples but the first and the last of each load. A run says so itself.
fn leave_out_series(document: &mut Value) {
    if let Some(seconds) = document.get_mut("seconds") {
        *seconds = Value::Array(Vec::new());
        if let Some(Value::Array(warnings)) = document.get_mut("warnings") {
            warnings.push(WITHOUT_SERIES.into());
        }
    }
    thin_out(document);
}

fn thin_out(value: &mut Value) {
    match value {
        Value::Object(fields) => {
            if let Some(Value::Array(samples)) = fields.get_mut("samples")
                && samples.len() > 2
            {
                samples.drain(1..samples.len() - 1);
            }
            fields.values_mut().for_each(thin_out);
        }
        Value::Array(values) => values.iter_mut().for_each(thin_out),
        _ => {}
    }
}

const WITHOUT_SERIES: &str = "The report was too large for the fleet, so it came without its series over time. The \
    machine that made the run has the whole report: turnback report RUN.";

/// The level that zstd takes by itself: higher ones cost more time than they save bytes on a document.
const LEVEL: i32 = 3;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::json;

    use super::*;

    const RUN: &str = include_str!("../../../tests/fixtures/format1/ethernet-run.json");

    fn run_with_seconds(seconds: u32) -> Document {
        let Ok(Document::Run(mut report)) = Document::read(RUN) else { panic!("a run") };
        let second = report.seconds.first().copied().unwrap_or_default();
        // All alike would shrink to nothing.
        let mut draw = 7_u64;
        let mut next = || {
            draw = draw.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            draw >> 11
        };
        let drawn = (0..seconds).map(|_| {
            let mut value = serde_json::to_value(second).unwrap();
            let fields = value.as_object_mut().unwrap().values_mut();
            fields.filter(|field| field.is_u64()).for_each(|field| *field = next().into());
            serde_json::from_value(value).unwrap()
        });
        report.seconds = drawn.collect();
        Document::Run(report)
    }

    #[test]
    fn a_document_comes_out_as_it_went_in() {
        let document = Document::read(RUN).unwrap();
        let packed = pack_document(&document).unwrap();
        assert!(!packed.without_series && packed.bytes.len() < RUN.len() / 2, "{}", packed.bytes.len());
        assert_eq!(unpack(&packed.bytes, PLAIN_MAX).unwrap(), serde_json::to_string(&document).unwrap());
    }

    #[test]
    fn what_is_too_large_goes_without_its_series_and_says_so() {
        let document = run_with_seconds(60_000);
        let packed = pack_document(&document).unwrap();
        assert!(packed.without_series && packed.bytes.len() < PACKED_MAX);
        let Ok(Document::Run(report)) = Document::read(&unpack(&packed.bytes, PLAIN_MAX).unwrap()) else {
            panic!("a run")
        };
        assert!(report.seconds.is_empty());
        assert_eq!(report.warnings.last().map(String::as_str), Some(WITHOUT_SERIES));
    }

    #[test]
    fn a_packed_document_can_be_made_shorter_once() {
        let packed = pack_document(&run_with_seconds(600)).unwrap();
        assert!(!packed.without_series);
        let shorter = without_series(&packed.bytes).unwrap();
        let Ok(Document::Run(report)) = Document::read(&unpack(&shorter, PLAIN_MAX).unwrap()) else { panic!("a run") };
        assert!(report.seconds.is_empty());
        assert_eq!(report.warnings.last().map(String::as_str), Some(WITHOUT_SERIES));
        // A case has no series: there is nothing to leave out.
        let case = Document::read(include_str!("../../../tests/fixtures/format1/case.json")).unwrap();
        assert_eq!(without_series(&pack_document(&case).unwrap().bytes), None);
    }

    #[test]
    fn what_stays_too_large_is_refused() {
        let Document::Run(mut report) = run_with_seconds(1) else { panic!("a run") };
        report.warnings = vec!["x".repeat(PLAIN_MAX)];
        assert!(matches!(pack_document(&Document::Run(report)), Err(PayloadError::TooLarge { .. })));
    }

    #[test]
    fn a_card_keeps_the_ends_of_its_loads() {
        let mut test = json!({"rounds": [{"samples": [1, 2, 3, 4]}, {"samples": [5]}], "samples": [6, 7]});
        leave_out_series(&mut test);
        assert_eq!(test, json!({"rounds": [{"samples": [1, 4]}, {"samples": [5]}], "samples": [6, 7]}));
    }

    #[test]
    fn a_small_message_does_not_fill_the_memory() {
        let bomb = zstd::bulk::compress(&vec![b' '; PLAIN_MAX + 1], 3).unwrap();
        assert!(bomb.len() < 10_000);
        assert!(matches!(unpack(&bomb, PLAIN_MAX), Err(PayloadError::NotPacked { .. })));
        assert!(matches!(unpack(&bomb, 100), Err(PayloadError::NotPacked { most: 100 })));
        // One that lies: the frame says a byte (RFC 8878, 3.1.1.1: descriptor 0x20 has its size in the next byte), and
        // its one block is a run of 128 KiB (3.1.1.2: last, type 1, size 0x20000).
        let block = 1 | 1 << 1 | 0x2_0000_u32 << 3;
        let mut liar = vec![0x28, 0xb5, 0x2f, 0xfd, 0x20, 1];
        liar.extend(&block.to_le_bytes()[..3]);
        liar.push(b' ');
        assert_eq!(plain_size(&liar), Some(1));
        assert!(matches!(unpack(&liar, PLAIN_MAX), Err(PayloadError::NotPacked { .. })));
        let not_text = zstd::bulk::compress(&[0xff, 0xfe], 3).unwrap();
        assert!(matches!(unpack(&not_text, PLAIN_MAX), Err(PayloadError::NotText)));
    }

    proptest! {
        #[test]
        fn arbitrary_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
            let _ = unpack(&bytes, PLAIN_MAX);
            let mut frame = zstd::bulk::compress(&bytes, 3).unwrap();
            let _ = unpack(&frame, PLAIN_MAX);
            if let Some(byte) = frame.get_mut(bytes.len() % 20) {
                *byte ^= 1 | bytes.len() as u8;
            }
            let _ = unpack(&frame, PLAIN_MAX);
        }
    }
}
