//! What a run will do. A [`Profile`] is a named plan with its limits, as people write it in TOML; [`Profile::validate`]
//! and [`Profile::fit`] see that no run starts with one that cannot be carried out.

mod limit;
pub mod line;

use std::{fmt, str::FromStr, time::Duration};

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::base::toml::toml_fault;
use crate::kind::ethernet::probe::{FCS_BYTES, FRAME_BYTES_MIN, LINE_OVERHEAD_BYTES};
use crate::signal::pattern::Pattern;

/// How a profile decides when it is done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ProfileKind {
    /// Every size with every pattern, each for the same time.
    Steps,
    /// Runs until the limit is proved or refuted, and stops then.
    Proof,
    /// Runs for a given time.
    Soak,
    /// Searches, per size, the highest rate at which nothing is lost (RFC 2544 26.1).
    RateSearch,
}

/// How fast probes go out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Rate {
    /// As fast as the line, or the host, takes them.
    Full,
    /// This share of line rate, `0.0..=1.0`.
    Share(f64),
    /// This many frames a second.
    PerSecond(f64),
}

impl Rate {
    /// Frames a second for frames of `size_bytes` (with FCS) on a line of `line_bps`; `None` means no pacing.
    pub fn frames_per_second(self, size_bytes: u32, line_bps: Option<u64>) -> Option<f64> {
        match (self, line_bps) {
            (Self::PerSecond(r), _) => Some(r),
            (Self::Share(s), Some(bps)) => Some(s * line_rate(size_bytes, bps)),
            // A share of an unknown line rate is refused when the plan is made.
            (Self::Share(_) | Self::Full, None) => None,
            (Self::Full, Some(bps)) => Some(line_rate(size_bytes, bps)),
        }
    }
}

/// Highest number of frames of `size_bytes` (with FCS) a second on a line of `line_bps`: `bps / (8 (size + 20))`.
/// Source: RFC 5180 A.1.
pub fn line_rate(size_bytes: u32, line_bps: u64) -> f64 {
    line_bps as f64 / (8.0 * f64::from(size_bytes + LINE_OVERHEAD_BYTES as u32))
}

impl fmt::Display for Rate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Full => f.write_str("full"),
            // Rounded, so that 0.0001 % does not come out as 0.00009999999999999999 %.
            Self::Share(s) => write!(f, "{}%", (s * 100.0 * 1e9).round() / 1e9),
            Self::PerSecond(r) => write!(f, "{r}"),
        }
    }
}

impl FromStr for Rate {
    type Err = PlanError;
    fn from_str(text: &str) -> Result<Self, PlanError> {
        let bad = || PlanError::Rate(text.to_owned());
        if text == "full" {
            return Ok(Self::Full);
        }
        if let Some(percent) = text.strip_suffix('%') {
            let share = percent.trim().parse::<f64>().map_err(|_| bad())? / 100.0;
            return if share > 0.0 && share <= 1.0 { Ok(Self::Share(share)) } else { Err(bad()) };
        }
        match text.parse::<f64>() {
            Ok(rate) if rate > 0.0 && rate <= 1e9 => Ok(Self::PerSecond(rate)),
            _ => Err(bad()),
        }
    }
}

/// A time with its unit: `500ms`, `4s`, `10m`, `1h`.
pub fn parse_duration(text: &str) -> Result<Duration, PlanError> {
    let bad = || PlanError::Duration(text.to_owned());
    let split = text.find(|c: char| c.is_ascii_alphabetic()).ok_or_else(bad)?;
    let number: f64 = text[..split].trim().parse().map_err(|_| bad())?;
    let unit = match &text[split..] {
        "ms" => 0.001,
        "s" => 1.0,
        "m" | "min" => 60.0,
        "h" => 3600.0,
        "d" => 86_400.0,
        _ => return Err(bad()),
    };
    let seconds = number * unit;
    if seconds > 0.0 && seconds <= 31.0 * 86_400.0 { Ok(Duration::from_secs_f64(seconds)) } else { Err(bad()) }
}

/// A time in the form [`parse_duration`] reads.
pub fn print_duration(duration: Duration) -> String {
    let ms = duration.as_millis();
    match ms {
        _ if ms.is_multiple_of(3_600_000) => format!("{}h", ms / 3_600_000),
        _ if ms.is_multiple_of(60_000) => format!("{}m", ms / 60_000),
        _ if ms.is_multiple_of(1000) => format!("{}s", ms / 1000),
        _ if ms > 1000 => format!("{}s", ms as f64 / 1000.0),
        _ => format!("{ms}ms"),
    }
}

macro_rules! serde_as_text {
    ($module:ident, $type:ty, $print:expr, $parse:expr) => {
        pub(crate) mod $module {
            use super::*;
            pub fn serialize<S: serde::Serializer>(value: &$type, s: S) -> Result<S::Ok, S::Error> {
                s.serialize_str(&$print(*value))
            }
            pub fn deserialize<'de, D: serde::Deserializer<'de>>(d: D) -> Result<$type, D::Error> {
                let text = String::deserialize(d)?;
                $parse(&text).map_err(serde::de::Error::custom)
            }
        }
    };
}
serde_as_text!(duration_text, Duration, print_duration, parse_duration);
serde_as_text!(rate_text, Rate, |r: Rate| r.to_string(), |t: &String| t.parse::<Rate>());

/// A named plan with its limits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Profile {
    /// Name, as given to `--profile`.
    pub name: String,
    /// One line on what it is for.
    #[serde(default)]
    pub about: String,
    /// How it decides when it is done.
    pub kind: ProfileKind,
    /// Frame sizes with FCS, as the standards count them, bytes.
    pub sizes_bytes: Vec<u32>,
    /// Patterns, each tried with each size.
    pub patterns: Vec<Pattern>,
    /// Time of one step; of the whole run for `soak`; the longest the run may take for `proof`; of one trial for
    /// `rate-search`.
    #[serde(rename = "time", with = "duration_text")]
    pub time: Duration,
    /// How fast probes go out: `full`, a share of line rate (`10%`), or frames a second (`3000`).
    #[serde(default = "full", with = "rate_text")]
    pub rate: Rate,
    /// Probes sent one at a time at the start of each step, to measure latency.
    #[serde(default = "latency_probes")]
    pub latency_probes: u32,
    /// How long to listen for foreign frames before anything is sent.
    #[serde(default = "listen", with = "duration_text")]
    pub listen: Duration,
    /// How long to wait for late echoes at the end of a step.
    #[serde(default = "settle", with = "duration_text")]
    pub settle: Duration,
    /// The bit error ratio that a good line stays below.
    pub target_ber: f64,
    /// The same for a serial port, which carries far fewer bits: at 115200 bits a second 1e-5 takes four seconds to
    /// prove.
    #[serde(default = "serial_target_ber")]
    pub serial_target_ber: f64,
    /// How sure a pass must be, `0.5..1.0`.
    #[serde(default = "confidence")]
    pub confidence: f64,
    /// Whether a run with `steps` on a serial port also tries other speeds and formats. `rate-search` always does,
    /// `proof` and `soak` never do.
    #[serde(default = "serial_sweep")]
    pub serial_sweep: bool,
}

fn full() -> Rate {
    Rate::Full
}
fn latency_probes() -> u32 {
    32
}
fn listen() -> Duration {
    Duration::from_secs(1)
}
fn settle() -> Duration {
    Duration::from_secs(2)
}
fn serial_target_ber() -> f64 {
    1e-5
}
fn confidence() -> f64 {
    0.95
}
fn serial_sweep() -> bool {
    true
}

/// Why a plan cannot be made.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum PlanError {
    /// Not a rate.
    #[error(
        "rate `{0}` is not `full`, a share of line rate such as `10%` (over 0 to 100), or frames a second such as \
         `3000`"
    )]
    Rate(String),
    /// Not a time.
    #[error("time `{0}` is not a number with a unit (ms, s, m, h, d) over 0 and up to 31d, such as `4s` or `1h`")]
    Duration(String),
    /// Not a profile.
    #[error("profile `{0}` is not one of {1}, nor a file")]
    UnknownProfile(String, String),
    /// TOML that does not fit.
    #[error("{file}:{line}: {message}")]
    Toml {
        /// The file, as given.
        file: String,
        /// Line, from 1.
        line: usize,
        /// What is wrong, with the allowed values.
        message: String,
    },
    /// A value out of its range.
    #[error("{name} {given} is not allowed: {allowed}")]
    Range {
        /// Name of the value, as in TOML.
        name: &'static str,
        /// What was given.
        given: String,
        /// What is allowed.
        allowed: String,
    },
}

impl PlanError {
    fn range(name: &'static str, given: impl ToString, allowed: impl ToString) -> Self {
        Self::Range { name, given: given.to_string(), allowed: allowed.to_string() }
    }
}

/// Frame sizes that RFC 2544 9.1 asks for on Ethernet, with FCS.
pub const RFC2544_SIZES: [u32; 7] = [64, 128, 256, 512, 1024, 1280, 1518];

impl Profile {
    /// The profiles that come with the program.
    pub fn builtin() -> Vec<Self> {
        let base = |name: &str, about: &str, kind, sizes: &[u32], patterns: &[Pattern], time, target_ber| Self {
            name: name.to_owned(),
            about: about.to_owned(),
            kind,
            sizes_bytes: sizes.to_vec(),
            patterns: patterns.to_vec(),
            time,
            rate: Rate::Full,
            latency_probes: 32,
            listen: Duration::from_secs(1),
            settle: Duration::from_secs(2),
            target_ber,
            serial_target_ber: match kind {
                ProfileKind::Steps | ProfileKind::RateSearch => 1e-6,
                ProfileKind::Proof | ProfileKind::Soak => 1e-7,
            },
            confidence: 0.95,
            serial_sweep: matches!(kind, ProfileKind::Steps | ProfileKind::RateSearch),
        };
        let ms = Duration::from_millis;
        vec![
            Self {
                listen: ms(500),
                settle: ms(500),
                serial_target_ber: 1e-5,
                serial_sweep: false,
                ..base(
                    "quick",
                    "A few seconds: is this port good enough to go on with?",
                    ProfileKind::Steps,
                    &[64, 512, 1518],
                    &[Pattern::Prbs31],
                    // Long enough to prove the limit at 10 Mb/s too.
                    ms(1300),
                    1e-7,
                )
            },
            Self {
                latency_probes: 100,
                ..base(
                    "standard",
                    "About half a minute: all RFC 2544 sizes with patterns for line and host path",
                    ProfileKind::Steps,
                    &RFC2544_SIZES,
                    &[Pattern::Prbs31, Pattern::Zeros, Pattern::Ones, Pattern::Alternating],
                    ms(1000),
                    1e-8,
                )
            },
            base(
                "proof",
                "Until the target error ratio is proved or refuted at the stated confidence, then stops",
                ProfileKind::Proof,
                &[1518],
                &[Pattern::Prbs31],
                Duration::from_secs(4 * 3600),
                1e-10,
            ),
            base(
                "soak",
                "For a given time (--for): finds faults that come and go",
                ProfileKind::Soak,
                &[1518],
                &[Pattern::Prbs31],
                Duration::from_secs(3600),
                1e-9,
            ),
            base(
                "rate-search",
                "The highest rate at which nothing is lost, per size, by the rule of RFC 2544 26.1",
                ProfileKind::RateSearch,
                &RFC2544_SIZES,
                &[Pattern::Prbs31],
                ms(2000),
                1e-7,
            ),
        ]
    }

    /// The built-in profile of this name.
    ///
    /// # Errors
    /// [`PlanError::UnknownProfile`] with the names there are.
    pub fn named(name: &str) -> Result<Self, PlanError> {
        let all = Self::builtin();
        let names: Vec<_> = all.iter().map(|p| p.name.clone()).collect();
        all.into_iter()
            .find(|p| p.name == name)
            .ok_or_else(|| PlanError::UnknownProfile(name.to_owned(), names.join(", ")))
    }

    /// Reads a profile from TOML; `file` names it in errors.
    ///
    /// # Errors
    /// [`PlanError::Toml`] with the line, or the range of the value that is out of it.
    pub fn parse(file: &str, text: &str) -> Result<Self, PlanError> {
        let profile: Self = toml::from_str(text).map_err(|e| toml_error(file, text, &e))?;
        profile.validate().map_err(|e| match e {
            PlanError::Range { name, .. } => PlanError::Toml {
                file: file.to_owned(),
                line: text.lines().position(|l| l.trim_start().starts_with(name)).map_or(1, |n| n + 1),
                message: e.to_string(),
            },
            other => other,
        })?;
        Ok(profile)
    }

    /// The profile as TOML, to start from.
    pub fn to_toml(&self) -> String {
        // Every field is a plain value or a list of them, which TOML can always hold.
        toml::to_string(self).unwrap_or_default()
    }

    /// Checks every value's range.
    ///
    /// # Errors
    /// The first value out of range.
    pub fn validate(&self) -> Result<(), PlanError> {
        if self.sizes_bytes.is_empty() || self.sizes_bytes.len() > 64 {
            return Err(PlanError::range("sizes_bytes", self.sizes_bytes.len(), "1 to 64 sizes"));
        }
        if let Some(size) = self.sizes_bytes.iter().find(|s| !(SIZE_MIN..=SIZE_MAX).contains(*s)) {
            return Err(PlanError::range("sizes_bytes", size, format!("{SIZE_MIN} to {SIZE_MAX} bytes with FCS")));
        }
        if self.patterns.is_empty() || self.patterns.len() > 64 {
            return Err(PlanError::range("patterns", self.patterns.len(), "1 to 64 patterns"));
        }
        for (name, ratio) in [("target_ber", self.target_ber), ("serial_target_ber", self.serial_target_ber)] {
            if !(ratio > 0.0 && ratio <= 0.1) {
                return Err(PlanError::range(name, ratio, "over 0 and up to 0.1"));
            }
        }
        if !(self.confidence >= 0.5 && self.confidence < 1.0) {
            return Err(PlanError::range("confidence", self.confidence, "0.5 up to, but not, 1"));
        }
        if self.latency_probes > 10_000 {
            return Err(PlanError::range("latency_probes", self.latency_probes, "0 to 10000"));
        }
        Ok(())
    }
}

/// Smallest frame with FCS (RFC 2544 9.1).
pub const SIZE_MIN: u32 = (FRAME_BYTES_MIN + FCS_BYTES) as u32;
/// Largest frame with FCS that the probe format and the pattern window can hold.
pub const SIZE_MAX: u32 = 65_535;

/// A TOML error with its line.
fn toml_error(file: &str, text: &str, error: &toml::de::Error) -> PlanError {
    let (line, message) = toml_fault(text, error);
    PlanError::Toml { file: file.to_owned(), line, message }
}

/// One step: one size with one pattern.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// Frame size with FCS, bytes.
    pub size_bytes: u32,
    /// What fills the probes.
    pub pattern: Pattern,
    /// How long it sends.
    pub time: Duration,
    /// How fast.
    pub rate: Rate,
}

impl Profile {
    /// The steps of one pass of this profile.
    pub fn steps(&self) -> Vec<Step> {
        self.sizes_bytes
            .iter()
            .flat_map(|size| {
                self.patterns.iter().map(|pattern| Step {
                    size_bytes: *size,
                    pattern: pattern.clone(),
                    time: self.time,
                    rate: self.rate,
                })
            })
            .collect()
    }

    /// Leaves out sizes the port cannot take; tells which.
    ///
    /// # Errors
    /// When none would be left.
    pub fn fit(&mut self, frame_bytes_max: usize) -> Result<Vec<u32>, PlanError> {
        let most = (frame_bytes_max + FCS_BYTES) as u32;
        let (fits, left_out): (Vec<u32>, Vec<u32>) = self.sizes_bytes.iter().partition(|s| **s <= most);
        if fits.is_empty() {
            return Err(PlanError::range(
                "sizes_bytes",
                left_out[0],
                format!("this port takes up to {most} bytes with FCS"),
            ));
        }
        self.sizes_bytes = fits;
        Ok(left_out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn line_rates_are_those_of_rfc_5180() {
        // RFC 5180 A.1, truncated.
        for (size, bps, fps) in [
            (64, 1_000_000_000, 1_488_095),
            (1518, 1_000_000_000, 81_274),
            (64, 10_000_000, 14_880),
            (1280, 100_000_000, 9_615),
            (1522, 10_000_000_000, 810_635),
        ] {
            assert_eq!(line_rate(size, bps) as u64, fps);
        }
    }

    #[test]
    fn builtin_profiles_are_valid_and_round_trip() {
        for profile in Profile::builtin() {
            profile.validate().unwrap();
            assert_eq!(Profile::parse("p.toml", &profile.to_toml()).unwrap(), profile);
        }
    }

    #[test]
    fn a_profile_file_without_the_key_tries_other_speeds() {
        let standard = Profile::named("standard").unwrap();
        let text = standard.to_toml().replace("serial_sweep = true\n", "");
        assert!(!text.contains("serial_sweep"), "{text}");
        assert_eq!(Profile::parse("p.toml", &text).unwrap(), standard);
    }

    #[test]
    fn a_bad_profile_names_file_line_and_what_is_allowed() {
        let good = Profile::named("quick").unwrap().to_toml();
        let e =
            Profile::parse("p.toml", &good.replace("kind = \"steps\"", "kind = \"marathon\"")).unwrap_err().to_string();
        assert!(e.starts_with("p.toml:3:") && e.contains("rate-search"), "{e}");
        let e =
            Profile::parse("p.toml", &good.replace("confidence = 0.95", "confidence = 1.5")).unwrap_err().to_string();
        assert!(e.contains("confidence 1.5") && e.contains("up to"), "{e}");
        let e = Profile::parse("p.toml", &format!("speling = 1\n{good}")).unwrap_err().to_string();
        assert!(e.starts_with("p.toml:1:") && e.contains("speling"), "{e}");
        let e = Profile::named("nosuch").unwrap_err().to_string();
        assert!(e.contains("quick, standard, proof, soak"), "{e}");
    }

    #[test]
    fn rates_and_times_parse_and_say_what_they_want() {
        assert_eq!("10%".parse(), Ok(Rate::Share(0.1)));
        assert_eq!("3000".parse(), Ok(Rate::PerSecond(3000.0)));
        assert!("0%".parse::<Rate>().is_err() && "101%".parse::<Rate>().is_err() && "x".parse::<Rate>().is_err());
        assert_eq!(parse_duration("4s"), Ok(Duration::from_secs(4)));
        assert_eq!(parse_duration("1h"), Ok(Duration::from_secs(3600)));
        assert!(parse_duration("4").is_err() && parse_duration("-1s").is_err() && parse_duration("inf s").is_err());
        for text in ["500ms", "1.5s", "90s", "2h"] {
            let d = parse_duration(text).unwrap();
            assert_eq!(parse_duration(&print_duration(d)), Ok(d));
        }
    }

    #[test]
    fn sizes_over_the_port_are_left_out_and_named() {
        let mut p = Profile::named("quick").unwrap();
        p.sizes_bytes = vec![64, 9018];
        assert_eq!(p.fit(1514), Ok(vec![9018]));
        p.sizes_bytes = vec![9018];
        assert!(p.fit(1514).is_err());
    }
}
