//! Times, ages, addresses and what a run says, in words for the page.

use jiff::{Timestamp, tz::TimeZone};
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};
use turnback_core::{
    event::{Event, Progress},
    judge::Outcome,
    kind::Kind,
    watch::standing::State,
};

use crate::show::figure;
pub use crate::show::lines::{plainly, sentence, unbroken as numbers};
pub use turnback_core::base::figure::upper;

/// How long ago, or how long, in its largest unit.
pub fn age(ms: i64) -> String {
    let seconds = ms.max(0) / 1000;
    match seconds {
        0..120 => format!("{seconds} s"),
        120..7200 => format!("{} min", seconds / 60),
        7200..172_800 => format!("{} h", seconds / 3600),
        _ => format!("{} days", seconds / 86_400),
    }
}

/// A moment on the clock of a zone, to the minute.
pub fn minute(ms: i64, zone: &TimeZone) -> String {
    at(ms, zone, "%Y-%m-%d %H:%M")
}

/// A moment on the clock of a zone, to the second.
pub fn second(ms: i64, zone: &TimeZone) -> String {
    at(ms, zone, "%Y-%m-%d %H:%M:%S")
}

/// A moment on the clock of a zone: the time of day.
pub fn time_of_day(ms: i64, zone: &TimeZone) -> String {
    at(ms, zone, "%H:%M")
}

fn at(ms: i64, zone: &TimeZone, form: &str) -> String {
    let time = Timestamp::from_millisecond(ms);
    time.map_or_else(|_| "-".into(), |time| time.to_zoned(zone.clone()).strftime(form).to_string())
}

/// Moments of a list: to the minute, or to the second where two of them would look alike.
pub fn moments(all: &[i64], zone: &TimeZone) -> Vec<String> {
    let minutes: Vec<_> = all.iter().map(|ms| minute(*ms, zone)).collect();
    let alike = minutes.windows(2).any(|two| two[0] == two[1]);
    if alike { all.iter().map(|ms| second(*ms, zone)).collect() } else { minutes }
}

/// A moment for programs (RFC 3339).
pub fn stamp(ms: i64) -> String {
    Timestamp::from_millisecond(ms).map_or_else(|_| String::new(), |t| t.to_string())
}

/// When a document says that something began, ms since 1970 UTC; 0 if it says nothing that is a time.
pub fn began_ms(text: &str) -> i64 {
    text.parse::<Timestamp>().map_or(0, Timestamp::as_millisecond)
}

/// Any text as one segment of a path or one value of a query (RFC 3986 2.1).
pub fn encoded(text: &str) -> String {
    const RESERVED: &AsciiSet = &NON_ALPHANUMERIC.remove(b'-').remove(b'.').remove(b'_').remove(b'~');
    utf8_percent_encode(text, RESERVED).to_string()
}

/// Whether a path may be gone to after the token was entered: one of this daemon's own, never another site's.
pub fn is_own_path(path: &str) -> bool {
    path.starts_with('/') && !path.starts_with("//") && path.bytes().all(|b| b.is_ascii_graphic() && b != b'\\')
}

/// The word for a state.
pub fn state(state: State) -> &'static str {
    match state {
        State::NeverTested => "never tested",
        State::ChipProven => "chip proven",
        other => other.name(),
    }
}

/// What a state says, for those who meet its word for the first time.
pub fn meaning(state: State) -> &'static str {
    match state {
        State::Failed => "a fault was found several times in a row; it may lie in port, plug or cable",
        State::Suspect => "a fault was found and is to be confirmed, or a figure moves towards one",
        State::Gone => "this machine does not have the port any more",
        State::Undecided => "the last runs decided nothing, for example because nothing came back",
        State::Expired => "it was proven, too long ago",
        State::NeverTested => "no run has decided anything yet",
        State::ChipProven => "the loop inside the chip passed; socket, plug and cable are not proven",
        State::Skipped => "in service when its turn came: left alone",
        State::Proven => "the last run that decided anything passed, with a plug",
    }
}

/// How watched ports fare, in one line. That nothing is known to be wrong says little where nothing is proven.
pub fn headline(fares: Fares) -> String {
    let Fares { watched, proven, wrong } = fares;
    let [some, good] = [watched, proven].map(figure::count);
    match (wrong, proven) {
        _ if watched == 0 => "No port is watched".into(),
        (0, 0) => "No port is proven".into(),
        (0, _) if proven < watched => format!("No port needs attention; {good} of {some} are proven"),
        (0, _) => "No port needs attention".into(),
        (1, _) => "1 port needs attention".into(),
        (n, _) => format!("{} ports need attention", figure::count(n)),
    }
}

/// Watched ports, counted.
#[derive(Clone, Copy, Debug, Default)]
pub struct Fares {
    /// All of them.
    pub watched: u64,
    /// Those that are proven.
    pub proven: u64,
    /// Those that need attention.
    pub wrong: u64,
}

/// Where a placement has the plug; at the end of this segment, where one is named.
pub fn place_of_plug(placement: &str, segment: Option<&str>) -> String {
    match (placement, segment) {
        ("internal", _) => "loop inside the chip".to_owned(),
        ("at-port", _) => "plug at the port".to_owned(),
        ("far-end", Some(segment)) => format!("plug at the end of {segment}"),
        ("far-end", None) => "plug at the far end".to_owned(),
        ("return-port", _) => "cable to the return port".to_owned(),
        (other, _) => other.to_owned(),
    }
}

/// A stage of a case, for people who do not know its name.
pub fn stage(name: &str) -> String {
    let (kind, place) = match name.split_once(':') {
        Some((kind @ ("soak" | "two-pairs"), place)) => (kind, place),
        _ if matches!(name, "soak" | "two-pairs") => (name, "far-end"),
        _ => ("", name),
    };
    let place = match place.split_once(':') {
        Some((placement @ "far-end", segment)) => place_of_plug(placement, Some(segment)),
        _ => match place {
            "other-plug" => "another plug".into(),
            "known-good-port" => "the plug in a port that works".into(),
            "cable-test" => "cable test".into(),
            placement => place_of_plug(placement, None),
        },
    };
    match kind {
        "soak" => format!("long run, {place}"),
        "two-pairs" => format!("two pairs, {place}"),
        _ => place,
    }
}

/// A text whose names, such as `P-3` or `at-port`, stay whole at the end of a line: a word joiner (Unicode U+2060)
/// follows each hyphen within them.
pub fn unbroken(text: impl AsRef<str>) -> String {
    let text = text.as_ref();
    let mut joined = String::with_capacity(text.len());
    let mut before = ' ';
    let mut rest = text.chars().peekable();
    while let Some(c) = rest.next() {
        joined.push(c);
        if c == '-' && before.is_alphanumeric() && rest.peek().is_some_and(|next| next.is_alphanumeric()) {
            joined.push('\u{2060}');
        }
        before = c;
    }
    joined
}

/// The words and numbers of a name: by them names stand as people count, `quay2` before `quay10`.
pub fn counted(name: &str) -> Vec<(String, u64)> {
    let split = |text: &str, at: fn(char) -> bool| {
        let (front, back) = text.split_at(text.find(at).unwrap_or(text.len()));
        (front.to_owned(), back.to_owned())
    };
    let (mut parts, mut rest) = (Vec::new(), name.to_owned());
    while !rest.is_empty() {
        let (word, tail) = split(&rest, |c| c.is_ascii_digit());
        let (number, tail) = split(&tail, |c| !c.is_ascii_digit());
        parts.push((word, number.parse().unwrap_or_default()));
        rest = tail;
    }
    parts
}

/// A port's page.
pub fn port_href(name: &str) -> String {
    format!("/ports/{}", encoded(name))
}

/// A run's page.
pub fn run_href(run: &str) -> String {
    format!("/runs/{}", encoded(run))
}

/// A case's page.
pub fn case_href(case: &str) -> String {
    format!("/cases/{}", encoded(case))
}

/// The kind of a port, for people.
pub fn kind(kind: Kind, simulated: bool) -> &'static str {
    match (kind, simulated) {
        (Kind::Ethernet, false) => "Ethernet",
        (Kind::Ethernet, true) => "Ethernet, simulated",
        (Kind::Serial, false) => "serial",
        (Kind::Serial, true) => "serial, simulated",
    }
}

/// What a run said last.
pub fn said(event: &Event) -> String {
    match event {
        Event::RunStarted { .. } => "begun".into(),
        Event::Waiting { what, left_s } => format!("waiting for {}{}", what.in_words(), left(Some(*left_s))),
        Event::LinkRead { link } if link.up => match link.speed_mbps {
            Some(mbps) => format!("link up, {mbps} Mb/s"),
            None => "link up".into(),
        },
        Event::LinkRead { .. } => "no link".into(),
        Event::SettingChanged { setting, .. } => format!("changed for this run: {setting}"),
        Event::LineSettingChanged { setting, .. } => format!("changed for this run: {setting}"),
        Event::LineStepStarted { what } => what.clone(),
        Event::LineProgress { bytes_sent, bytes_failed, proved_below, left_s, .. } => {
            let (sent, failed) = (figure::count(*bytes_sent), figure::count(*bytes_failed));
            format!("{sent} bytes sent, {failed} failed{}{}", proved(*proved_below), left(*left_s))
        }
        Event::LineSlowed { bytes_out } => {
            format!("this computer lost bytes: again with {bytes_out} bytes out at once")
        }
        Event::SettingRestored { setting } => format!("restored: {setting}"),
        Event::Listened { foreign: 0 } => "listened: nobody else is there".into(),
        Event::Listened { foreign } => {
            format!("heard {} frames of other stations: nothing is sent", figure::count(*foreign))
        }
        Event::LineListened { foreign_bytes: 0 } => "listened: the line is quiet".into(),
        Event::LineListened { foreign_bytes } => {
            format!("heard {} bytes of something else: nothing is sent", figure::count(*foreign_bytes))
        }
        Event::Estimated { seconds, .. } | Event::LineEstimated { seconds } => {
            format!("takes about {} if nothing fails", figure::seconds(seconds.ceil()))
        }
        Event::FirstProbesDone { sent, returned } => format!("first probes: {returned} of {sent} came back"),
        Event::StepStarted { step, of, size_bytes, pattern } => {
            let of = of.map_or(String::new(), |n| format!(" of {n}"));
            format!("step {step}{of}: {size_bytes} bytes, {pattern}")
        }
        Event::Progress(progress) => progressed(progress),
        Event::StepDone { step, frames_sent, frames_lost, bit_errors } => format!(
            "step {step} done: {} sent, {} lost, {} wrong bits",
            figure::count(*frames_sent),
            figure::count(*frames_lost),
            figure::count(*bit_errors)
        ),
        Event::Slowed { frames_per_second } => {
            format!("this computer lost frames: again at {} frames/s", figure::count(*frames_per_second as u64))
        }
        Event::Confirming { placement } => {
            format!("something failed: repeating the test with the {}", placement.in_words())
        }
        Event::RunEnded { verdict } => format!("ended: {}", verdict.outcome.name()),
    }
}

fn progressed(p: &Progress) -> String {
    // Between two steps nothing is sent for a moment.
    let pace = match p.frames_per_second as u64 {
        0 => String::new(),
        pace => format!(", {} a second", figure::count(pace)),
    };
    format!(
        "{} probes sent{pace}, {} errors{}{}",
        figure::count(p.frames_sent),
        figure::count(p.errors),
        proved(p.proved_below),
        left(p.left_s)
    )
}

fn left(seconds: Option<f64>) -> String {
    seconds.map_or(String::new(), |s| format!(", {} left", figure::seconds(s)))
}

fn proved(below: Option<f64>) -> String {
    below.map_or(String::new(), |ratio| format!(", proved below {}", figure::ratio(ratio)))
}

/// An outcome for people.
pub fn outcome(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::NotTested => "not tested",
        other => other.name(),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn only_own_paths_are_gone_to() {
        for own in ["/", "/ports/quay0", "/runs?port=quay0&before=x", "/ports/%2Fdev%2FttyS0"] {
            assert!(is_own_path(own), "{own}");
        }
        for foreign in ["", "//evil.example", "/\\evil.example", "https://evil.example", "/a\r\nSet-Cookie: x", "/ä"] {
            assert!(!is_own_path(foreign), "{foreign}");
        }
    }

    #[test]
    fn stages_have_plain_names() {
        for (name, plain) in [
            ("at-port", "plug at the port"),
            ("far-end:quay duct", "plug at the end of quay duct"),
            ("soak", "long run, plug at the far end"),
            ("soak:at-port", "long run, plug at the port"),
            ("two-pairs:far-end:quay duct", "two pairs, plug at the end of quay duct"),
            ("known-good-port", "the plug in a port that works"),
        ] {
            assert_eq!(stage(name), plain);
        }
    }

    #[test]
    fn a_list_says_why_without_the_name_of_the_rule() {
        assert_eq!(unbroken("P-3 to at-port - now"), "P-\u{2060}3 to at-\u{2060}port - now");
        assert_eq!(plainly("no-link: no link: no plug is fitted"), "no link: no plug is fitted");
        assert_eq!(plainly("drifts: the link dropped"), "drifts: the link dropped");
        assert_eq!(plainly("lock2 has the address 192.0.2.17/24: moved"), "lock2 has the address 192.0.2.17/24: moved");
    }

    #[test]
    fn names_stand_as_people_count() {
        let mut names = ["quay10", "quay2", "quay", "shed 3 port 10", "shed 3 port 9", "/dev/ttyS1"];
        names.sort_by_key(|name| counted(name));
        assert_eq!(names, ["/dev/ttyS1", "quay", "quay2", "quay10", "shed 3 port 9", "shed 3 port 10"]);
    }

    #[test]
    fn that_nothing_is_wrong_is_not_said_where_nothing_is_proven() {
        let line = |watched, proven, wrong| headline(Fares { watched, proven, wrong });
        assert_eq!(line(0, 0, 0), "No port is watched");
        assert_eq!(line(15, 0, 0), "No port is proven");
        assert_eq!(line(1500, 12, 0), "No port needs attention; 12 of 1 500 are proven");
        assert_eq!(line(15, 15, 0), "No port needs attention");
        assert_eq!(
            (line(15, 0, 1).as_str(), line(15, 9, 6).as_str()),
            ("1 port needs attention", "6 ports need attention")
        );
    }

    #[test]
    fn ages_are_short() {
        let all = [-5, 61_000, 180_000, 3 * 3_600_000, 9 * 86_400_000].map(age);
        assert_eq!(all, ["0 s", "61 s", "3 min", "3 h", "9 days"]);
    }

    #[test]
    fn moments_that_would_look_alike_have_seconds() {
        let zone = TimeZone::fixed(jiff::tz::offset(2));
        assert_eq!(moments(&[0, 60_000], &zone), ["1970-01-01 02:00", "1970-01-01 02:01"]);
        assert_eq!(moments(&[1000, 2000], &zone), ["1970-01-01 02:00:01", "1970-01-01 02:00:02"]);
    }

    proptest! {
        /// What is encoded holds nothing that ends a segment or a value, and decodes to what it was (checked by hyper's
        /// own parser, which refuses what is no path).
        #[test]
        fn any_name_is_one_segment(name in ".{0,40}") {
            let encoded = encoded(&name);
            prop_assert!(!encoded.contains(['/', '?', '#', '&', '=', ' ', '"', '<']));
            let uri: axum::http::Uri = format!("/ports/{encoded}").parse().unwrap();
            prop_assert_eq!(uri.path(), format!("/ports/{encoded}"));
            is_own_path(&name);
        }
    }
}
