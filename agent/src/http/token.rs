//! The token that changing calls, and all calls from other machines, must show.

use std::{
    io,
    path::{Path, PathBuf},
};

use sha2::{Digest, Sha256};
use subtle::ConstantTimeEq;
use thiserror::Error;

use crate::secret::{self, SecretError};

/// A secret that opens the changing calls. It is kept as its digest: what is not held cannot be printed by mistake.
#[derive(Clone)]
pub struct Token {
    digest: [u8; 32],
}

/// The token cannot be read or made.
#[derive(Debug, Error)]
pub enum TokenError {
    /// The file cannot be made.
    #[error("cannot create the token file {path}")]
    Unwritable {
        /// The file.
        path: PathBuf,
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// It cannot be read, or others can read it.
    #[error(
        "the token file cannot be used: make it readable by its owner alone (chmod 600), or remove it to get a new one"
    )]
    Secret(#[from] SecretError),
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
        match secret::read(path) {
            Err(SecretError::Unreadable { source, .. }) if source.kind() == io::ErrorKind::NotFound => {
                let failed = |source| TokenError::Unwritable { path: path.to_owned(), source };
                let text = secret::random_digits().map_err(failed)?;
                match secret::create(path, &text) {
                    // Somebody made it in between.
                    Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                        Self::read(path, &secret::read(path)?).map(|token| (token, false))
                    }
                    made => made.map(|()| (Self::new(&text), true)).map_err(failed),
                }
            }
            text => Self::read(path, &text?).map(|token| (token, false)),
        }
    }

    fn read(path: &Path, text: &str) -> Result<Self, TokenError> {
        let text = text.trim();
        if text.len() < TOKEN_CHARS_MIN || !text.bytes().all(|b| b.is_ascii_alphanumeric()) {
            return Err(TokenError::NoToken { path: path.to_owned() });
        }
        Ok(Self::new(text))
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

/// 128 bits as hexadecimal digits: fewer can be guessed.
const TOKEN_CHARS_MIN: usize = 32;

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

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
            assert!(matches!(refused, Err(TokenError::Secret(_))), "{bit:o}");
        }
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
        assert!(Token::load_or_create(&path).is_ok());
        std::fs::write(&path, "short\n").unwrap();
        assert!(matches!(Token::load_or_create(&path), Err(TokenError::NoToken { .. })));
    }
}
