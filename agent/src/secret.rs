//! Secrets: drawn at random, written for their owner only, and read only if nobody else can read them.

use std::{
    fs::{File, OpenOptions},
    io::{self, Read, Write},
    os::unix::fs::{OpenOptionsExt, PermissionsExt},
    path::{Path, PathBuf},
};

use data_encoding::HEXLOWER;
use thiserror::Error;

/// A file with a secret cannot be used.
#[derive(Debug, Error)]
pub enum SecretError {
    /// It cannot be read.
    #[error("cannot read {}", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// Others can read it.
    #[error("{} can be read by others (mode {mode:04o})", path.display())]
    TooOpen {
        /// The file.
        path: PathBuf,
        /// Its mode.
        mode: u32,
    },
}

impl SecretError {
    /// What the person can do about it.
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::TooOpen { path, .. } => Some(format!("chmod 600 {}", path.display())),
            Self::Unreadable { .. } => None,
        }
    }
}

/// 256 bits.
///
/// # Errors
/// The machine gives no random numbers.
pub fn random() -> io::Result<[u8; 32]> {
    let mut bits = [0; 32];
    getrandom::fill(&mut bits)?;
    Ok(bits)
}

/// 256 bits as 64 hexadecimal digits.
///
/// # Errors
/// As [`random`].
pub fn random_digits() -> io::Result<String> {
    random().map(|bits| HEXLOWER.encode(&bits))
}

/// The text of a file with a secret.
///
/// # Errors
/// It cannot be read, others can read it, or it is no text of reasonable length.
pub fn read(path: &Path) -> Result<String, SecretError> {
    let unreadable = |source| SecretError::Unreadable { path: path.to_owned(), source };
    let file = File::open(path).map_err(unreadable)?;
    let mode = file.metadata().map_err(unreadable)?.permissions().mode() & 0o777;
    if mode & 0o077 != 0 {
        return Err(SecretError::TooOpen { path: path.to_owned(), mode });
    }
    let mut text = String::new();
    file.take(BYTES_MAX).read_to_string(&mut text).map_err(unreadable)?;
    Ok(text)
}

/// Makes a file with this line in it, for its owner only. It is written aside and then given its name, so that nobody
/// ever reads half a secret.
///
/// # Errors
/// There is such a file ([`io::ErrorKind::AlreadyExists`]), or it cannot be written.
pub fn create(path: &Path, line: &str) -> io::Result<()> {
    let aside = path.with_extension(format!("new-{}", std::process::id()));
    let written = OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(&aside)
        .and_then(|mut file| writeln!(file, "{line}").and_then(|()| file.sync_all()))
        .and_then(|()| std::fs::hard_link(&aside, path));
    let _ = std::fs::remove_file(&aside);
    written
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
        // One right of the group or of others is one too many.
        for bit in [0o040, 0o020, 0o010, 0o004, 0o002, 0o001] {
            fs::set_permissions(&path, fs::Permissions::from_mode(0o600 | bit)).unwrap();
            assert!(matches!(read(&path), Err(SecretError::TooOpen { mode, .. }) if mode == 0o600 | bit), "{bit:o}");
        }
        fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).unwrap();
        assert_eq!(read(&path).unwrap(), "secret\n");
        assert!(matches!(read(&folder.path().join("none")), Err(SecretError::Unreadable { .. })));
    }

    #[test]
    fn a_secret_is_written_once_and_for_its_owner_only() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("seed");
        create(&path, "secret").unwrap();
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        assert_eq!(create(&path, "another").unwrap_err().kind(), io::ErrorKind::AlreadyExists);
        assert_eq!(read(&path).unwrap(), "secret\n");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn no_two_secrets_are_alike() {
        assert_ne!(random().unwrap(), random().unwrap());
        let digits = random_digits().unwrap();
        assert!(digits.len() == 64 && digits.bytes().all(|digit| digit.is_ascii_hexdigit()), "{digits}");
    }
}
