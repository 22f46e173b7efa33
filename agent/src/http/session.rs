//! Sessions: a person enters the token once, and the browser shows a random name for it afterwards.
//!
//! Kept in memory only: a restart of the daemon ends them all.

use std::{
    collections::HashMap,
    io,
    sync::{Mutex, PoisonError},
    time::{Duration, Instant},
};

use axum::http::{HeaderMap, header};
use sha2::{Digest, Sha256};

/// Open sessions, by the digest of their name: looking one up tells nothing of the others.
#[derive(Default)]
pub struct Sessions {
    open: Mutex<HashMap<[u8; 32], Instant>>,
}

impl Sessions {
    /// Opens a session; the `Set-Cookie` value for it. `secure`: the connection is TLS.
    ///
    /// # Errors
    /// When the machine has no randomness to give.
    pub fn open(&self, secure: bool) -> io::Result<String> {
        let mut random = [0; 24];
        getrandom::fill(&mut random)?;
        let name: String = random.iter().map(|byte| format!("{byte:02x}")).collect();
        let now = Instant::now();
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        open.retain(|_, opened| now.saturating_duration_since(*opened) < LIFETIME);
        if open.len() >= SESSIONS_MAX
            && let Some(oldest) = open.iter().min_by_key(|(_, opened)| **opened).map(|(digest, _)| *digest)
        {
            open.remove(&oldest);
        }
        open.insert(Sha256::digest(&name).into(), now);
        let secure = if secure { "; Secure" } else { "" };
        let seconds = LIFETIME.as_secs();
        Ok(format!("{COOKIE}={name}; Path=/; HttpOnly; SameSite=Strict; Max-Age={seconds}{secure}"))
    }

    /// Whether the request belongs to an open session.
    pub fn holds(&self, headers: &HeaderMap) -> bool {
        let open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        names(headers).any(|name| {
            let digest: [u8; 32] = Sha256::digest(name).into();
            open.get(&digest).is_some_and(|opened| opened.elapsed() < LIFETIME)
        })
    }

    /// Ends the session of a request; the `Set-Cookie` value that makes the browser forget it.
    pub fn close(&self, headers: &HeaderMap) -> String {
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        for name in names(headers) {
            let digest: [u8; 32] = Sha256::digest(name).into();
            open.remove(&digest);
        }
        format!("{COOKIE}=; Path=/; HttpOnly; SameSite=Strict; Max-Age=0")
    }
}

/// Values of our cookie in a request (RFC 6265 5.4).
fn names(headers: &HeaderMap) -> impl Iterator<Item = &str> {
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .filter(|(name, _)| *name == COOKIE)
        .map(|(_, value)| value)
}

const COOKIE: &str = "turnback_session";
/// A working day.
const LIFETIME: Duration = Duration::from_secs(12 * 3600);
const SESSIONS_MAX: usize = 64;

#[cfg(test)]
mod tests {
    use super::*;

    fn with_cookie(value: &str) -> HeaderMap {
        HeaderMap::from_iter([(header::COOKIE, value.parse().unwrap())])
    }

    #[test]
    fn a_session_is_known_by_its_cookie_until_it_is_closed() {
        let sessions = Sessions::default();
        let set = sessions.open(true).unwrap();
        assert!(set.contains("; HttpOnly") && set.contains("; SameSite=Strict") && set.ends_with("; Secure"));
        let headers = with_cookie(&format!("other=1; {}", set.split(';').next().unwrap()));
        assert!(sessions.holds(&headers));
        assert!(!sessions.holds(&with_cookie("turnback_session=0000")) && !sessions.holds(&HeaderMap::new()));
        sessions.close(&headers);
        assert!(!sessions.holds(&headers));
    }

    #[test]
    fn the_oldest_session_makes_room() {
        let sessions = Sessions::default();
        let first = sessions.open(false).unwrap();
        for _ in 0..SESSIONS_MAX {
            sessions.open(false).unwrap();
        }
        assert!(!sessions.holds(&with_cookie(first.split(';').next().unwrap())));
    }
}
