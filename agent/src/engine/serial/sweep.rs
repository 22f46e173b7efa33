//! Tries other speeds and other formats, a short stretch of each.

use turnback_core::{
    base::time::SECOND_NS,
    event::Event,
    kind::serial::{
        facts::FormatTrial,
        format::{LineFormat, Parity, StopBits},
        stream::LineCounts,
    },
    signal::pattern::Pattern,
};

use super::{SerialRun, WINDOW_MIN, exchange::Amount, measured::SerialMeasured};
use crate::engine::options::CheckError;

impl SerialRun<'_, '_> {
    /// Tries every speed and format, then sets the chosen one again.
    pub(super) fn sweep(&mut self, measured: &mut SerialMeasured) -> Result<(), CheckError> {
        let chosen = self.kind.format;
        for bits_per_second in SPEEDS {
            if let Some(trial) = self.try_twice(measured, LineFormat { bits_per_second, ..chosen })? {
                measured.speeds.push(trial);
            }
        }
        for (data_bits, parity, stop_bits) in FORMATS {
            let asked = LineFormat { data_bits, parity, stop_bits, ..chosen };
            if asked != chosen
                && let Some(trial) = self.try_twice(measured, asked)?
            {
                measured.formats.push(trial);
            }
        }
        self.kind.line.configure(chosen)?;
        Ok(())
    }

    /// Tries a format, and tries it again if it failed; the better result counts. A computer that was busy for a moment
    /// looks like a bad format. Where this side may drop bytes uncounted, the second try is made at the slowest pace,
    /// and counts.
    fn try_twice(
        &mut self,
        measured: &mut SerialMeasured,
        asked: LineFormat,
    ) -> Result<Option<FormatTrial>, CheckError> {
        let first = self.try_format(measured, asked, false)?;
        match first {
            Some(failed) if failed.taken.is_some() && !failed.is_clean() => {
                let uncounted = self.kind.line.capabilities().hides_overruns();
                let window = self.kind.window;
                if uncounted {
                    self.kind.window = WINDOW_MIN;
                }
                let again = self.try_format(measured, asked, true);
                self.kind.window = window;
                let failures = |trial: &FormatTrial| (trial.failures(), trial.counts.failed());
                let better =
                    |again: &FormatTrial| again.taken.is_some() && (uncounted || failures(again) < failures(&failed));
                Ok(again?.filter(better).or(first))
            }
            _ => Ok(first),
        }
    }

    fn try_format(
        &mut self,
        measured: &mut SerialMeasured,
        asked: LineFormat,
        again: bool,
    ) -> Result<Option<FormatTrial>, CheckError> {
        if self.must_stop(measured) {
            return Ok(None);
        }
        let nothing =
            FormatTrial { asked, taken: None, counts: LineCounts::default(), errors: None, share_of_line: None };
        // A port that sets quite another format does not offer this one, just like a port that refuses.
        let near = |taken: &LineFormat| {
            let speeds = (taken.bits_per_second, asked.bits_per_second);
            speeds.0.abs_diff(speeds.1) <= speeds.1 / 20
                && LineFormat { bits_per_second: 1, ..*taken } == LineFormat { bits_per_second: 1, ..asked }
        };
        let Some(taken) = self.kind.line.configure(asked)?.filter(near) else { return Ok(Some(nothing)) };
        (self.say)(Event::LineStepStarted { what: taken.to_string() });
        self.tell_changed(taken.to_string());
        let paced = self.kind.line.capabilities().paced;
        let (bytes, time_ns) = extent(taken, paced);
        let mut exchange = self.exchange(measured, Pattern::Prbs31, taken)?;
        // A failure here may be blamed, so it must not come from too little patience.
        if again && taken.bits_per_second <= self.kind.format.bits_per_second {
            exchange.expect_answers();
        }
        let until = self.kind.line.now() + time_ns;
        exchange.run(self.kind.line, Amount::of(bytes, until), false, &mut |_, _| {})?;
        let exchanged = exchange.finish(self.kind.line, &mut *self.say)?;
        self.note_end(measured, &exchanged);
        // A trial that was cut off says nothing of the format.
        if self.must_stop(measured) {
            return Ok(None);
        }
        let share_of_line =
            exchanged.characters_per_second.filter(|_| paced).map(|rate| rate / taken.characters_per_second());
        Ok(Some(FormatTrial {
            taken: Some(taken),
            counts: exchanged.tally.counts,
            errors: exchanged.errors,
            share_of_line,
            ..nothing
        }))
    }
}

/// Bytes sent at one speed or format, and the longest time for them in nanoseconds: four times what they need where
/// bytes take their time, and four seconds on top for a computer that is busy.
fn extent(format: LineFormat, paced: bool) -> (u64, u64) {
    if !paced {
        return (8192, 4 * SECOND_NS);
    }
    let bytes = (format.characters_per_second() / 4.0).clamp(256.0, 8192.0) as u64;
    (bytes, format.characters_ns(bytes) * 4 + 4 * SECOND_NS)
}

/// The longest time that a sweep around `chosen` plans, nanoseconds: each speed and format twice, at its own limit.
pub(super) fn longest_ns(chosen: LineFormat, paced: bool) -> u64 {
    let speeds = SPEEDS.map(|bits_per_second| LineFormat { bits_per_second, ..chosen });
    let formats = FORMATS.map(|(data_bits, parity, stop_bits)| LineFormat { data_bits, parity, stop_bits, ..chosen });
    speeds.into_iter().chain(formats).map(|format| 2 * extent(format, paced).1).sum()
}

/// Speeds of termios(3) from 1200 on, and some that it has no name for: 31250 (MIDI), 100000, 250000 (DMX512) (from
/// memory).
const SPEEDS: [u32; 20] = [
    1200, 2400, 4800, 9600, 19_200, 31_250, 38_400, 57_600, 100_000, 115_200, 230_400, 250_000, 460_800, 500_000,
    921_600, 1_000_000, 1_500_000, 2_000_000, 3_000_000, 4_000_000,
];

const FORMATS: [(u8, Parity, StopBits); 11] = [
    (8, Parity::None, StopBits::One),
    (8, Parity::Even, StopBits::One),
    (8, Parity::Odd, StopBits::One),
    (8, Parity::None, StopBits::Two),
    (8, Parity::Mark, StopBits::One),
    (8, Parity::Space, StopBits::One),
    (7, Parity::Even, StopBits::One),
    (7, Parity::Odd, StopBits::One),
    (7, Parity::None, StopBits::Two),
    (6, Parity::None, StopBits::One),
    (5, Parity::None, StopBits::Two),
];
