//! Who may ask what of the agent: named tokens, sessions that people opened, and codes that pair a phone.
//!
//! Only digests are kept, in the records, so that neither a copy of them nor a log holds a secret. A session and a code
//! survive a restart. The token in the token file is not among them; it belongs to whoever can read the file.

use data_encoding::HEXLOWER;
use std::{
    collections::BTreeSet,
    io,
    sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError},
};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use thiserror::Error;

use crate::{
    archive::{error::ArchiveError, logbook::Logbook},
    secret,
};

/// What a caller may do; each role may do all that those before it may.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Read metrics and health.
    Metrics,
    /// Read everything.
    Read,
    /// Start and end checks, lead cases, acknowledge and mute.
    Test,
    /// Pause, make and revoke tokens, pair phones.
    Administer,
}

impl Role {
    /// Every role, the least first.
    pub const ALL: [Self; 4] = [Self::Metrics, Self::Read, Self::Test, Self::Administer];

    /// The word used everywhere.
    pub fn name(self) -> &'static str {
        match self {
            Self::Metrics => "metrics",
            Self::Read => "read",
            Self::Test => "test",
            Self::Administer => "administer",
        }
    }
}

impl std::str::FromStr for Role {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        Self::ALL
            .into_iter()
            .find(|role| role.name() == text)
            .ok_or_else(|| format!("role `{text}` is not one of metrics, read, test, administer"))
    }
}

/// Somebody who showed a secret.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Caller {
    /// Name of the token, or of the token that the session was opened with.
    pub name: String,
    /// What they may do.
    pub role: Role,
}

/// A token as it is listed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct TokenView {
    /// Name.
    pub name: String,
    /// What its holder may do.
    pub role: Role,
    /// Who made it.
    pub by: String,
    /// When, ms since 1970-01-01 UTC.
    pub made_ms: i64,
    /// When it was last used; none if never.
    pub last_used_ms: Option<i64>,
}

/// A token of a list kept elsewhere.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KnownToken {
    /// SHA-256 of the token, in hexadecimal.
    pub digest: String,
    /// What else is known of it.
    pub view: TokenView,
}

/// A session of a list kept elsewhere.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KnownSession {
    /// SHA-256 of its name, in hexadecimal.
    pub digest: String,
    /// Name of the token that opened it.
    pub name: String,
    /// What its holder may do.
    pub role: Role,
    /// When it was opened, ms since 1970-01-01 UTC.
    pub made_ms: i64,
    /// When it ends by itself.
    pub ends_ms: i64,
}

/// A code that opens a session once.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Pairing {
    /// The code, eight letters and digits.
    pub code: String,
    /// What the session may do.
    pub role: Role,
    /// Until when it can be used, ms since 1970-01-01 UTC.
    pub until_ms: i64,
    /// Address at which a phone uses it; none where other machines do not reach the page.
    pub url: Option<String>,
}

/// Why a token cannot be made or revoked.
#[derive(Debug, Error)]
pub enum KeysError {
    /// Names are short and plain.
    #[error("name `{0}` is not allowed: 1 to 40 of a-z, 0-9 and -")]
    Name(String),
    /// Names are used once.
    #[error("a token named `{0}` exists; revoke it first, or take another name")]
    Taken(String),
    /// There are too many.
    #[error("there are {TOKENS_MAX} tokens already; revoke one first")]
    TooMany,
    /// Nothing to revoke.
    #[error("there is no token named `{0}`")]
    Unknown(String),
    /// No randomness.
    #[error("the machine gives no random numbers")]
    Random(#[source] io::Error),
    /// It cannot be kept.
    #[error(transparent)]
    Store(#[from] ArchiveError),
}

/// One secret, by its digest.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Key {
    /// SHA-256 in hexadecimal.
    digest: String,
    name: String,
    role: Role,
    by: String,
    made_ms: i64,
    ends_ms: Option<i64>,
    last_used_ms: Option<i64>,
}

#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(default)]
struct Kept {
    tokens: Vec<Key>,
    sessions: Vec<Key>,
    codes: Vec<Key>,
    /// Something was not written yet: when a token was used, or what the disk did not take.
    #[serde(skip)]
    unwritten: bool,
}

/// All secrets of an agent.
pub struct Keys {
    kept: Mutex<Kept>,
    logbook: Arc<Mutex<Box<dyn Logbook>>>,
    clock: Box<dyn Fn() -> i64 + Send + Sync>,
    reached_at: OnceLock<String>,
}

impl Keys {
    /// Those that the logbook holds. `clock` gives milliseconds since 1970-01-01 UTC.
    pub fn new(logbook: Arc<Mutex<Box<dyn Logbook>>>, clock: impl Fn() -> i64 + Send + Sync + 'static) -> Self {
        let note = logbook.lock().unwrap_or_else(PoisonError::into_inner).note(NOTE);
        let kept = match note {
            Ok(text) => text.map(|text| serde_json::from_str(&text)).transpose().map_err(|error| error.to_string()),
            Err(error) => Err(error.to_string()),
        };
        let kept = kept.unwrap_or_else(|error| {
            tracing::error!(error, "tokens and sessions cannot be read; only the token file counts");
            None
        });
        Self {
            kept: Mutex::new(kept.unwrap_or_default()),
            logbook,
            clock: Box::new(clock),
            reached_at: OnceLock::new(),
        }
    }

    /// The page listens; other machines reach it at this address, if any.
    pub fn reached_at(&self, url: Option<String>) {
        url.into_iter().for_each(|url| {
            let _ = self.reached_at.set(url);
        });
    }

    /// The caller who shows this token.
    pub fn admit(&self, token: &str) -> Option<Caller> {
        let now_ms = (self.clock)();
        let mut kept = self.kept();
        let key = of(&mut kept.tokens, token, now_ms)?;
        key.last_used_ms = Some(now_ms);
        let caller = key.caller();
        kept.unwritten = true;
        Some(caller)
    }

    /// The caller who shows the name of an open session.
    pub fn session(&self, name: &str) -> Option<Caller> {
        of(&mut self.kept().sessions, name, (self.clock)()).map(|key| key.caller())
    }

    /// Tokens, by name.
    pub fn tokens(&self) -> Vec<TokenView> {
        let view = |key: &Key| TokenView {
            name: key.name.clone(),
            role: key.role,
            by: key.by.clone(),
            made_ms: key.made_ms,
            last_used_ms: key.last_used_ms,
        };
        let mut tokens: Vec<TokenView> = self.kept().tokens.iter().map(view).collect();
        tokens.sort_by(|a, b| a.name.cmp(&b.name));
        tokens
    }

    /// Makes a token; it is shown this once. *Disk.*
    ///
    /// # Errors
    /// See [`KeysError`].
    pub fn make_token(&self, name: &str, role: Role, by: &str) -> Result<String, KeysError> {
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if !(1..=40).contains(&name.len()) || !name.chars().all(plain) {
            return Err(KeysError::Name(name.to_owned()));
        }
        let secret = secret::random_digits().map_err(KeysError::Random)?;
        let made = self.change(|kept, now_ms| {
            if kept.tokens.iter().any(|key| key.name == name) {
                return Err(KeysError::Taken(name.to_owned()));
            }
            if kept.tokens.len() >= TOKENS_MAX {
                return Err(KeysError::TooMany);
            }
            kept.tokens.push(Key::new(&secret, name, role, by, now_ms, None));
            Ok(())
        });
        if made.is_err() {
            // Nobody was shown it, and its name is free for the next attempt.
            let digest = digest(&secret);
            self.kept().tokens.retain(|key| key.digest != digest);
        }
        made.map(|()| secret)
    }

    /// Revokes a token and ends the sessions that were opened with it. *Disk.*
    ///
    /// # Errors
    /// [`KeysError::Unknown`]; the archive, where the token is revoked and that is written later.
    pub fn revoke(&self, name: &str) -> Result<(), KeysError> {
        self.change(|kept, _| {
            let before = kept.tokens.len();
            kept.tokens.retain(|key| key.name != name);
            kept.sessions.retain(|key| key.name != name);
            if kept.tokens.len() == before { Err(KeysError::Unknown(name.to_owned())) } else { Ok(()) }
        })
    }

    /// Puts other tokens in place of all that there are: those of a list kept elsewhere. A session ends with the token
    /// that opened it.
    pub fn replace_tokens(&self, tokens: Vec<KnownToken>) {
        let mut kept = self.kept();
        let used = |digest: &str| kept.tokens.iter().find(|key| key.digest == digest)?.last_used_ms;
        let key = |token: KnownToken| Key {
            last_used_ms: used(&token.digest).max(token.view.last_used_ms),
            digest: token.digest,
            name: token.view.name,
            role: token.view.role,
            by: token.view.by,
            made_ms: token.view.made_ms,
            ends_ms: None,
        };
        let tokens: Vec<Key> = tokens.into_iter().map(key).collect();
        kept.sessions.retain(|key| tokens.iter().any(|t| t.name == key.name && t.role == key.role));
        kept.tokens = tokens;
    }

    /// Sessions that are open.
    pub fn sessions(&self) -> Vec<KnownSession> {
        let now_ms = (self.clock)();
        let session = |key: &Key| KnownSession {
            digest: key.digest.clone(),
            name: key.name.clone(),
            role: key.role,
            made_ms: key.made_ms,
            ends_ms: key.ends_ms.unwrap_or(i64::MAX),
        };
        self.kept().sessions.iter().filter(|key| key.holds(now_ms)).map(session).collect()
    }

    /// Takes over sessions that a list kept elsewhere has, and ends those that it has no more, by their digests.
    pub fn settle_sessions(&self, opened: Vec<KnownSession>, ended: &BTreeSet<String>) {
        let mut kept = self.kept();
        kept.sessions.retain(|key| !ended.contains(&key.digest));
        kept.sessions.extend(opened.into_iter().map(|session| Key {
            by: session.name.clone(),
            digest: session.digest,
            name: session.name,
            role: session.role,
            made_ms: session.made_ms,
            ends_ms: Some(session.ends_ms),
            last_used_ms: None,
        }));
    }

    /// Opens a session for somebody; its name, which is the secret. *Disk.*
    ///
    /// # Errors
    /// No randomness. A session that cannot be kept lasts until the agent ends.
    pub fn open_session(&self, caller: &Caller) -> Result<String, KeysError> {
        let secret = secret::random_digits().map_err(KeysError::Random)?;
        let opened = self.change(|kept, now_ms| {
            let ends_ms = Some(now_ms + SESSION_MS);
            kept.sessions.push(Key::new(&secret, &caller.name, caller.role, &caller.name, now_ms, ends_ms));
            let excess = kept.sessions.len().saturating_sub(SESSIONS_MAX);
            kept.sessions.drain(..excess);
            Ok(())
        });
        match opened {
            Err(KeysError::Store(error)) => tracing::warn!(%error, "a session cannot be kept beyond this run"),
            other => other?,
        }
        Ok(secret)
    }

    /// Ends a session. *Disk.*
    pub fn close_session(&self, name: &str) {
        let digest = digest(name);
        let closed = self.change(|kept, _| {
            kept.sessions.retain(|key| key.digest != digest);
            Ok(())
        });
        if let Err(error) = closed {
            tracing::warn!(%error, "the end of a session cannot be kept");
        }
    }

    /// Makes a code that opens a session with this role, once, within ten minutes. *Disk.*
    ///
    /// # Errors
    /// No randomness; the archive.
    pub fn pair(&self, role: Role, by: &str) -> Result<Pairing, KeysError> {
        let mut bytes = [0; CODE_CHARS];
        getrandom::fill(&mut bytes).map_err(|error| KeysError::Random(error.into()))?;
        let code: String = bytes.iter().map(|byte| char::from(ALPHABET[usize::from(byte % 32)])).collect();
        let mut until_ms = 0;
        self.change(|kept, now_ms| {
            until_ms = now_ms + CODE_MS;
            let name = format!("{by}-phone");
            kept.codes.push(Key::new(&code, &name, role, by, now_ms, Some(until_ms)));
            let excess = kept.codes.len().saturating_sub(CODES_MAX);
            kept.codes.drain(..excess);
            Ok(())
        })?;
        let url = self.reached_at.get().map(|url| format!("{url}/pair?code={code}"));
        Ok(Pairing { code, role, until_ms, url })
    }

    /// Opens the session that a code stands for; the code is used up. None: no such code. *Disk.*
    ///
    /// # Errors
    /// No randomness; the archive, where the code stays as it was.
    pub fn redeem(&self, code: &str) -> Result<Option<String>, KeysError> {
        // As people type it: small letters, and blanks or dashes between.
        let code: String = code.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_uppercase()).collect();
        let digest = digest(&code);
        let mut found = None;
        let used = self.change(|kept, _| {
            let place = kept.codes.iter().position(|key| key.digest == digest);
            found = place.map(|place| kept.codes.remove(place));
            Ok(())
        });
        if let Err(error) = used {
            self.kept().codes.extend(found);
            return Err(error);
        }
        found.map(|key| self.open_session(&key.caller())).transpose()
    }

    /// Writes what was not written yet: when tokens were used, and what the disk did not take. *Disk.*
    pub fn catch_up(&self) {
        let unwritten = std::mem::take(&mut self.kept().unwritten);
        if unwritten && let Err(error) = self.change(|_, _| Ok(())) {
            tracing::warn!(%error, "tokens and sessions cannot be kept");
        }
    }

    fn kept(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Changes what is kept and writes it; what is over is dropped. What the disk does not take is written later. A
    /// caller for whom it does not count then undoes it.
    fn change(&self, action: impl FnOnce(&mut Kept, i64) -> Result<(), KeysError>) -> Result<(), KeysError> {
        let now_ms = (self.clock)();
        let mut logbook = self.logbook.lock().unwrap_or_else(PoisonError::into_inner);
        let text = {
            let kept = &mut *self.kept();
            for keys in [&mut kept.sessions, &mut kept.codes] {
                keys.retain(|key| key.holds(now_ms));
            }
            action(kept, now_ms)?;
            serde_json::to_string(kept).unwrap_or_default()
        };
        let written = logbook.keep_note(NOTE, &text);
        self.kept().unwritten |= written.is_err();
        Ok(written?)
    }
}

impl Key {
    fn new(secret: &str, name: &str, role: Role, by: &str, made_ms: i64, ends_ms: Option<i64>) -> Self {
        let (digest, name, by) = (digest(secret), name.to_owned(), by.to_owned());
        Self { digest, name, role, by, made_ms, ends_ms, last_used_ms: None }
    }

    fn holds(&self, now_ms: i64) -> bool {
        self.ends_ms.is_none_or(|ends| now_ms < ends)
    }

    fn caller(&self) -> Caller {
        Caller { name: self.name.clone(), role: self.role }
    }
}

/// The key of a secret. Looking up a digest tells nothing about the secrets of others.
fn of<'a>(keys: &'a mut [Key], secret: &str, now_ms: i64) -> Option<&'a mut Key> {
    let digest = digest(secret);
    keys.iter_mut().find(|key| key.digest == digest && key.holds(now_ms))
}

fn digest(secret: &str) -> String {
    HEXLOWER.encode(&Sha256::digest(secret.as_bytes()))
}

const NOTE: &str = "keys";
/// A working day.
pub const SESSION_MS: i64 = 12 * 3_600_000;
/// Long enough to unlock a phone and point it at the screen. Our own choice.
const CODE_MS: i64 = 10 * 60_000;
/// 40 bits: at one wrong code in ten seconds it is not guessed in ten minutes.
const CODE_CHARS: usize = 8;
/// Letters and digits without those that look alike (I, L, O and U are left out).
const ALPHABET: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
const TOKENS_MAX: usize = 100;
const SESSIONS_MAX: usize = 64;
const CODES_MAX: usize = 16;

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicI64, Ordering};

    use super::*;
    use crate::archive::memory::Memory;

    /// A logbook, and a clock that the test sets.
    fn setting() -> (Arc<Mutex<Box<dyn Logbook>>>, Arc<AtomicI64>) {
        (Arc::new(Mutex::new(Box::new(Memory::default()))), Arc::default())
    }

    fn keys(logbook: &Arc<Mutex<Box<dyn Logbook>>>, clock: &Arc<AtomicI64>) -> Keys {
        let clock = Arc::clone(clock);
        Keys::new(Arc::clone(logbook), move || clock.load(Ordering::Relaxed))
    }

    #[test]
    fn a_token_is_named_used_listed_and_revoked_across_restarts() {
        let (logbook, clock) = setting();
        let first = keys(&logbook, &clock);
        let secret = first.make_token("night-shift", Role::Test, "me").unwrap();
        assert!(matches!(first.make_token("night-shift", Role::Read, "me"), Err(KeysError::Taken(_))));
        for bad in ["", "Night", "a b", &"x".repeat(41)] {
            assert!(matches!(first.make_token(bad, Role::Read, "me"), Err(KeysError::Name(_))), "{bad}");
        }
        clock.store(77, Ordering::Relaxed);
        assert_eq!(first.admit(&secret), Some(Caller { name: "night-shift".into(), role: Role::Test }));
        assert_eq!(first.admit(&secret[1..]), None);
        let session = first.open_session(&first.admit(&secret).unwrap()).unwrap();
        first.catch_up();
        let second = keys(&logbook, &clock);
        assert_eq!(second.tokens()[0].last_used_ms, Some(77));
        assert_eq!(second.session(&session).unwrap().role, Role::Test);
        let written = logbook.lock().unwrap().note(NOTE).unwrap().unwrap();
        assert!(!written.contains(&secret) && !written.contains(&session), "only digests are kept");
        second.revoke("night-shift").unwrap();
        assert!(second.admit(&secret).is_none() && second.session(&session).is_none());
        assert!(matches!(second.revoke("night-shift"), Err(KeysError::Unknown(_))));
        assert!(keys(&logbook, &clock).tokens().is_empty());
    }

    #[test]
    fn a_code_opens_one_session_within_its_minutes_also_after_a_restart() {
        let (logbook, clock) = setting();
        let pairing = keys(&logbook, &clock).pair(Role::Test, "desk").unwrap();
        clock.store(pairing.until_ms - 1, Ordering::Relaxed);
        let again = keys(&logbook, &clock);
        assert_eq!(again.redeem("00000000").unwrap(), None);
        let typed = format!("{} - {}", &pairing.code[..4].to_lowercase(), &pairing.code[4..]);
        let session = again.redeem(&typed).unwrap().expect("a session");
        assert_eq!(again.session(&session), Some(Caller { name: "desk-phone".into(), role: Role::Test }));
        assert_eq!(again.redeem(&pairing.code).unwrap(), None, "once");
        // A working day later it is over.
        clock.fetch_add(SESSION_MS, Ordering::Relaxed);
        assert_eq!(again.session(&session), None);
        let late = again.pair(Role::Read, "desk").unwrap();
        clock.store(late.until_ms, Ordering::Relaxed);
        assert_eq!(again.redeem(&late.code).unwrap(), None);
    }

    #[test]
    fn the_oldest_session_makes_room() {
        let (logbook, clock) = setting();
        let keys = keys(&logbook, &clock);
        let caller = Caller { name: "desk".into(), role: Role::Read };
        let sessions: Vec<String> = (0..=SESSIONS_MAX).map(|_| keys.open_session(&caller).unwrap()).collect();
        assert!(keys.session(&sessions[0]).is_none() && keys.session(&sessions[1]).is_some());
        keys.close_session(&sessions[1]);
        assert!(keys.session(&sessions[1]).is_none() && keys.session(&sessions[2]).is_some());
    }
}
