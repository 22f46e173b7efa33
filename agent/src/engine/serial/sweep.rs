//! Other speeds and other formats, a short stretch of each.

use turnback_core::{
    base::time::SECOND_NS,
    event::Event,
    kind::serial::{
        facts::FormatTrial,
        format::{LineFormat, Parity, StopBits},
    },
    signal::pattern::Pattern,
};

use super::{LineRun, WINDOW_MIN, exchange::Amount};
use crate::engine::ethernet::CheckError;

impl LineRun<'_> {
    /// Tries every speed and format, and goes back to the chosen one.
    pub(super) fn sweep(&mut self) -> Result<(), CheckError> {
        let chosen = self.format;
        for bits_per_second in SPEEDS {
            if let Some(trial) = self.try_twice(LineFormat { bits_per_second, ..chosen })? {
                self.gathered.speeds.push(trial);
            }
        }
        for (data_bits, parity, stop_bits) in FORMATS {
            let asked = LineFormat { data_bits, parity, stop_bits, ..chosen };
            if asked != chosen
                && let Some(trial) = self.try_twice(asked)?
            {
                self.gathered.formats.push(trial);
            }
        }
        self.line.configure(chosen)?;
        Ok(())
    }

    /// A trial that fails is made again, and the better one counts: a computer that was busy for a moment looks like a bad format.
    /// Where not all that is dropped here is counted, the second is made at the pace at which nothing is dropped, and counts.
    fn try_twice(&mut self, asked: LineFormat) -> Result<Option<FormatTrial>, CheckError> {
        let first = self.try_format(asked, false)?;
        match first {
            Some(failed) if failed.taken.is_some() && !failed.is_clean() => {
                let uncounted = self.line.capabilities().hides_overruns();
                let window = self.window;
                if uncounted {
                    self.window = WINDOW_MIN;
                }
                let again = self.try_format(asked, true);
                self.window = window;
                let failures = |trial: &FormatTrial| (trial.failures(), trial.counts.failed());
                let better =
                    |again: &FormatTrial| again.taken.is_some() && (uncounted || failures(again) < failures(&failed));
                Ok(again?.filter(better).or(first))
            }
            _ => Ok(first),
        }
    }

    fn try_format(&mut self, asked: LineFormat, again: bool) -> Result<Option<FormatTrial>, CheckError> {
        if self.must_stop() {
            return Ok(None);
        }
        let nothing = FormatTrial {
            asked,
            taken: None,
            counts: turnback_core::kind::serial::stream::LineCounts::default(),
            errors: None,
            share_of_line: None,
        };
        // A port that takes a format as quite another one offers this one no more than one that refuses.
        let near = |taken: &LineFormat| {
            let speeds = (taken.bits_per_second, asked.bits_per_second);
            speeds.0.abs_diff(speeds.1) <= speeds.1 / 20
                && LineFormat { bits_per_second: 1, ..*taken } == LineFormat { bits_per_second: 1, ..asked }
        };
        let Some(taken) = self.line.configure(asked)?.filter(near) else { return Ok(Some(nothing)) };
        (self.say)(Event::LineStepStarted { what: taken.to_string() });
        self.tell_changed(taken.to_string());
        let paced = self.line.capabilities().paced;
        let bytes = if paced { (taken.characters_per_second() / 4.0).clamp(256.0, 8192.0) } else { 8192.0 };
        let mut exchange = self.exchange(Pattern::Prbs31, taken)?;
        // A failure here may be blamed: not for want of patience.
        if again && taken.bits_per_second <= self.format.bits_per_second {
            exchange.expect_answers();
        }
        let until = self.line.now() + taken.characters_ns(bytes as u64) * 4 + 4 * SECOND_NS;
        let cancel = self.cancel;
        exchange.run(self.line, Amount { bytes: bytes as u64, until }, false, &mut |_, _| {
            cancel.is_cancelled().then_some(turnback_core::judge::facts::Stopped::ByUser)
        })?;
        let exchanged = exchange.finish(self.line)?;
        self.next_block = self.next_block.wrapping_add(exchanged.blocks);
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

/// Speeds of termios(3) from 1200 on, and some that it has no name for: 31250 (MIDI), 100000, 250000 (DMX512) (from memory).
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
