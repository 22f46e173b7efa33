//! Sessions in a browser: a person enters a token once, and the browser shows a random name for it afterwards. Which
//! sessions are open is known to [`Keys`].

use std::sync::Arc;

use axum::http::{HeaderMap, header};

use crate::daemon::keys::{Caller, Keys, KeysError, SESSION_MS};

/// Open sessions, by their cookie.
pub struct Sessions(Arc<Keys>);

impl Sessions {
    /// Those among these keys.
    pub fn new(keys: Arc<Keys>) -> Self {
        Self(keys)
    }

    /// Opens a session; the `Set-Cookie` value for it. `secure`: the connection is TLS. *Disk.*
    ///
    /// # Errors
    /// When the machine has no randomness to give.
    pub fn open(&self, caller: &Caller, secure: bool) -> Result<String, KeysError> {
        Ok(set_cookie(&self.0.open_session(caller)?, secure))
    }

    /// Opens the session that a code stands for; none: there is no such code. *Disk.*
    ///
    /// # Errors
    /// No randomness; the code cannot be used up now.
    pub fn pair(&self, code: &str, secure: bool) -> Result<Option<String>, KeysError> {
        Ok(self.0.redeem(code)?.map(|name| set_cookie(&name, secure)))
    }

    /// Who has the session that the request belongs to.
    pub fn caller(&self, headers: &HeaderMap) -> Option<Caller> {
        names(headers).find_map(|name| self.0.session(name))
    }

    /// Ends the session of a request; the `Set-Cookie` value that makes the browser forget it. *Disk.*
    pub fn close(&self, headers: &HeaderMap) -> String {
        names(headers).for_each(|name| self.0.close_session(name));
        format!("{COOKIE}=; Path=/; HttpOnly; SameSite=Strict; Max-Age=0")
    }
}

fn set_cookie(name: &str, secure: bool) -> String {
    let secure = if secure { "; Secure" } else { "" };
    format!("{COOKIE}={name}; Path=/; HttpOnly; SameSite=Strict; Max-Age={}{secure}", SESSION_MS / 1000)
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

#[cfg(test)]
mod tests {
    use std::sync::Mutex;

    use super::*;
    use crate::{archive::memory::Memory, daemon::keys::Role};

    fn with_cookie(value: &str) -> HeaderMap {
        HeaderMap::from_iter([(header::COOKIE, value.parse().unwrap())])
    }

    #[test]
    fn a_session_is_known_by_its_cookie_until_it_is_closed() {
        let sessions = Sessions::new(Arc::new(Keys::new(Arc::new(Mutex::new(Box::new(Memory::default()))), || 0)));
        let caller = Caller { name: "desk".into(), role: Role::Test };
        let set = sessions.open(&caller, true).unwrap();
        assert!(set.contains("; HttpOnly") && set.contains("; SameSite=Strict") && set.ends_with("; Secure"));
        let headers = with_cookie(&format!("other=1; {}", set.split(';').next().unwrap()));
        assert_eq!(sessions.caller(&headers), Some(caller));
        for other in [with_cookie("turnback_session=0000"), HeaderMap::new()] {
            assert_eq!(sessions.caller(&other), None);
        }
        sessions.close(&headers);
        assert_eq!(sessions.caller(&headers), None);
    }
}
