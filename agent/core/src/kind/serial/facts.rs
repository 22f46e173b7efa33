//! All facts of a run on a serial port, gathered before anything is concluded from them.

use serde::{Deserialize, Serialize};

use crate::judge::facts::{Common, Silence};
use crate::judge::ratio::ERRORS_MIN;
use crate::kind::serial::format::{LineCapabilities, LineErrors, LineFormat, ModemInputs, ModemOutputs};
use crate::kind::serial::plug::LinePlug;
use crate::kind::serial::probe::BLOCK_BYTES;
use crate::kind::serial::stream::LineCounts;
use crate::signal::when::When;

/// Modem lines as they were read while the port drove its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ModemReading {
    /// Driven.
    pub outputs: ModemOutputs,
    /// Read a little later.
    pub inputs: ModemInputs,
}

/// Whether clear to send stops and starts the sender.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FlowCheck {
    /// Bytes handed over with the line off.
    pub sent: u64,
    /// Of those, came back while it was still off, those included that this computer then lost by the port's own
    /// counts: they had been let go all the same.
    pub came_while_off: u64,
    /// Came back in all, once it was on, those lost here included.
    pub came_in_all: u64,
}

impl FlowCheck {
    /// The sender was held: what came was at most what a chip had begun with.
    pub fn stops(&self) -> bool {
        self.came_while_off * 2 < self.sent
    }

    /// The line lets the sender go: what was held came once it was on, as much of it as a chip with a store keeps when
    /// nobody fetches from it, or half of it. What is missing of it was lost, which is another matter than being held.
    pub fn starts(&self) -> bool {
        let held = self.sent.saturating_sub(self.came_while_off);
        let let_go = self.came_in_all.saturating_sub(self.came_while_off);
        held == 0 || let_go >= STORE_BYTES.min(held.div_ceil(2))
    }

    /// Bytes that never came, and that no count of this computer accounts for.
    pub fn missing(&self) -> u64 {
        self.sent.saturating_sub(self.came_in_all)
    }
}

/// What the smallest chip with a store holds (16550).
const STORE_BYTES: u64 = 16;

/// A short stretch at one speed or format.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FormatTrial {
    /// What was asked for.
    pub asked: LineFormat,
    /// What the port took; none: it does not offer this.
    pub taken: Option<LineFormat>,
    /// What came back.
    pub counts: LineCounts,
    /// Line errors meanwhile, where counted.
    pub errors: Option<LineErrors>,
    /// Share of the line's own limit that was reached; none where bytes do not take their time.
    pub share_of_line: Option<f64>,
}

impl FormatTrial {
    /// Something was sent, all of it came back, nothing else did, and no stop or parity bit was wrong.
    pub fn is_clean(&self) -> bool {
        self.counts.sent > 0 && self.counts.is_clean() && self.wrong() == 0
    }

    /// Bytes that came back with a wrong bit, or with a wrong stop or parity bit. Where the kernel marks the latter in
    /// their place each byte counts once; else the two counts may be of the same bytes, and the larger one stands.
    pub fn wrong(&self) -> u64 {
        let c = &self.counts;
        let characters = characters_in_error(self.errors, c);
        if c.marked > 0 { c.damaged + characters - c.damaged_marked } else { c.damaged.max(characters) }
    }

    /// Failures that are not this computer's.
    pub fn failures(&self) -> u64 {
        let c = &self.counts;
        let in_host = self.errors.unwrap_or_default().lost_in_host().min(c.lost);
        (c.lost - in_host).saturating_add(c.inserted).saturating_add(self.wrong())
    }
}

/// Highest speed without error of those tried, bits a second: one that fails stands below no faster one. What this
/// computer lost is no error, and no proof either.
pub fn highest_clean(speeds: &[FormatTrial]) -> Option<u32> {
    let taken = |trial: &FormatTrial| trial.taken.map(|taken| taken.bits_per_second);
    let failing = lowest_failing(speeds).unwrap_or(u32::MAX);
    speeds.iter().filter(|trial| trial.is_clean()).filter_map(taken).filter(|speed| *speed < failing).max()
}

/// Lowest speed of those tried that shows errors, bits a second.
pub fn lowest_failing(speeds: &[FormatTrial]) -> Option<u32> {
    let failing = speeds.iter().filter(|trial| trial.failures() > 0);
    failing.filter_map(|trial| trial.taken.map(|taken| taken.bits_per_second)).min()
}

/// All facts of a run on a serial port.
#[derive(Clone, Debug)]
pub struct SerialFacts {
    /// What every kind of port has.
    pub common: Common,
    /// What the port can show and do.
    pub capabilities: LineCapabilities,
    /// The plug that is said to be fitted; [`LinePlug::Internal`] in a run inside the chip.
    pub plug: LinePlug,
    /// Format of the data steps, as taken.
    pub format: LineFormat,
    /// Bytes heard before anything was sent.
    pub foreign: u64,
    /// Byte counts of the data steps.
    pub counts: LineCounts,
    /// Line errors of the data steps, where counted.
    pub errors: Option<LineErrors>,
    /// Byte counts since fewer were let out at once for the last time; nothing where that never was. Bytes are missing
    /// there only at the slowest pace, since else still fewer would have been let out.
    pub since_slowed: LineCounts,
    /// Bytes that this computer's counts say it lost with as few out at once as there can be: more than a busy computer
    /// explains, since the chip itself holds as many.
    pub lost_at_slowest: u64,
    /// Modem lines, over all states of the outputs; empty where there are none.
    pub modem: Vec<ModemReading>,
    /// Whether hardware flow control works, where tried.
    pub flow: Option<FlowCheck>,
    /// Whether a break came round, where tried and where it would be seen.
    pub break_returned: Option<bool>,
    /// Other speeds.
    pub speeds: Vec<FormatTrial>,
    /// Other formats at the chosen speed.
    pub formats: Vec<FormatTrial>,
    /// From when on nothing that was sent came back; none where something did to the end, or never did.
    pub silence: Option<Silence>,
    /// When it failed; what this computer lost is left out.
    pub when: When,
}

impl SerialFacts {
    /// Lost bytes that this computer's own counts account for.
    pub fn lost_in_host(&self) -> u64 {
        self.errors.unwrap_or_default().lost_in_host().min(self.counts.lost)
    }

    /// Lost bytes that no count of this computer accounts for: they stand in the way of a pass.
    pub fn lost_unexplained(&self) -> u64 {
        self.counts.lost - self.lost_in_host()
    }

    /// The counts by which losses are put on the line. Where all that is dropped here is counted, those of the whole
    /// run without it; where it is not, those of the slowest pace, at which there is nothing to drop. Where nothing
    /// comes back at all, no pace explains it.
    pub fn put_on_line(&self) -> LineCounts {
        if self.capabilities.hides_overruns() && self.counts.returned > 0 {
            LineCounts { lost: self.since_slowed.lost.saturating_sub(self.lost_at_slowest), ..self.since_slowed }
        } else {
            LineCounts { lost: self.lost_unexplained(), ..self.counts }
        }
    }

    /// Lost bytes that are not put on the line: this computer counted them, or may have lost them uncounted.
    pub fn lost_on_this_side(&self) -> u64 {
        self.counts.lost.saturating_sub(self.put_on_line().lost)
    }

    /// Blocks of the stream that failures are held against. Bytes that this computer may have dropped uncounted say
    /// nothing of the line: where some are missing and nothing else is wrong, only those of the slowest pace count.
    pub fn blocks_tried(&self) -> u64 {
        let all = &self.counts;
        let only_lost = all.lost > 0 && all.pieces_damaged + all.inserted + self.characters_in_error() == 0;
        let sent = if only_lost { self.put_on_line().sent } else { all.sent };
        sent.div_ceil(BLOCK_BYTES as u64)
    }

    /// Pieces that failed on the way, at most one in each block of [`Self::blocks_tried`]: damaged, slipped by what is
    /// put on the line, or holding a character that came in with an error. At a slow pace pieces are short, so runs at
    /// different paces are compared by blocks.
    pub fn blocks_failed(&self) -> u64 {
        let (all, line) = (&self.counts, self.put_on_line());
        let slipped = match (all.inserted, line.lost) {
            (0, 0) => 0,
            (0, _) => line.pieces_slipped,
            _ => all.pieces_slipped,
        };
        all.pieces_damaged.saturating_add(slipped).max(self.characters_in_error()).min(self.blocks_tried())
    }

    /// Characters that the chip found wrong by their stop or parity bit.
    pub fn characters_in_error(&self) -> u64 {
        characters_in_error(self.errors, &self.counts)
    }

    /// The line reads as a break though none was sent, time and again, and next to no block comes back whole: it rests
    /// at the wrong level.
    pub fn rests_at_break(&self) -> bool {
        let breaks = self.errors.unwrap_or_default().breaks;
        let (tried, failed) = (self.blocks_tried(), self.blocks_failed());
        breaks >= ERRORS_MIN && tried > 0 && failed.saturating_mul(10) >= tried.saturating_mul(9)
    }

    /// Bits of one character, its start, parity and stop bits included.
    pub fn character_bits(&self) -> f64 {
        f64::from(self.format.half_bits_per_character()) / 2.0
    }

    /// Bits of an average piece, for events that are counted by pieces; 1 or more.
    pub fn piece_bits(&self) -> f64 {
        (self.counts.bits_compared as f64 / self.counts.pieces.max(1) as f64).max(1.0)
    }

    /// What a plug on a serial line cannot show, whatever the result (common practice, no source; the clock is
    /// computed: both directions share it).
    pub fn cannot_show(&self) -> Vec<String> {
        let mut list = vec![
            "a wrong speed or clock: what is sent and what is received run from the same clock, so both are wrong alike"
                .to_owned(),
            "levels: over a plug's short path a weak line driver still reaches".to_owned(),
            "slew: edges too slow or too steep for a long cable look right on a plug".to_owned(),
        ];
        if !self.capabilities.modem_lines {
            list.push("modem lines: this port has none, or its driver does not show them".to_owned());
        }
        if !self.capabilities.counts_errors {
            list.push("framing, parity and overrun counts: this port's driver keeps none".to_owned());
        }
        if !self.capabilities.paced {
            list.push("anything about a line: bytes do not take their time here, so there is none".to_owned());
        }
        list
    }
}

fn characters_in_error(errors: Option<LineErrors>, counts: &LineCounts) -> u64 {
    let errors = errors.unwrap_or_default();
    errors.framing.saturating_add(errors.parity).max(counts.marked)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 256 bytes, all back; so many with wrong data, with a wrong parity bit by the driver's count, marked, and marked
    /// with wrong data.
    fn trial(bits_per_second: u32, [damaged, parity, marked, damaged_marked]: [u64; 4]) -> FormatTrial {
        let format = LineFormat { bits_per_second, ..LineFormat::default() };
        FormatTrial {
            asked: format,
            taken: Some(format),
            counts: LineCounts { sent: 256, returned: 256, damaged, marked, damaged_marked, ..LineCounts::default() },
            errors: Some(LineErrors { parity, ..LineErrors::default() }),
            share_of_line: None,
        }
    }

    #[test]
    fn a_wrong_parity_bit_is_an_error_though_the_data_are_right() {
        // Counts of damaged, parity, marked, both; and of bytes that are wrong in either way (computed by hand).
        let table = [
            ([0, 0, 0, 0], 0),
            ([0, 3, 3, 0], 3),
            ([0, 3, 0, 0], 3),
            ([2, 3, 3, 1], 4),
            // Not marked: the three may be the two and one more.
            ([2, 3, 0, 0], 3),
            ([2, 0, 0, 0], 2),
            // One, marked, and with right data.
            ([2, 1, 1, 0], 3),
        ];
        for (counts, wrong) in table {
            let trial = trial(9600, counts);
            assert_eq!((trial.wrong(), trial.failures(), trial.is_clean()), (wrong, wrong, wrong == 0), "{counts:?}");
        }
    }

    #[test]
    fn what_this_computer_lost_is_no_failure_and_not_clean() {
        let mut lossy = trial(9600, [0; 4]);
        (lossy.counts.returned, lossy.counts.lost) = (250, 6);
        lossy.errors = Some(LineErrors { overrun: 6, ..LineErrors::default() });
        assert_eq!((lossy.failures(), lossy.is_clean()), (0, false));
        // Nobody counts: all of it is a failure.
        lossy.errors = None;
        assert_eq!(lossy.failures(), 6);
        let of = |sent| FormatTrial {
            counts: LineCounts { sent, returned: sent, ..LineCounts::default() },
            ..trial(9600, [0; 4])
        };
        assert!(!of(0).is_clean() && of(1).is_clean(), "of nothing nothing is known");
    }

    /// Half of what was sent came while it was off, and of what was held half came at last, or what a chip with a store
    /// keeps: one below, and at it.
    #[test]
    fn clear_to_send_holds_and_releases_the_sender() {
        for (sent, came_while_off, came_in_all, stops, starts) in [
            (512, 255, 512, true, true),
            (512, 256, 512, false, true),
            (512, 16, 32, true, true),
            (512, 16, 31, true, false),
            (26, 16, 21, false, true),
            (26, 16, 20, false, false),
            (17, 16, 16, false, false),
            (16, 16, 16, false, true),
        ] {
            let check = FlowCheck { sent, came_while_off, came_in_all };
            assert_eq!((check.stops(), check.starts()), (stops, starts), "{check:?}");
        }
    }

    /// Breaks that nobody sent, and nine blocks of ten that fail: three breaks, not two; nine blocks, not eight.
    #[test]
    fn a_line_at_the_wrong_level_reads_as_a_break() {
        let rests = |breaks, sent, pieces_damaged| {
            let mut facts = crate::kind::serial::rules::fixture::good();
            facts.errors = Some(LineErrors { breaks, ..LineErrors::default() });
            facts.counts = LineCounts { sent, returned: sent, pieces_damaged, ..LineCounts::default() };
            facts.rests_at_break()
        };
        assert!(rests(ERRORS_MIN, 2560, 9) && !rests(ERRORS_MIN, 2560, 8) && !rests(ERRORS_MIN - 1, 2560, 9));
        assert!(rests(ERRORS_MIN, 25_600, 90) && !rests(ERRORS_MIN, 25_600, 89));
        assert!(rests(ERRORS_MIN, 200, 1) && !rests(ERRORS_MIN, 0, 0), "nothing was tried");
        let mut uncounted = crate::kind::serial::rules::fixture::good();
        uncounted.errors = None;
        assert!(!uncounted.rests_at_break());
        uncounted.counts.lost = 5;
        assert_eq!(uncounted.lost_in_host(), 0);
    }

    /// A start bit, eight data bits and a stop bit; and blocks of 2000 bits, or the one that is not complete.
    #[test]
    fn characters_and_pieces_have_their_bits() {
        let mut facts = crate::kind::serial::rules::fixture::good();
        assert_eq!((facts.character_bits(), facts.piece_bits()), (10.0, 2000.0));
        let mut bits = |bits_compared, pieces| {
            (facts.counts.bits_compared, facts.counts.pieces) = (bits_compared, pieces);
            facts.piece_bits()
        };
        assert_eq!((bits(16, 1), bits(16, 0), bits(0, 0)), (16.0, 16.0, 1.0));
    }

    /// What a pass says nothing of; and what this port in particular does not show.
    #[test]
    fn what_a_plug_cannot_show_depends_on_the_port() {
        let beyond = |modem_lines, counts_errors, paced| {
            let mut facts = crate::kind::serial::rules::fixture::good();
            facts.capabilities = LineCapabilities { modem_lines, counts_errors, paced, ..facts.capabilities };
            let list = facts.cannot_show();
            assert!(["a wrong speed", "levels", "slew"].iter().zip(&list).all(|(word, told)| told.starts_with(word)));
            list[3..].iter().map(|told| told.split(' ').next().unwrap().to_owned()).collect::<Vec<_>>()
        };
        assert!(beyond(true, true, true).is_empty());
        assert_eq!(beyond(false, true, true), ["modem"]);
        assert_eq!(beyond(true, false, true), ["framing,"]);
        assert_eq!(beyond(true, true, false), ["anything"]);
    }

    /// Losses that this computer may have dropped uncounted say nothing of the line; anything else wrong does.
    #[test]
    fn blocks_are_those_of_the_slowest_pace_only_where_all_else_is_right() {
        let of = |lost, pieces_damaged, inserted, framing| {
            let mut facts = crate::kind::serial::rules::fixture::good();
            facts.capabilities.counts_all_overruns = false;
            facts.errors = Some(LineErrors { framing, ..LineErrors::default() });
            facts.counts = LineCounts {
                sent: 4096,
                returned: 4096 - lost,
                lost,
                pieces_damaged,
                inserted,
                pieces_slipped: 20,
                ..LineCounts::default()
            };
            facts.since_slowed = LineCounts { sent: 1024, ..LineCounts::default() };
            (facts.blocks_tried(), facts.blocks_failed())
        };
        // Nothing missing: the whole run, whatever slipped and was put right.
        assert_eq!(of(0, 0, 0, 0), (16, 0));
        assert_eq!(of(1, 0, 0, 0), (4, 0));
        assert_eq!(of(1, 2, 2, 0), (16, 16));
        assert_eq!(of(1, 0, 3, 3), (16, 16));
        assert_eq!(of(1, 0, 3, 0), (16, 16));
        assert_eq!(of(1, 2, 0, 0), (16, 2));
        assert_eq!(of(0, 0, 1, 0), (16, 16));
        // Where nothing at all comes back no pace explains it.
        let mut facts = crate::kind::serial::rules::fixture::good();
        facts.capabilities.counts_all_overruns = false;
        facts.counts = LineCounts { sent: 4096, lost: 4096, ..LineCounts::default() };
        assert_eq!(facts.put_on_line().lost, 4096);
        (facts.counts.lost, facts.counts.returned) = (4095, 1);
        assert_eq!(facts.put_on_line().lost, 0);
        // Slipped by what this computer lost with as few out as there can be: not of the line.
        facts.since_slowed = LineCounts { sent: 1024, lost: 3, pieces_slipped: 3, ..LineCounts::default() };
        facts.lost_at_slowest = 3;
        assert_eq!((facts.blocks_tried(), facts.blocks_failed()), (4, 0));
    }

    /// Sixteen blocks, of which a busy computer lost some of; the rest of the run went at the slowest pace.
    #[test]
    fn runs_at_any_pace_are_compared_by_blocks() {
        // Sent, lost and pieces slipped at the slowest pace; pieces damaged in all; blocks tried and failed.
        let table = [
            ((1024, 0, 0), 0, (4, 0)),
            ((1024, 3, 3), 0, (4, 3)),
            ((1024, 9, 9), 0, (4, 4)),
            ((1025, 3, 3), 0, (5, 3)),
            // What is damaged is so at any pace.
            ((1024, 0, 0), 2, (16, 2)),
            ((1024, 3, 3), 2, (16, 5)),
            ((1024, 0, 0), 40, (16, 16)),
            // No slow pace was come to: nothing is known.
            ((0, 0, 0), 0, (0, 0)),
        ];
        for ((sent, lost, pieces_slipped), pieces_damaged, expected) in table {
            let mut facts = crate::kind::serial::rules::fixture::good();
            facts.capabilities.counts_all_overruns = false;
            facts.counts = LineCounts {
                sent: 4096,
                returned: 3996,
                lost: 100,
                pieces: 500,
                pieces_damaged,
                pieces_slipped: 50,
                ..facts.counts
            };
            facts.since_slowed = LineCounts { sent, lost, pieces_slipped, ..LineCounts::default() };
            assert_eq!((facts.blocks_tried(), facts.blocks_failed()), expected, "{sent} {lost} {pieces_damaged}");
        }
        // Where nothing is missing, or every loss here is counted, the whole run counts.
        let mut facts = crate::kind::serial::rules::fixture::good();
        assert_eq!((facts.blocks_tried(), facts.blocks_failed()), (1_000_000 / 256 + 1, 0));
        (facts.counts.lost, facts.counts.pieces_slipped) = (5, 4);
        assert_eq!((facts.blocks_tried(), facts.blocks_failed()), (1_000_000 / 256 + 1, 4));
    }

    #[test]
    fn a_clean_speed_above_one_that_fails_is_chance() {
        let clean = |speed| trial(speed, [0; 4]);
        let speeds = [clean(1200), trial(2400, [0, 3, 3, 0]), clean(4800)];
        assert_eq!((highest_clean(&speeds), lowest_failing(&speeds)), (Some(1200), Some(2400)));
        assert_eq!((highest_clean(&[clean(1200), clean(4800)]), lowest_failing(&[clean(1200)])), (Some(4800), None));
        assert_eq!(highest_clean(&[]), None);
        // The same speed once clean and once not: a single failure is one.
        assert_eq!(highest_clean(&[clean(2400), trial(2400, [1, 0, 0, 0])]), None);
    }
}
