//! Writing what was shown to a file.

use std::{fs, io, path::Path};

/// Writes a file as a whole or not at all: what was there before stays until the new one is complete.
pub fn write_whole(path: &Path, document: &str) -> io::Result<()> {
    // A pipe or device cannot be replaced by a file beside it.
    if fs::metadata(path).is_ok_and(|there| !there.is_file()) {
        return fs::write(path, document);
    }
    let mut name = path.file_name().ok_or(io::ErrorKind::InvalidFilename)?.to_owned();
    name.push(format!(".{}.part", std::process::id()));
    let part = path.with_file_name(name);
    let written = fs::write(&part, document).and_then(|()| fs::rename(&part, path));
    if written.is_err() {
        let _ = fs::remove_file(&part);
    }
    written
}
