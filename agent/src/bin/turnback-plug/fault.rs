//! The faults that a plug makes, as options of both modes. Arguments and commands are read in the same way.

use std::fmt;
use std::str::FromStr;

use clap::Args;
use serde::{Serialize, Serializer};

use crate::bits::Burst;

/// What a frame plug does to probes. All ratios are per probe, in `0.0..=1.0`.
///
/// At most one of `drop`, `duplicate`, `swap`, `truncate` and `lengthen` happens to a probe, so that a tester's counts
/// can be compared with the plug's. Their ratios sum to 1 at most.
#[derive(Args, Clone, Debug, PartialEq, Serialize)]
#[command(next_help_heading = "Faults (also `set NAME VALUE` while it runs)")]
pub struct FrameFaults {
    /// Share of probes that vanish
    #[arg(long, value_name = "RATIO", default_value = "0", value_parser = ratio)]
    pub drop: f64,
    /// Share of probes that come back twice, with the same content
    #[arg(long, value_name = "RATIO", default_value = "0", value_parser = ratio)]
    pub duplicate: f64,
    /// Share of probes that come back after the next one
    #[arg(long, value_name = "RATIO", default_value = "0", value_parser = ratio)]
    pub swap: f64,
    /// Share of probes that lose 1 or more bytes at their end
    #[arg(long, value_name = "RATIO", default_value = "0", value_parser = ratio)]
    pub truncate: f64,
    /// Least length of a truncated frame, in bytes without the check sequence; shorter frames stay whole
    #[arg(long, value_name = "BYTES", default_value_t = 60, value_parser = clap::value_parser!(u16).range(14..))]
    pub truncate_min: u16,
    /// Share of probes that gain 1 or more random bytes at their end
    #[arg(long, value_name = "RATIO", default_value = "0", value_parser = ratio)]
    pub lengthen: f64,
    /// Most bytes that a lengthened frame gains
    #[arg(long, value_name = "BYTES", default_value_t = 16, value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub lengthen_max: u16,
    /// Bit error ratio, over all bits of a probe after the spared bytes
    #[arg(long, value_name = "RATIO", default_value = "0", value_parser = ratio)]
    pub flip_ratio: f64,
    /// Bursts of bit errors: probability per bit of entering and of leaving the bad state, and its bit error ratio
    #[arg(long, value_name = "ENTER:LEAVE:RATIO")]
    pub burst: Option<Burst>,
    /// First bytes of a probe that are never damaged; 14 spares the Ethernet header
    #[arg(long, value_name = "BYTES", default_value_t = 0, alias = "flip-payload-only")]
    pub spare_bytes: u16,
    /// One bit of every byte held at 0 or 1, after the Ethernet header and the spared bytes. Bit 0 is the lowest
    #[arg(long, value_name = "BIT:LEVEL")]
    pub stuck_bit: Option<StuckBit>,
    /// Invert every bit after the Ethernet header and the spared bytes, as a pair with crossed wires does
    #[arg(long)]
    pub invert: bool,
    /// Constant delay, in microseconds
    #[arg(long, value_name = "US", default_value_t = 0, value_parser = clap::value_parser!(u32).range(..=10_000_000))]
    pub delay_us: u32,
    /// Most additional delay, in microseconds. It is drawn evenly from 0 to this, and never changes the order
    #[arg(long, value_name = "US", default_value_t = 0, value_parser = clap::value_parser!(u32).range(..=10_000_000))]
    pub jitter_us: u32,
    /// An outage: from probe START on (counted from 0), COUNT probes vanish
    #[arg(long, value_name = "START:COUNT")]
    pub outage: Option<Outage>,
    /// Drop frames that are not probes
    #[arg(long)]
    pub drop_other: bool,
}

/// What a byte plug does to a serial line. All ratios are per byte, in `0.0..=1.0`, except the bit error ratio.
#[derive(Args, Clone, Debug, PartialEq, Serialize)]
#[command(next_help_heading = "Faults (also `set NAME VALUE` while it runs)")]
pub struct ByteFaults {
    /// Probability at each byte that a loss begins there
    #[arg(long, value_name = "RATIO", default_value = "0", value_parser = ratio)]
    pub drop: f64,
    /// Bytes in a row that one loss takes
    #[arg(long, value_name = "BYTES", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..))]
    pub drop_run: u32,
    /// Probability at each byte that a random byte comes before it
    #[arg(long, value_name = "RATIO", default_value = "0", value_parser = ratio)]
    pub insert: f64,
    /// Bit error ratio
    #[arg(long, value_name = "RATIO", default_value = "0", value_parser = ratio)]
    pub flip_ratio: f64,
    /// Bursts of bit errors: probability per bit of entering and of leaving the bad state, and its bit error ratio
    #[arg(long, value_name = "ENTER:LEAVE:RATIO")]
    pub burst: Option<Burst>,
    /// Constant delay, in microseconds
    #[arg(long, value_name = "US", default_value_t = 0, value_parser = clap::value_parser!(u32).range(..=10_000_000))]
    pub delay_us: u32,
    /// An outage: from byte START on (counted from 0), COUNT bytes vanish
    #[arg(long, value_name = "START:COUNT")]
    pub outage: Option<Outage>,
}

/// Faults that can be changed while the plug runs.
pub trait Adjustable: Sized + Clone {
    /// Sets one fault by the name of its option, without the dashes.
    ///
    /// # Errors
    /// An unknown name or a value outside what the option allows.
    fn assign(&mut self, name: &str, value: &str) -> Result<(), FaultError>;

    /// Checks how the faults fit together.
    ///
    /// # Errors
    /// Ratios that sum to more than 1.
    fn validate(&self) -> Result<(), FaultError>;

    /// Sets one fault if the result fits together, and changes nothing otherwise.
    ///
    /// # Errors
    /// Those of [`Self::assign`] and [`Self::validate`].
    fn set(&mut self, name: &str, value: &str) -> Result<(), FaultError> {
        let mut changed = self.clone();
        changed.assign(name, value)?;
        changed.validate()?;
        *self = changed;
        Ok(())
    }
}

impl Adjustable for FrameFaults {
    fn assign(&mut self, name: &str, value: &str) -> Result<(), FaultError> {
        match name {
            "drop" => self.drop = ratio(value)?,
            "duplicate" => self.duplicate = ratio(value)?,
            "swap" => self.swap = ratio(value)?,
            "truncate" => self.truncate = ratio(value)?,
            "truncate-min" => self.truncate_min = whole(name, value, 14, u16::MAX.into())? as u16,
            "lengthen" => self.lengthen = ratio(value)?,
            "lengthen-max" => self.lengthen_max = whole(name, value, 1, 1024)? as u16,
            "flip-ratio" => self.flip_ratio = ratio(value)?,
            "burst" => self.burst = unless_off(value)?,
            "spare-bytes" => self.spare_bytes = whole(name, value, 0, u16::MAX.into())? as u16,
            "stuck-bit" => self.stuck_bit = unless_off(value)?,
            "invert" => self.invert = switch(name, value)?,
            "delay-us" => self.delay_us = whole(name, value, 0, 10_000_000)?,
            "jitter-us" => self.jitter_us = whole(name, value, 0, 10_000_000)?,
            "outage" => self.outage = unless_off(value)?,
            "drop-other" => self.drop_other = switch(name, value)?,
            _ => return Err(FaultError::Name { given: name.to_owned() }),
        }
        Ok(())
    }

    fn validate(&self) -> Result<(), FaultError> {
        at_most_one(self.drop + self.duplicate + self.swap + self.truncate + self.lengthen)
    }
}

impl Adjustable for ByteFaults {
    fn assign(&mut self, name: &str, value: &str) -> Result<(), FaultError> {
        match name {
            "drop" => self.drop = ratio(value)?,
            "drop-run" => self.drop_run = whole(name, value, 1, u32::MAX)?,
            "insert" => self.insert = ratio(value)?,
            "flip-ratio" => self.flip_ratio = ratio(value)?,
            "burst" => self.burst = unless_off(value)?,
            "delay-us" => self.delay_us = whole(name, value, 0, 10_000_000)?,
            "outage" => self.outage = unless_off(value)?,
            _ => return Err(FaultError::Name { given: name.to_owned() }),
        }
        Ok(())
    }

    fn validate(&self) -> Result<(), FaultError> {
        at_most_one(self.drop + self.insert)
    }
}

/// One bit of every byte held at one level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StuckBit {
    /// Position in the byte, 0 the least significant, at most 7.
    pub bit: u8,
    /// True for 1.
    pub high: bool,
}

impl StuckBit {
    /// The byte as it leaves the plug.
    pub fn apply(self, byte: u8) -> u8 {
        if self.high { byte | 1 << self.bit } else { byte & !(1 << self.bit) }
    }
}

impl FromStr for StuckBit {
    type Err = FaultError;

    fn from_str(text: &str) -> Result<Self, FaultError> {
        let error = || FaultError::StuckBit { given: text.to_owned() };
        let (bit, level) = text.split_once(':').ok_or_else(error)?;
        let bit = bit.parse().ok().filter(|bit| *bit < 8).ok_or_else(error)?;
        match level {
            "0" => Ok(Self { bit, high: false }),
            "1" => Ok(Self { bit, high: true }),
            _ => Err(error()),
        }
    }
}

impl fmt::Display for StuckBit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.bit, u8::from(self.high))
    }
}

impl Serialize for StuckBit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// An outage, in probes or bytes since the plug began.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outage {
    /// The first that vanishes, counted from 0.
    pub start: u64,
    /// How many vanish.
    pub count: u64,
}

impl Outage {
    /// Whether number `index` vanishes.
    pub fn covers(self, index: u64) -> bool {
        index >= self.start && index - self.start < self.count
    }
}

impl FromStr for Outage {
    type Err = FaultError;

    fn from_str(text: &str) -> Result<Self, FaultError> {
        let numbers = text.split_once(':').and_then(|(start, count)| Some((start.parse().ok()?, count.parse().ok()?)));
        let (start, count) = numbers.ok_or_else(|| FaultError::Outage { given: text.to_owned() })?;
        Ok(Self { start, count })
    }
}

impl fmt::Display for Outage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.start, self.count)
    }
}

impl Serialize for Outage {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// Reads a fraction from 0 to 1.
///
/// # Errors
/// Anything else, "nan" included.
pub fn ratio(text: &str) -> Result<f64, FaultError> {
    let value = text.parse().ok().filter(|value| (0.0..=1.0).contains(value));
    value.ok_or_else(|| FaultError::Ratio { given: text.to_owned() })
}

fn whole(name: &str, text: &str, min: u32, max: u32) -> Result<u32, FaultError> {
    let value = text.parse().ok().filter(|value| (min..=max).contains(value));
    value.ok_or_else(|| FaultError::Whole { name: name.to_owned(), given: text.to_owned(), min, max })
}

fn switch(name: &str, text: &str) -> Result<bool, FaultError> {
    match text {
        "on" => Ok(true),
        "off" => Ok(false),
        _ => Err(FaultError::Switch { name: name.to_owned(), given: text.to_owned() }),
    }
}

fn unless_off<T: FromStr<Err = FaultError>>(text: &str) -> Result<Option<T>, FaultError> {
    if text == "off" { Ok(None) } else { text.parse().map(Some) }
}

fn at_most_one(sum: f64) -> Result<(), FaultError> {
    // Ten tenths sum to a little more than one.
    if sum <= 1.0 + 1e-9 { Ok(()) } else { Err(FaultError::Sum { sum }) }
}

/// Why a fault cannot be set.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[allow(missing_docs, reason = "the fields are what was given and what is allowed, as the text says")]
pub enum FaultError {
    #[error("unknown fault \"{given}\"; --help lists them")]
    Name { given: String },
    #[error("ratio \"{given}\" is not a number from 0 to 1")]
    Ratio { given: String },
    #[error("{name} \"{given}\" is not a whole number from {min} to {max}")]
    Whole { name: String, given: String, min: u32, max: u32 },
    #[error("{name} \"{given}\" is neither on nor off")]
    Switch { name: String, given: String },
    #[error("burst \"{given}\" is not ENTER:LEAVE:RATIO, three numbers from 0 to 1, the first two above 0")]
    Burst { given: String },
    #[error("stuck bit \"{given}\" is not BIT:LEVEL, a bit from 0 to 7 and a level 0 or 1")]
    StuckBit { given: String },
    #[error("outage \"{given}\" is not START:COUNT, two whole numbers")]
    Outage { given: String },
    #[error("the ratios of faults that exclude each other sum to {sum}; at most 1 is possible")]
    Sum { sum: f64 },
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;

    #[derive(Parser)]
    #[command(no_binary_name = true)]
    struct Frame {
        #[command(flatten)]
        faults: FrameFaults,
    }

    #[derive(Parser)]
    #[command(no_binary_name = true)]
    struct Byte {
        #[command(flatten)]
        faults: ByteFaults,
    }

    #[test]
    fn every_option_can_be_set_while_running_with_the_same_outcome() {
        let values = [
            ("drop", "0.1"),
            ("duplicate", "0.2"),
            ("swap", "0.3"),
            ("truncate", "0.05"),
            ("truncate-min", "70"),
            ("lengthen", "0.25"),
            ("lengthen-max", "9"),
            ("flip-ratio", "1e-6"),
            ("burst", "0.1:0.2:0.3"),
            ("spare-bytes", "14"),
            ("stuck-bit", "7:1"),
            ("delay-us", "10"),
            ("jitter-us", "11"),
            ("outage", "5:6"),
        ];
        let mut set = Frame::parse_from::<_, &str>([]).faults;
        let mut arguments = vec!["--invert".to_owned(), "--drop-other".to_owned()];
        for (name, value) in values {
            set.set(name, value).unwrap();
            arguments.extend([format!("--{name}"), value.to_owned()]);
        }
        set.set("invert", "on").unwrap();
        set.set("drop-other", "on").unwrap();
        assert_eq!(Frame::parse_from(arguments).faults, set);

        let values = [
            ("drop", "0.1"),
            ("drop-run", "3"),
            ("insert", "0.2"),
            ("flip-ratio", "0.3"),
            ("burst", "0.1:0.2:0.3"),
            ("delay-us", "10"),
            ("outage", "5:6"),
        ];
        let mut set = Byte::parse_from::<_, &str>([]).faults;
        for (name, value) in values {
            set.set(name, value).unwrap();
        }
        let arguments = values.iter().flat_map(|(name, value)| [format!("--{name}"), (*value).to_owned()]);
        assert_eq!(Byte::parse_from(arguments).faults, set);
    }

    #[test]
    fn a_refused_value_changes_nothing_and_names_what_is_allowed() {
        let mut faults = Frame::parse_from(["--drop", "0.5"]).faults;
        let before = faults.clone();
        for (name, value, hint) in [
            ("drop", "1.5", "from 0 to 1"),
            ("drop", "nan", "from 0 to 1"),
            ("swap", "0.6", "at most 1"),
            ("truncate-min", "13", "14 to 65535"),
            ("stuck-bit", "8:0", "0 to 7"),
            ("stuck-bit", "1:2", "level 0 or 1"),
            ("outage", "5", "START:COUNT"),
            ("invert", "yes", "on nor off"),
            ("colour", "red", "--help"),
        ] {
            let text = faults.set(name, value).unwrap_err().to_string();
            assert!(text.contains(hint), "{name} {value}: {text}");
            assert_eq!(faults, before);
        }
    }
}
