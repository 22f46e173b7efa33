//! The number by which the kernel knows a device.

use std::{
    fs,
    os::unix::fs::{FileTypeExt, MetadataExt},
};

/// A device's number in the kernel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Number {
    /// Which driver.
    pub major: u32,
    /// Which of its devices.
    pub minor: u32,
}

impl Number {
    /// Of a device file's metadata.
    pub fn of(metadata: &fs::Metadata) -> Option<Self> {
        metadata.file_type().is_char_device().then(|| {
            let number = metadata.rdev();
            Self { major: libc::major(number), minor: libc::minor(number) }
        })
    }
}
