//! Selects ports by a few conditions, all of which must hold.

use serde::{Deserialize, Serialize};

/// Conditions on a port. Those left out hold for every port.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Selector {
    /// Pattern for its name: `*` stands for any characters, `?` for one.
    pub name: Option<String>,
    /// Pattern for its address on the bus, such as `0000:03:00.*`.
    pub bus: Option<String>,
    /// Pattern for its driver's name.
    pub driver: Option<String>,
    /// Pattern for its label.
    pub label: Option<String>,
    /// Pattern for its cabinet.
    pub cabinet: Option<String>,
    /// It is called spare, or is not.
    pub spare: Option<bool>,
}

/// What a selector looks at.
#[derive(Clone, Copy, Debug, Default)]
pub struct Traits<'a> {
    /// Name.
    pub name: &'a str,
    /// Address on the bus.
    pub bus: Option<&'a str>,
    /// Driver.
    pub driver: Option<&'a str>,
    /// Label.
    pub label: Option<&'a str>,
    /// Cabinet.
    pub cabinet: Option<&'a str>,
    /// It is called spare.
    pub spare: bool,
}

impl Selector {
    /// Whether every condition holds. A port without an address on a bus matches no pattern for one.
    pub fn selects(&self, port: &Traits<'_>) -> bool {
        let holds = |pattern: &Option<String>, value: Option<&str>| {
            pattern.as_deref().is_none_or(|pattern| value.is_some_and(|value| matches(pattern, value)))
        };
        holds(&self.name, Some(port.name))
            && holds(&self.bus, port.bus)
            && holds(&self.driver, port.driver)
            && holds(&self.label, port.label)
            && holds(&self.cabinet, port.cabinet)
            && self.spare.is_none_or(|spare| spare == port.spare)
    }

    /// No condition at all: it would mean every port of the machine.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}

/// Whether `text` fits `pattern`, in which `*` stands for any characters (none too) and `?` for one.
pub fn matches(pattern: &str, text: &str) -> bool {
    let (pattern, text): (Vec<char>, Vec<char>) = (pattern.chars().collect(), text.chars().collect());
    let (mut p, mut t) = (0, 0);
    // Where the last star was, and how far the text had come: a mismatch lets that star take one character more.
    let mut retry: Option<(usize, usize)> = None;
    while t < text.len() {
        match pattern.get(p) {
            Some('*') => {
                retry = Some((p, t));
                p += 1;
            }
            Some(c) if *c == '?' || *c == text[t] => {
                p += 1;
                t += 1;
            }
            _ => match retry {
                Some((star, from)) => (p, t) = (star, from + 1),
                None => return false,
            },
        }
    }
    pattern[p..].iter().all(|c| *c == '*')
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn patterns_match_as_in_a_shell() {
        // Expected: POSIX.1-2017, Shell and Utilities 2.13 (`*` any string, also none; `?` any one character).
        let table = [
            ("quay*", "quay", true),
            ("quay*", "quay12", true),
            ("quay?", "quay12", false),
            ("quay?", "quay1", true),
            ("*", "", true),
            ("?", "", false),
            ("*7", "quay77", true),
            ("q*y*1", "quay0 1", true),
            ("q*y*1", "quay0 2", false),
            ("0000:03:00.*", "0000:03:00.1", true),
            ("", "x", false),
            ("Quay*", "quay1", false),
        ];
        for (pattern, text, expected) in table {
            assert_eq!(matches(pattern, text), expected, "{pattern} {text}");
        }
    }

    #[test]
    fn every_condition_must_hold() {
        let port = Traits { name: "quay3", driver: Some("inv"), spare: true, ..Traits::default() };
        let selector = |text: &str| toml::from_str::<Selector>(text).unwrap();
        assert!(selector("name = 'quay*'\nspare = true").selects(&port));
        assert!(!selector("name = 'quay*'\nspare = false").selects(&port));
        assert!(!selector("bus = '*'").selects(&port), "it has no address on a bus");
        assert!(selector("driver = 'in?'").selects(&port));
        assert!(!selector("name = 'quay*'").is_empty() && !selector("spare = false").is_empty());
        assert!(Selector::default().is_empty() && Selector::default().selects(&port));
        assert!(toml::from_str::<Selector>("nam = 'quay*'").is_err());
    }

    /// Slow and obvious.
    fn obvious(pattern: &[u8], text: &[u8]) -> bool {
        match pattern.split_first() {
            None => text.is_empty(),
            Some((b'*', rest)) => (0..=text.len()).any(|n| obvious(rest, &text[n..])),
            Some((b'?', rest)) => !text.is_empty() && obvious(rest, &text[1..]),
            Some((c, rest)) => text.first() == Some(c) && obvious(rest, &text[1..]),
        }
    }

    proptest! {
        #[test]
        fn agrees_with_the_slow_and_obvious_way(pattern in "[ab*?]{0,8}", text in "[ab]{0,10}") {
            prop_assert_eq!(matches(&pattern, &text), obvious(pattern.as_bytes(), text.as_bytes()));
        }
    }
}
