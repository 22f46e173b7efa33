//! The remote connection the caller works over, so that nobody saws off the branch they sit on.
//!
//! A remote shell notes its connection in `SSH_CONNECTION`. Programs that raise rights clear the environment, so the
//! processes above ours are asked too, as far as their environment may be read.

use std::{fs, net::IpAddr};

/// The ends of a connection, as addresses.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Caller {
    /// The caller's end.
    pub remote: IpAddr,
    /// Our end.
    pub local: IpAddr,
    /// The interface our end is bound to, for a link-local address.
    pub zone: Option<String>,
}

/// Looks for a connection in our environment, then in that of the processes above us.
pub fn find() -> Option<Caller> {
    if let Ok(text) = std::env::var(VARIABLE) {
        return parse(&text);
    }
    let mut process = std::process::id();
    for _ in 0..DEPTH_MAX {
        process = parent(&fs::read_to_string(format!("/proc/{process}/stat")).ok()?)?;
        if let Ok(environment) = fs::read(format!("/proc/{process}/environ"))
            && let Some(caller) = in_environment(&environment)
        {
            return Some(caller);
        }
    }
    None
}

/// Reads `SSH_CONNECTION`: "client IP address, client port number, server IP address, and server port number" (ssh(1)).
fn parse(text: &str) -> Option<Caller> {
    let mut words = text.split_whitespace();
    let (remote, _) = address(words.next()?)?;
    let (local, zone) = address(words.nth(1)?)?;
    words.next()?.parse::<u16>().ok()?;
    Some(Caller { remote, local, zone })
}

fn address(word: &str) -> Option<(IpAddr, Option<String>)> {
    let (ip, zone) = word.split_once('%').map_or((word, None), |(ip, zone)| (ip, Some(zone.to_owned())));
    Some((ip.parse::<IpAddr>().ok()?.to_canonical(), zone))
}

/// The connection in the environment of a process, as `/proc` shows it: texts that end with a zero.
fn in_environment(environment: &[u8]) -> Option<Caller> {
    environment.split(|&byte| byte == 0).find_map(|entry| {
        let text = str::from_utf8(entry).ok()?;
        parse(text.strip_prefix(VARIABLE)?.strip_prefix('=')?)
    })
}

/// The parent's number from `/proc/PID/stat`: the second word after the name, which is in brackets and may hold any.
fn parent(stat: &str) -> Option<u32> {
    let after = &stat[stat.rfind(')')? + 1..];
    after.split_whitespace().nth(1)?.parse().ok().filter(|&process| process != 0)
}

const VARIABLE: &str = "SSH_CONNECTION";
/// More steps than any chain of shells; a bound against a chain that changes while it is walked.
const DEPTH_MAX: usize = 64;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn caller(remote: &str, local: &str, zone: Option<&str>) -> Caller {
        Caller { remote: remote.parse().unwrap(), local: local.parse().unwrap(), zone: zone.map(str::to_owned) }
    }

    #[test]
    fn the_four_words_are_read() {
        let table = [
            ("198.51.100.7 50022 192.0.2.2 22", Some(caller("198.51.100.7", "192.0.2.2", None))),
            ("::ffff:198.51.100.7 1 ::ffff:192.0.2.2 22", Some(caller("198.51.100.7", "192.0.2.2", None))),
            ("fe80::7%quay1 1 fe80::1%quay1 22", Some(caller("fe80::7", "fe80::1", Some("quay1")))),
            ("198.51.100.7 50022 192.0.2.2", None),
            ("UNKNOWN 65535 UNKNOWN 65535", None),
            ("", None),
        ];
        for (text, expected) in table {
            assert_eq!(parse(text), expected, "{text}");
        }
    }

    #[test]
    fn it_is_found_among_other_variables() {
        let environment = b"HOME=/root\0SSH_CONNECTIONS=x\0SSH_CONNECTION=198.51.100.7 5 192.0.2.2 22\0A=b\0";
        assert_eq!(in_environment(environment), Some(caller("198.51.100.7", "192.0.2.2", None)));
        assert_eq!(in_environment(b"\xff\0\0"), None);
    }

    #[test]
    fn a_name_with_brackets_and_spaces_does_not_hide_the_parent() {
        assert_eq!(parent("31355 (a) b (c) R 30763 30763 4844 0"), Some(30763));
        assert_eq!(parent("1 (init) S 0 1 1"), None);
        assert_eq!(parent("1 init"), None);
    }

    proptest! {
        #[test]
        fn any_text_is_read(text in ".{0,80}") {
            parse(&text);
            parent(&text);
            in_environment(text.as_bytes());
        }
    }
}
