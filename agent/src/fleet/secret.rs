//! Files that hold secrets: read only if nobody else can read them.

use std::{fs::File, io::Read, os::unix::fs::PermissionsExt, path::Path};

use super::error::FleetError;

/// The text of a file with a secret.
///
/// # Errors
/// It cannot be read, others can read it, or it is no text of reasonable length.
pub fn read(path: &Path) -> Result<String, FleetError> {
    let unreadable = |source| FleetError::SecretFile { path: path.to_owned(), source };
    let file = File::open(path).map_err(unreadable)?;
    let mode = file.metadata().map_err(unreadable)?.permissions().mode() & 0o777;
    if mode & 0o077 != 0 {
        return Err(FleetError::TooOpen { path: path.to_owned(), mode });
    }
    let mut text = String::new();
    file.take(BYTES_MAX).read_to_string(&mut text).map_err(unreadable)?;
    Ok(text)
}

/// NATS credentials are about a kilobyte.
const BYTES_MAX: u64 = 64 * 1024;

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn a_secret_that_others_can_read_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("seed");
        fs::write(&path, "secret\n").unwrap();
        for bit in [0o040, 0o020, 0o004, 0o001] {
            fs::set_permissions(&path, fs::Permissions::from_mode(0o600 | bit)).unwrap();
            assert!(matches!(read(&path), Err(FleetError::TooOpen { mode, .. }) if mode == 0o600 | bit), "{bit:o}");
        }
        fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).unwrap();
        assert_eq!(read(&path).unwrap(), "secret\n");
        assert!(matches!(read(&folder.path().join("none")), Err(FleetError::SecretFile { .. })));
    }
}
