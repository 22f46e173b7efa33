//! Sends bytes and takes in what comes back: never more out at once than come back without loss, and never waiting for
//! ever.

use turnback_core::{
    base::time::{Nanos, SECOND_NS},
    judge::facts::Stopped,
    kind::serial::{
        format::{LineErrors, LineFormat},
        probe::{BLOCK_BYTES, BlockStream},
        stream::{LineCollector, LineCounts, LineTally},
    },
};

use crate::ports::{Line, PortError, Received};

/// How much to send. Whichever limit is reached first ends it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Amount {
    /// Bytes.
    pub(super) bytes: u64,
    /// Moment on the port's clock.
    pub(super) until: Nanos,
}

/// Why sending ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ended {
    /// All was sent.
    Done,
    /// The watcher asked for it.
    Stopped(Stopped),
    /// Bytes went missing that a lower pace may keep: this computer or its adapter lost them by their own counts, or
    /// not all of it is counted.
    LostAtThisPace,
    /// Nothing comes back, or nothing is taken, any more.
    Silent,
}

/// What an exchange measured.
#[derive(Debug)]
pub(super) struct Exchanged {
    /// Counts.
    pub(super) tally: LineTally,
    /// Line errors meanwhile, where counted.
    pub(super) errors: Option<LineErrors>,
    /// Block numbers used.
    pub(super) blocks: u32,
    /// Characters a second that came back while sending.
    pub(super) characters_per_second: Option<f64>,
}

/// One stream of blocks in one format.
pub(super) struct Exchange {
    rx: LineCollector,
    window: u64,
    /// When everything here ends, whatever is still out.
    ends_by: Nanos,
    /// The line gave something back, and was not silent for too long since.
    answers: bool,
    /// Of the bytes that are out, those that are not waited for any more: lost, most likely.
    written_off: u64,
    errors_before: Option<LineErrors>,
    /// Characters in error that show in the port's count alone, and are told to the collector.
    counted: u64,
    patience_ns: u64,
    /// The same for a line that gave something back before.
    long_patience_ns: u64,
    /// Silence after which what is out is written off.
    pause_ns: u64,
    /// Silence after which nothing more is on its way.
    rest_ns: u64,
    first_sent_at: Option<Nanos>,
    last_in_at: Nanos,
    buffer: Vec<u8>,
}

impl Exchange {
    /// Nothing sent yet. `window` is how many bytes may be out at once; nothing is sent or waited for after `ends_by`.
    pub(super) fn begin(
        line: &mut dyn Line,
        stream: BlockStream,
        format: LineFormat,
        window: u64,
        origin: Nanos,
        ends_by: Nanos,
    ) -> Result<Self, PortError> {
        Ok(Self {
            errors_before: line.line_errors()?,
            rx: LineCollector::new(stream, format.data_bits, origin),
            window,
            ends_by,
            answers: false,
            written_off: 0,
            counted: 0,
            patience_ns: PATIENCE_NS + format.characters_ns(32),
            long_patience_ns: LONG_PATIENCE_NS + format.characters_ns(32),
            pause_ns: PAUSE_NS + format.characters_ns(window + 32),
            rest_ns: REST_NS + format.characters_ns(8),
            first_sent_at: None,
            last_in_at: 0,
            buffer: Vec::new(),
        })
    }

    /// From now on waits longer, as for a line that gave something back before.
    pub(super) fn expect_answers(&mut self) {
        self.answers = true;
    }

    /// Counts so far.
    pub(super) fn counts(&self) -> &LineCounts {
        &self.rx.tally().counts
    }

    /// Sends, and takes in what comes back meanwhile. `watch` is called a few times a second and can stop it.
    pub(super) fn run(
        &mut self,
        line: &mut dyn Line,
        amount: Amount,
        may_slow: bool,
        watch: &mut dyn FnMut(Nanos, &LineCounts) -> Option<Stopped>,
    ) -> Result<Ended, PortError> {
        let end = self.rx.sent() + amount.bytes;
        let amount = Amount { until: amount.until.min(self.ends_by), ..amount };
        let mut heard_at = line.now();
        let mut watch_at = heard_at;
        let mut silences = 0;
        let mut written_off = false;
        while self.rx.sent() < end && line.now() < amount.until {
            let now = line.now();
            if now >= watch_at {
                watch_at = now + WATCH_EVERY_NS;
                self.look_at_the_count(line)?;
                if let Some(stopped) = watch(now, self.counts()) {
                    return Ok(Ended::Stopped(stopped));
                }
                if may_slow && self.lost_at_this_pace(line)? {
                    return Ok(Ended::LostAtThisPace);
                }
            }
            let taken = self.offer(line, end)?;
            let full = taken == 0 || self.waited_for() >= self.window;
            let until = if full { (now + WAIT_NS).min(amount.until.max(now)) } else { now };
            if self.take_in(line, until)? > 0 {
                (heard_at, silences, written_off) = (line.now(), 0, false);
            } else if !written_off && now > heard_at + self.pause_ns {
                // Only once until something is heard: a chip that was not served holds two windows, and is empty when
                // it is heard.
                self.written_off = self.rx.outstanding();
                written_off = true;
            } else if now > heard_at + self.patience() {
                // `now` was read before the last look, so a program that was kept from its processor has looked once
                // more. Whatever is still out is lost. The next bytes may come back.
                self.rx.settle(line.now());
                line.discard()?;
                self.answers = false;
                written_off = false;
                heard_at = line.now();
                silences += 1;
                if silences >= SILENCES_MAX {
                    return Ok(Ended::Silent);
                }
            }
        }
        Ok(Ended::Done)
    }

    /// Sends this many bytes by themselves. Returns the nanoseconds until the last was back, or none if some are
    /// missing.
    pub(super) fn alone(&mut self, line: &mut dyn Line, bytes: u64) -> Result<Option<u64>, PortError> {
        let lost_before = self.counts().lost;
        let end = self.rx.sent() + bytes;
        let start = line.now();
        let mut deadline = start + self.patience();
        while self.rx.sent() < end || self.waits() {
            let now = line.now();
            if now >= self.ends_by {
                break;
            }
            if self.rx.sent() < end {
                self.offer(line, end)?;
            }
            if self.take_in(line, deadline.min(now + WAIT_NS))? > 0 {
                deadline = line.now() + self.patience();
            } else if now >= deadline {
                break;
            }
        }
        let all_back = !self.waits();
        let trip = self.last_in_at.saturating_sub(start);
        self.hear_the_rest(line)?;
        // Where nothing came back yet, the first bytes may still come beside the next.
        if self.counts().returned > 0 {
            self.rx.settle(line.now());
        }
        Ok((all_back && self.counts().lost == lost_before && self.rx.sent() == end).then_some(trip))
    }

    /// Takes in what comes until then, without sending.
    pub(super) fn hear(&mut self, line: &mut dyn Line, until: Nanos) -> Result<(), PortError> {
        let until = until.min(self.ends_by);
        while line.now() < until && self.waits() {
            self.take_in(line, until)?;
        }
        Ok(())
    }

    /// Waits for what is out, for as long as bytes keep coming.
    pub(super) fn drain(&mut self, line: &mut dyn Line) -> Result<(), PortError> {
        let mut deadline = line.now() + self.patience();
        while self.waits() {
            let now = line.now();
            if now >= self.ends_by {
                break;
            }
            if self.take_in(line, deadline.min(now + WAIT_NS))? > 0 {
                deadline = line.now() + self.patience();
            } else if now >= deadline {
                break;
            }
        }
        Ok(())
    }

    /// Waits for the last byte where as many came as went out, but not the same ones: an extra one is among them.
    fn hear_the_rest(&mut self, line: &mut dyn Line) -> Result<(), PortError> {
        while self.rx.outstanding() == 0 && !self.rx.in_step() && line.now() < self.ends_by {
            let until = line.now() + self.rest_ns;
            if self.take_in(line, until)? == 0 {
                break;
            }
        }
        Ok(())
    }

    /// Waits for what is out and returns the counts.
    pub(super) fn finish(mut self, line: &mut dyn Line) -> Result<Exchanged, PortError> {
        self.drain(line)?;
        self.hear_the_rest(line)?;
        // An extra byte would show now.
        let now = line.now();
        self.take_in(line, now)?;
        self.look_at_the_count(line)?;
        let errors = self.errors_so_far(line)?;
        let elapsed = self.first_sent_at.map(|first| self.last_in_at.saturating_sub(first)).filter(|ns| *ns > 0);
        let returned = self.counts().returned as f64;
        Ok(Exchanged {
            blocks: self.rx.sent().div_ceil(BLOCK_BYTES as u64) as u32 + 1,
            characters_per_second: elapsed.map(|ns| returned * SECOND_NS as f64 / ns as f64),
            errors,
            tally: self.rx.finish(line.now()),
        })
    }

    /// Silence after which what is out is lost. Longer for a line that gave something back before: it may be held up on
    /// this side, and its late bytes would be taken for others.
    fn patience(&self) -> u64 {
        if self.answers { self.long_patience_ns } else { self.patience_ns }
    }

    /// Whether something is out that may still come: the very last byte has not.
    fn waits(&self) -> bool {
        self.rx.outstanding() > 0 && !self.rx.end_is_in()
    }

    /// Whether bytes went missing that a lower pace may keep.
    fn lost_at_this_pace(&self, line: &mut dyn Line) -> Result<bool, PortError> {
        let uncounted = line.capabilities().hides_overruns() && self.counts().lost > 0;
        Ok(uncounted || self.errors_so_far(line)?.is_some_and(|errors| errors.lost_in_host() > 0))
    }

    /// Bytes that are out and may still come.
    fn waited_for(&self) -> u64 {
        self.rx.outstanding().saturating_sub(self.written_off)
    }

    /// Reads the port's count of line errors where bytes are not marked: a wrong parity bit shows there alone. Done
    /// often enough to know in which second it was.
    fn look_at_the_count(&mut self, line: &mut dyn Line) -> Result<(), PortError> {
        if line.capabilities().marks_errors {
            return Ok(());
        }
        let characters = self.errors_so_far(line)?.map_or(0, |errors| errors.framing + errors.parity);
        let unseen = characters.saturating_sub(self.counts().damaged).max(self.counted);
        self.rx.handle_counted(unseen - self.counted, line.now());
        self.counted = unseen;
        Ok(())
    }

    fn errors_so_far(&self, line: &mut dyn Line) -> Result<Option<LineErrors>, PortError> {
        Ok(line.line_errors()?.zip(self.errors_before).map(|(now, before)| now.since(&before)))
    }

    /// Hands over the next bytes of the stream, as many as may be out. Returns how many the port took.
    fn offer(&mut self, line: &mut dyn Line, end: u64) -> Result<u64, PortError> {
        let room = self.window.saturating_sub(self.waited_for()).min(end - self.rx.sent()).min(CHUNK_BYTES);
        if room == 0 {
            return Ok(0);
        }
        self.buffer.resize(room as usize, 0);
        self.rx.stream().fill(self.rx.sent(), &mut self.buffer);
        if self.first_sent_at.is_none() {
            self.first_sent_at = Some(line.now());
        }
        let taken = line.send(&self.buffer)? as u64;
        self.rx.handle_sent(taken);
        Ok(taken)
    }

    /// Takes in what is there, or waits for it until then. Returns how many bytes came.
    fn take_in(&mut self, line: &mut dyn Line, until: Nanos) -> Result<u64, PortError> {
        let now = line.now();
        let before = self.counts().returned;
        let rx = &mut self.rx;
        line.receive(until, &mut |received| match received {
            Received::Bytes(bytes) => rx.handle_bytes(bytes, now),
            Received::Marked(byte) => rx.handle_marked(byte, now),
            Received::Break => {}
        })?;
        let came = self.counts().returned - before;
        self.written_off = if came > 0 && self.rx.in_step() { 0 } else { self.written_off.min(self.rx.outstanding()) };
        if came > 0 {
            self.answers = true;
            self.last_in_at = line.now();
        }
        Ok(came)
    }
}

/// Silence after which bytes that are out count as lost: far longer than a busy computer keeps a byte.
const PATIENCE_NS: u64 = 2 * SECOND_NS;
/// The same where it may be an adapter, its bus or the network behind it that stands still: our own choice.
const LONG_PATIENCE_NS: u64 = 8 * SECOND_NS;
/// Silence, beside what the bytes themselves take, after which it is worth to send on: longer than any adapter gathers
/// bytes (255 ms at most where the driver lets it be set, from memory).
const PAUSE_NS: u64 = 300_000_000;
/// Longer than adapters gather bytes as they come (16 ms, from memory).
const REST_NS: u64 = 50_000_000;
const WAIT_NS: u64 = 20_000_000;
const WATCH_EVERY_NS: u64 = 200_000_000;
const SILENCES_MAX: u32 = 2;
/// Bytes handed over at once.
const CHUNK_BYTES: u64 = 1024;
