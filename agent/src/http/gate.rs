//! Before any call is answered: is it meant for this daemon, may this caller make it, and not too often?
//!
//! Reading is free on a loopback address. Whatever changes something, and every call on another address, needs the
//! token: as a bearer, or as a session that a person opened with it. A session counts for a change only if the browser
//! says that the change comes from one of our own pages.

use std::{
    net::IpAddr,
    sync::{Mutex, PoisonError},
    time::Instant,
};

use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use percent_encoding::percent_decode_str;

use super::{
    access::Names,
    error::ApiError,
    rate::{Allowance, Rate},
    session::Sessions,
    token::Token,
};

/// Who may do what.
pub struct Gate {
    names: Names,
    token: Token,
    /// Sessions that people opened.
    pub sessions: Sessions,
    reading_is_free: bool,
    reads: Mutex<Rate>,
    changes: Mutex<Rate>,
    refusals: Mutex<Rate>,
}

impl Gate {
    /// `reading_is_free`: the daemon listens on a loopback address.
    pub fn new(names: Names, token: Token, reading_is_free: bool) -> Self {
        Self {
            names,
            token,
            sessions: Sessions::default(),
            reading_is_free,
            reads: Mutex::new(Rate::new(if reading_is_free { READS_LOOPBACK } else { READS_ELSEWHERE })),
            changes: Mutex::new(Rate::new(CHANGES)),
            refusals: Mutex::new(Rate::new(REFUSALS)),
        }
    }

    /// Whether what `text` holds is the token; wrong guesses are counted against `who`.
    ///
    /// # Errors
    /// A wrong token, or too many of them.
    pub fn try_token(&self, who: IpAddr, text: &str) -> Result<(), ApiError> {
        if self.token.matches(text) {
            return Ok(());
        }
        take(&self.refusals, who)?;
        Err(ApiError::new(
            StatusCode::UNAUTHORIZED,
            "wrong-token",
            "this is not the token; the file that holds it is named in the daemon's log",
        ))
    }

    /// Whether a call may be answered.
    ///
    /// # Errors
    /// Why it may not.
    pub fn pass(&self, who: IpAddr, method: &Method, path: &str, headers: &HeaderMap) -> Result<(), ApiError> {
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
        if (!changes && self.reading_is_free) || FREE_PATHS.contains(&path) {
            return Ok(());
        }
        if let Some(given) = headers.get(header::AUTHORIZATION) {
            let given = given.to_str().ok().and_then(bearer).unwrap_or_default();
            return self.try_token(who, given);
        }
        if self.sessions.holds(headers) {
            if changes && origin.is_none() {
                return Err(ApiError::new(
                    StatusCode::FORBIDDEN,
                    "origin-missing",
                    "a change by a session must come from a page of this daemon",
                ));
            }
            return Ok(());
        }
        let message = "send the token as `Authorization: Bearer TOKEN`; the daemon's log names the file that holds it";
        Err(ApiError::new(StatusCode::UNAUTHORIZED, "token-needed", message))
    }
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

/// What a person without a token needs to get to the place where it is entered.
const FREE_PATHS: &[&str] = &["/enter", "/look.css", "/live.js", "/pennant.svg"];

/// A page asks for a few things a second; programs may read often on the same machine.
const READS_LOOPBACK: Allowance = Allowance { burst: 4000.0, per_second: 2000.0 };
const READS_ELSEWHERE: Allowance = Allowance { burst: 200.0, per_second: 50.0 };
/// Nobody starts more checks than that by hand.
const CHANGES: Allowance = Allowance { burst: 30.0, per_second: 2.0 };
/// A wrong token can be a slip; guessing 128 bits at this rate is hopeless.
const REFUSALS: Allowance = Allowance { burst: 10.0, per_second: 0.1 };

#[cfg(test)]
mod tests {
    use super::*;

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
