//! The token that changing calls, and all calls from other machines, must show.

use data_encoding::HEXLOWER;
use std::{
    fs::{File, OpenOptions},
    io::{self, Read, Write},
    os::unix::fs::{OpenOptionsExt, PermissionsExt},
    path::{Path, PathBuf},
};

use sha2::{Digest, Sha256};
use subtle::ConstantTimeEq;
use thiserror::Error;

/// A secret that opens the changing calls. It is kept as its digest: what is not held cannot be printed by mistake.
#[derive(Clone)]
pub struct Token {
    digest: [u8; 32],
}

/// The token cannot be read or made.
#[derive(Debug, Error)]
pub enum TokenError {
    /// The file cannot be read, or not be made.
    #[error("cannot {action} the token file {path}")]
    File {
        /// `read` or `create`.
        action: &'static str,
        /// The file.
        path: PathBuf,
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// Others can read it.
    #[error(
        "the token file {path} can be read by others (mode {mode:04o}): chmod 600 it, or remove it to get a new one"
    )]
    TooOpen {
        /// The file.
        path: PathBuf,
        /// Its mode.
        mode: u32,
    },
    /// What is in it is no token.
    #[error(
        "the token file {path} holds no token of {TOKEN_CHARS_MIN} or more letters and digits; remove it to get a new \
         one"
    )]
    NoToken {
        /// The file.
        path: PathBuf,
    },
}

impl Token {
    /// Reads the token from `path`; makes one there, readable by its owner only, if there is none. True: it was made.
    ///
    /// # Errors
    /// See [`TokenError`].
    pub fn load_or_create(path: &Path) -> Result<(Self, bool), TokenError> {
        match File::open(path) {
            Ok(file) => Self::read(path, file).map(|token| (token, false)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => match Self::create(path) {
                // Somebody made it in between.
                Err(TokenError::File { source, .. }) if source.kind() == io::ErrorKind::AlreadyExists => {
                    let file = File::open(path).map_err(|e| failed("read", path, e))?;
                    Self::read(path, file).map(|token| (token, false))
                }
                made => made.map(|token| (token, true)),
            },
            Err(error) => Err(failed("read", path, error)),
        }
    }

    fn read(path: &Path, file: File) -> Result<Self, TokenError> {
        let mode = file.metadata().map_err(|e| failed("read", path, e))?.permissions().mode() & 0o777;
        if mode & 0o077 != 0 {
            return Err(TokenError::TooOpen { path: path.to_owned(), mode });
        }
        let mut text = String::new();
        file.take(FILE_BYTES_MAX).read_to_string(&mut text).map_err(|e| failed("read", path, e))?;
        let text = text.trim();
        if text.len() < TOKEN_CHARS_MIN || !text.bytes().all(|b| b.is_ascii_alphanumeric()) {
            return Err(TokenError::NoToken { path: path.to_owned() });
        }
        Ok(Self::new(text))
    }

    fn create(path: &Path) -> Result<Self, TokenError> {
        let mut random = [0; 32];
        getrandom::fill(&mut random).map_err(|e| failed("create", path, e.into()))?;
        let text = HEXLOWER.encode(&random);
        // Written aside and then given its name, so that nobody ever reads half a token.
        let aside = path.with_extension(format!("new-{}", std::process::id()));
        let written = OpenOptions::new()
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(&aside)
            .and_then(|mut file| writeln!(file, "{text}").and_then(|()| file.sync_all()))
            .and_then(|()| std::fs::hard_link(&aside, path));
        let _ = std::fs::remove_file(&aside);
        written.map_err(|e| failed("create", path, e))?;
        Ok(Self::new(&text))
    }

    /// From its text.
    pub fn new(text: &str) -> Self {
        Self { digest: Sha256::digest(text.as_bytes()).into() }
    }

    /// Whether `given` is this token. The time taken does not tell how much of it was right, nor how long the token is.
    pub fn matches(&self, given: &str) -> bool {
        let given: [u8; 32] = Sha256::digest(given.as_bytes()).into();
        self.digest.ct_eq(&given).into()
    }
}

fn failed(action: &'static str, path: &Path, source: io::Error) -> TokenError {
    TokenError::File { action, path: path.to_owned(), source }
}

/// 128 bits as hexadecimal digits: fewer can be guessed.
const TOKEN_CHARS_MIN: usize = 32;
const FILE_BYTES_MAX: u64 = 1024;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_is_made_once_and_only_its_owner_reads_it() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("token");
        let (first, made) = Token::load_or_create(&path).unwrap();
        assert!(made);
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        let text = std::fs::read_to_string(&path).unwrap();
        assert!(first.matches(text.trim()));
        let (second, made) = Token::load_or_create(&path).unwrap();
        assert!(!made && second.matches(text.trim()));
        assert_eq!(std::fs::read_dir(directory.path()).unwrap().count(), 1);
    }

    #[test]
    fn near_misses_do_not_match() {
        let token = Token::new("0123456789abcdef0123456789abcdef");
        for given in ["", "0", "0123456789abcdef0123456789abcdeF", "0123456789abcdef0123456789abcdef0", " "] {
            assert!(!token.matches(given), "{given}");
        }
    }

    #[test]
    fn a_file_others_can_read_or_without_a_token_is_refused() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("token");
        std::fs::write(&path, "0123456789abcdef0123456789abcdef\n").unwrap();
        // One right of the group or of others is one too many.
        for bit in [0o040, 0o020, 0o010, 0o004, 0o002, 0o001] {
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600 | bit)).unwrap();
            let refused = Token::load_or_create(&path);
            assert!(matches!(refused, Err(TokenError::TooOpen { mode, .. }) if mode == 0o600 | bit), "{bit:o}");
        }
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
        assert!(Token::load_or_create(&path).is_ok());
        std::fs::write(&path, "short\n").unwrap();
        assert!(matches!(Token::load_or_create(&path), Err(TokenError::NoToken { .. })));
    }
}
