//! Which hosts and origins a request may name.
//!
//! A web page elsewhere can make a browser on this machine call the daemon: by a name of its own that it points at this
//! machine (the `Host` header tells), or from its own pages (the `Origin` header tells). Both are refused.

use std::net::{IpAddr, SocketAddr};

/// Names under which the daemon is reached.
#[derive(Clone, Debug)]
pub struct Names {
    listen: SocketAddr,
    scheme: &'static str,
    hosts: Vec<String>,
}

impl Names {
    /// `listen` is the address really taken, `hosts` the names beside it, `tls` whether it speaks TLS.
    pub fn new(listen: SocketAddr, hosts: &[String], tls: bool) -> Self {
        let scheme = if tls { "https" } else { "http" };
        Self { listen, scheme, hosts: hosts.iter().map(|h| h.to_ascii_lowercase()).collect() }
    }

    /// Whether a `Host` header (`name`, `name:port`, `[v6]:port`) names this daemon.
    pub fn host_is_ours(&self, header: &str) -> bool {
        let default_port = if self.scheme == "https" { 443 } else { 80 };
        let Some((name, port)) = split(header) else { return false };
        if port.unwrap_or(default_port) != self.listen.port() {
            return false;
        }
        if self.hosts.iter().any(|host| host == &name.to_ascii_lowercase()) {
            return true;
        }
        let loopback = self.listen.ip().is_loopback();
        match name.parse::<IpAddr>() {
            // On the unspecified address any address of this machine may have been used; a page cannot point a number
            // elsewhere, only a name.
            Ok(address) => self.listen.ip().is_unspecified() || address == self.listen.ip(),
            Err(_) => loopback && name.eq_ignore_ascii_case("localhost"),
        }
    }

    /// Whether an `Origin` header is a page of this daemon. `null`, which sandboxed pages send, is not.
    pub fn origin_is_ours(&self, header: &str) -> bool {
        header.strip_prefix(self.scheme).and_then(|rest| rest.strip_prefix("://")).is_some_and(|h| self.host_is_ours(h))
    }
}

/// Name (without brackets) and port of `name:port`.
fn split(header: &str) -> Option<(&str, Option<u16>)> {
    let (name, rest) = match header.strip_prefix('[') {
        Some(v6) => v6.split_once(']')?,
        None => match header.find(':') {
            Some(colon) => header.split_at(colon),
            None => (header, ""),
        },
    };
    if name.is_empty() || name.contains(['/', '@', '?', '#', ' ']) {
        return None;
    }
    let port = match rest.strip_prefix(':') {
        Some(port) => Some(port.parse().ok()?),
        None if rest.is_empty() => None,
        None => return None,
    };
    Some((name, port))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn local() -> Names {
        Names::new("127.0.0.1:7440".parse().unwrap(), &["signal-office.harbour.example".into()], false)
    }

    #[test]
    fn only_names_of_this_daemon_are_answered() {
        let names = local();
        for ours in ["127.0.0.1:7440", "localhost:7440", "LOCALHOST:7440", "Signal-Office.harbour.example:7440"] {
            assert!(names.host_is_ours(ours), "{ours}");
        }
        for foreign in [
            "",
            "localhost",
            "localhost:80",
            "evil.example:7440",
            "127.0.0.2:7440",
            "127.0.0.1:7440.evil.example",
            "evil.example@127.0.0.1:7440",
            "localhost:7440/",
            "[::1]:7440",
            "localhost:",
            "localhost:x",
        ] {
            assert!(!names.host_is_ours(foreign), "{foreign}");
        }
    }

    #[test]
    fn only_pages_of_this_daemon_may_call() {
        let names = local();
        assert!(names.origin_is_ours("http://127.0.0.1:7440"));
        for foreign in
            ["null", "https://127.0.0.1:7440", "http://evil.example", "http://evil.example:7440", "127.0.0.1:7440"]
        {
            assert!(!names.origin_is_ours(foreign), "{foreign}");
        }
    }

    #[test]
    fn on_every_address_a_number_is_ours_and_an_unknown_name_is_not() {
        let names = Names::new("0.0.0.0:7440".parse().unwrap(), &[], true);
        assert!(names.host_is_ours("192.0.2.7:7440"));
        assert!(names.origin_is_ours("https://192.0.2.7:7440"));
        assert!(!names.host_is_ours("localhost:7440") && !names.host_is_ours("evil.example:7440"));
    }

    proptest! {
        #[test]
        fn arbitrary_headers_never_panic(header in ".{0,64}") {
            let names = local();
            names.host_is_ours(&header);
            names.origin_is_ours(&header);
        }
    }
}
