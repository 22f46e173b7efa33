//! Before any call is answered: is it meant for this daemon, may this caller make it, and not too often?
//!
//! Reading is free on a loopback address. Whatever changes something, and every call on another address, needs a token
//! with the role for it: as a bearer, or as a session that a person opened with it. A session counts for a change only
//! if the browser says that the change comes from one of our own pages.

use std::{
    net::IpAddr,
    sync::{Arc, Mutex, PoisonError},
    time::Instant,
};

use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use percent_encoding::percent_decode_str;

use super::{access::Names, error::ApiError, session::Sessions, token::Token};
use crate::daemon::{
    keys::{Caller, Keys, Role},
    rate::{Allowance, CHANGES, Rate},
};

/// Who may do what.
pub struct Gate {
    names: Names,
    /// The one in the token file; none: there is no such file.
    token: Option<Token>,
    words: Words,
    /// Tokens that were made by name, and codes.
    pub keys: Arc<Keys>,
    /// Sessions that people opened.
    pub sessions: Sessions,
    reading_is_free: bool,
    reads: Mutex<Rate>,
    changes: Mutex<Rate>,
    refusals: Mutex<Rate>,
}

/// What callers are told of tokens and roles.
struct Words {
    wrong_token: &'static str,
    token_needed: &'static str,
    /// The word for a role.
    role: fn(Role) -> &'static str,
}

const OF_AGENT: Words = Words {
    wrong_token: "this is not a token of this agent; its log names the file that holds one, and `turnback agent token` \
        makes others",
    token_needed: "send the token as `Authorization: Bearer TOKEN`; the daemon's log names the file that holds it",
    role: Role::name,
};

const OF_FLEET: Words = Words {
    wrong_token: "this is not a token of this fleet; `turnback fleet token make` makes one",
    token_needed: "send a token as `Authorization: Bearer TOKEN`; `turnback fleet token make` makes one",
    role: |role| match role {
        Role::Test | Role::Administer => "write",
        lower => lower.name(),
    },
};

impl Gate {
    /// The gate of an agent. `reading_is_free`: the daemon listens on a loopback address.
    pub fn new(names: Names, token: Token, keys: Arc<Keys>, reading_is_free: bool) -> Self {
        Self::with(names, Some(token), OF_AGENT, keys, reading_is_free)
    }

    /// The gate of the fleet's page, which has no token file.
    pub fn of_fleet(names: Names, keys: Arc<Keys>, reading_is_free: bool) -> Self {
        Self::with(names, None, OF_FLEET, keys, reading_is_free)
    }

    fn with(names: Names, token: Option<Token>, words: Words, keys: Arc<Keys>, reading_is_free: bool) -> Self {
        Self {
            names,
            token,
            words,
            sessions: Sessions::new(Arc::clone(&keys)),
            keys,
            reading_is_free,
            reads: Mutex::new(Rate::new(if reading_is_free { READS_LOOPBACK } else { READS_ELSEWHERE })),
            changes: Mutex::new(Rate::new(CHANGES)),
            refusals: Mutex::new(Rate::new(REFUSALS)),
        }
    }

    /// Whose token `text` is; wrong guesses are counted against `who`.
    ///
    /// # Errors
    /// A wrong token, or too many of them.
    pub fn try_token(&self, who: IpAddr, text: &str) -> Result<Caller, ApiError> {
        if let Some(caller) = self.holder(text) {
            return Ok(caller);
        }
        take(&self.refusals, who)?;
        Err(ApiError::new(StatusCode::UNAUTHORIZED, "wrong-token", self.words.wrong_token))
    }

    fn holder(&self, token: &str) -> Option<Caller> {
        match self.token.as_ref().is_some_and(|of_file| of_file.matches(token)) {
            true => Some(Caller { name: TOKEN_FILE.to_owned(), role: Role::Administer }),
            false => self.keys.admit(token),
        }
    }

    /// Opens the session that a code stands for; the `Set-Cookie` value. Wrong guesses are counted against `who`.
    /// *Disk.*
    ///
    /// # Errors
    /// A wrong code, or too many of them; the archive.
    pub fn try_code(&self, who: IpAddr, code: &str, secure: bool) -> Result<String, ApiError> {
        match self.sessions.pair(code, secure) {
            Ok(Some(cookie)) => Ok(cookie),
            Ok(None) => {
                take(&self.refusals, who)?;
                let message = "this code is not valid: it is used up, older than ten minutes, or mistyped";
                Err(ApiError::new(StatusCode::UNAUTHORIZED, "wrong-code", message))
            }
            Err(error) => {
                tracing::error!(%error, "a phone cannot be paired");
                Err(ApiError::new(StatusCode::SERVICE_UNAVAILABLE, "store-unavailable", error.to_string()))
            }
        }
    }

    /// Whether a call may be answered; who makes it, where they say so.
    ///
    /// # Errors
    /// Why it may not.
    pub fn pass(
        &self,
        who: IpAddr,
        method: &Method,
        path: &str,
        headers: &HeaderMap,
    ) -> Result<Option<Caller>, ApiError> {
        let mut hosts = headers.get_all(header::HOST).iter();
        let host = hosts.next().and_then(|h| h.to_str().ok()).unwrap_or_default();
        if !self.names.host_is_ours(host) || hosts.next().is_some() {
            let message = "the Host header is no name of this daemon; names beside its address go into `hosts` of the \
                configuration";
            return Err(ApiError::new(StatusCode::MISDIRECTED_REQUEST, "host-not-ours", message));
        }
        if !is_text(path) {
            let message = "the path holds what is not UTF-8 when its percent signs are taken for what they mean";
            return Err(ApiError::new(StatusCode::BAD_REQUEST, "path-not-understood", message));
        }
        let origin = headers.get(header::ORIGIN);
        let ours = |o: &HeaderValue| o.to_str().is_ok_and(|o| self.names.origin_is_ours(o));
        if origin.is_some_and(|o| !ours(o)) {
            return Err(ApiError::new(
                StatusCode::FORBIDDEN,
                "origin-not-ours",
                "a page of another site may not call this daemon",
            ));
        }
        let changes = !matches!(*method, Method::GET | Method::HEAD);
        take(if changes { &self.changes } else { &self.reads }, who)?;
        let needed = needed(changes, path);
        let given = headers.get(header::AUTHORIZATION);
        let given = given.map(|given| given.to_str().ok().and_then(bearer).unwrap_or_default());
        if (needed <= Role::Read && !changes && self.reading_is_free) || is_free(path) {
            let holder = given.and_then(|token| self.holder(token));
            return Ok(holder.or_else(|| self.sessions.caller(headers)));
        }
        if let Some(token) = given {
            return may(self.try_token(who, token)?, needed, self.words.role).map(Some);
        }
        if let Some(caller) = self.sessions.caller(headers) {
            if changes && origin.is_none() {
                return Err(ApiError::new(
                    StatusCode::FORBIDDEN,
                    "origin-missing",
                    "a change by a session must come from a page of this daemon",
                ));
            }
            return may(caller, needed, self.words.role).map(Some);
        }
        Err(ApiError::new(StatusCode::UNAUTHORIZED, "token-needed", self.words.token_needed))
    }
}

/// The role that a call needs.
fn needed(changes: bool, path: &str) -> Role {
    let below = |roots: &[&str]| {
        roots.iter().any(|root| path.strip_prefix(root).is_some_and(|rest| rest.is_empty() || rest.starts_with('/')))
    };
    match changes {
        false if below(&["/metrics", "/health"]) => Role::Metrics,
        _ if below(&["/api/1/tokens", "/tokens"]) => Role::Administer,
        false => Role::Read,
        true if below(&["/api/1/pauses", "/pauses"]) => Role::Administer,
        true if path == "/leave" => Role::Metrics,
        true => Role::Test,
    }
}

fn may(caller: Caller, needed: Role, word: fn(Role) -> &'static str) -> Result<Caller, ApiError> {
    if caller.role >= needed {
        return Ok(caller);
    }
    let message = format!("the role of {} is {}; this call needs {}", caller.name, word(caller.role), word(needed));
    Err(ApiError::new(StatusCode::FORBIDDEN, "role-too-low", message))
}

/// Whether a path is UTF-8 when it is decoded (RFC 3986 2.1): every name in one is text.
fn is_text(path: &str) -> bool {
    percent_decode_str(path).decode_utf8().is_ok()
}

/// `Bearer`, in any case, then the token (RFC 6750 2.1, RFC 9110 11.1).
fn bearer(header: &str) -> Option<&str> {
    let (scheme, token) = header.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then(|| token.trim())
}

fn take(rate: &Mutex<Rate>, who: IpAddr) -> Result<(), ApiError> {
    rate.lock().unwrap_or_else(PoisonError::into_inner).take(who, Instant::now()).map_err(|wait| {
        let retry = wait.as_secs_f64().ceil() as u64;
        let message = format!("too many calls from this address; try again in {retry} s");
        ApiError {
            retry_after_s: Some(retry.max(1)),
            ..ApiError::new(StatusCode::TOO_MANY_REQUESTS, "too-often", message)
        }
    })
}

/// Whether a path is what a person without a token needs to get to the place where it is entered.
fn is_free(path: &str) -> bool {
    FREE_PATHS.contains(&path) || path.starts_with("/fonts/")
}

const FREE_PATHS: &[&str] = &["/enter", "/pair", "/look.css", "/live.js", "/pennant.svg"];
/// Who shows the token of the token file.
pub const TOKEN_FILE: &str = "token-file";

/// A page asks for a few things a second; programs may read often on the same machine.
const READS_LOOPBACK: Allowance = Allowance { burst: 4000.0, per_second: 2000.0 };
const READS_ELSEWHERE: Allowance = Allowance { burst: 200.0, per_second: 50.0 };
/// A wrong token can be a slip; guessing 128 bits at this rate is hopeless.
const REFUSALS: Allowance = Allowance { burst: 10.0, per_second: 0.1 };

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_call_needs_its_role() {
        use Role::{Administer, Metrics, Read, Test};
        for (changes, path, role) in [
            (false, "/metrics", Metrics),
            (false, "/health", Metrics),
            (false, "/metricsx", Read),
            (false, "/api/1/ports", Read),
            (false, "/", Read),
            (true, "/api/1/runs", Test),
            (true, "/ports/quay0/runs", Test),
            (true, "/api/1/pairings", Test),
            (false, "/api/1/pauses", Read),
            (true, "/api/1/pauses", Administer),
            (false, "/api/1/tokens", Administer),
            (true, "/api/1/tokens/night/revoke", Administer),
            (true, "/leave", Metrics),
        ] {
            assert_eq!(needed(changes, path), role, "{changes} {path}");
        }
        let caller = |role| Caller { name: "night".into(), role };
        let may = |given, needed| may(caller(given), needed, OF_FLEET.role);
        assert!(may(Test, Read).is_ok() && may(Test, Test).is_ok());
        assert_eq!(may(Test, Administer).unwrap_err().code, "role-too-low");
        assert!(may(Read, Test).unwrap_err().message.ends_with("is read; this call needs write"));
    }

    #[test]
    fn only_paths_of_text_are_read() {
        for text in ["/", "/ports/%2Fdev%2FttyS0", "/ports/%C3%A4", "/100%", "/%4", "/%zz"] {
            assert!(is_text(text), "{text}");
        }
        // RFC 3629 3: C0 never appears, and a sequence does not end early.
        for other in ["/%C0%AF", "/ports/%ff", "/%C3", "/%C3/%A4"] {
            assert!(!is_text(other), "{other}");
        }
    }
}
