//! Sends bytes and takes in what comes back: never more out at once than come back without loss and within a second or
//! two, and never waiting for ever. Every wait looks at the wish to end, at the run's last moment, and at what other
//! programs do to the line.

use turnback_core::{
    base::time::{Nanos, SECOND_NS},
    event::{Awaited, Event},
    judge::facts::Stopped,
    kind::serial::{
        format::{LineErrors, LineFormat},
        probe::{BLOCK_BYTES, BlockStream},
        stream::{LineCollector, LineCounts},
    },
};

mod terms;

pub(super) use self::terms::{Amount, Ended, Ends, Exchanged, Silence};
use super::WINDOW_MIN;
use crate::ports::{Line, PortError, Received};

/// One stream of blocks in one format.
pub(super) struct Exchange {
    rx: LineCollector,
    window: u64,
    /// Bytes take their time, so that the window is already what a second carries.
    paced: bool,
    ends: Ends,
    /// What other programs did to the line, if that is a reason to end.
    stopped: Option<Stopped>,
    in_service: Vec<String>,
    look_at: Nanos,
    /// When it was last asked whether another program has the line open, and how many bytes had failed by then.
    asked: (Nanos, u64),
    /// The line gave something back, and was not silent for too long since.
    answers: bool,
    /// Of the bytes that are out, those that are not waited for any more: lost, most likely.
    written_off: u64,
    errors_before: Option<LineErrors>,
    /// Characters in error that show in the port's count alone, and are told to the collector.
    counted: u64,
    character_ns: u64,
    /// Silence after which what is out is written off.
    pause_ns: u64,
    first_sent_at: Option<Nanos>,
    last_sent_at: Nanos,
    last_in_at: Nanos,
    /// When the last byte came that could be recognised, and how many had come by then.
    known: Option<(Nanos, u64)>,
    /// Position in the stream up to which it was recognised then.
    recognised: u64,
    is_silent: bool,
    /// Nothing comes back, and a little is sent every second to find out when something does.
    knocking: bool,
    buffer: Vec<u8>,
}

impl Exchange {
    /// Nothing sent yet. `window` is how many bytes may be out at once.
    pub(super) fn begin(
        line: &mut dyn Line,
        stream: BlockStream,
        format: LineFormat,
        window: u64,
        origin: Nanos,
        ends: Ends,
    ) -> Result<Self, PortError> {
        let paced = line.capabilities().paced;
        let a_second = (format.characters_per_second() as u64).max(OUT_AT_FIRST);
        let window = if paced { window.min(a_second) } else { window };
        let pause = if window <= WINDOW_MIN { LONG_PAUSE_NS } else { PAUSE_NS };
        Ok(Self {
            errors_before: line.line_errors()?,
            rx: LineCollector::new(stream, format.data_bits, origin),
            window,
            paced,
            ends,
            stopped: None,
            in_service: Vec::new(),
            look_at: 0,
            asked: (line.now(), 0),
            answers: false,
            written_off: 0,
            counted: 0,
            character_ns: format.characters_ns(1),
            pause_ns: pause + format.characters_ns(window + 32),
            first_sent_at: None,
            last_sent_at: 0,
            last_in_at: 0,
            known: None,
            recognised: 0,
            is_silent: false,
            knocking: false,
            buffer: Vec::new(),
        })
    }

    /// From now on waits longer, as for a line that gave something back before.
    pub(super) fn expect_answers(&mut self) {
        self.answers = true;
    }

    /// From now on waits no longer than for a line that gave nothing back yet.
    pub(super) fn expect_silence(&mut self) {
        self.answers = false;
    }

    /// Counts so far.
    pub(super) fn counts(&self) -> &LineCounts {
        &self.rx.tally().counts
    }

    /// Sends, and takes in what comes back meanwhile. `show` is called a few times a second.
    pub(super) fn run(
        &mut self,
        line: &mut dyn Line,
        amount: Amount,
        may_slow: bool,
        show: &mut dyn FnMut(Nanos, &LineCounts),
    ) -> Result<Ended, PortError> {
        let end = self.rx.sent() + amount.bytes;
        let mut show_at = line.now();
        let mut heard_at = line.now();
        let mut known_at = heard_at;
        let mut silences = 0;
        let mut written_off = false;
        let mut knock_at = Nanos::MAX;
        let mut ends_at = amount.until;
        loop {
            let over_at = amount.silent_until.filter(|_| written_off).unwrap_or(0).max(ends_at);
            if self.rx.sent() >= end || line.now() >= over_at {
                break;
            }
            if self.must_end(line)? {
                return Ok(Ended::Cut);
            }
            let now = line.now();
            if now >= show_at {
                show_at = now + LOOK_EVERY_NS;
                show(now, self.counts());
                if may_slow && self.lost_at_this_pace(line)? {
                    return Ok(Ended::LostAtThisPace);
                }
            }
            let taken = self.offer(line, end, self.may_be_out(now))?;
            let full = taken == 0 || self.waited_for() >= self.may_be_out(now);
            let until = if full { (now + WAIT_NS).min(over_at.max(now)) } else { now };
            let known = self.known;
            if self.take_in(line, until)? > 0 {
                if let Some(last) = amount.silent_until.filter(|_| written_off) {
                    // Whole blocks must follow: only their heads show what is missing before them.
                    ends_at = ends_at.max(last.min(line.now() + SECOND_NS));
                }
                (heard_at, written_off) = (line.now(), false);
                if self.known != known {
                    (known_at, silences) = (line.now(), 0);
                    continue;
                }
            }
            if !written_off && now > heard_at + self.pause_ns {
                // Only once until something is heard: a chip that was not served holds two windows, and is empty when
                // it is heard.
                self.written_off = self.rx.outstanding();
                written_off = true;
                knock_at = now + SECOND_NS;
            } else if amount.silent_until.is_some() && !self.is_noisy() {
                // What is out stays so, however long: all that is lost while a plug is out is one event.
                if now >= knock_at {
                    knock_at = now + SECOND_NS;
                    self.knock();
                }
            } else if now > heard_at + self.patience() || now > known_at + self.noise_patience() {
                // `now` was read before the last look, so a program that was kept from its processor has looked once
                // more. Whatever is still out is lost. The next bytes may come back.
                self.rx.settle(line.now());
                line.discard()?;
                self.answers = false;
                written_off = false;
                (heard_at, known_at) = (line.now(), line.now());
                silences += 1;
                if silences >= SILENCES_MAX {
                    self.is_silent = true;
                    return Ok(Ended::Silent);
                }
            }
        }
        if amount.silent_until.is_some() && line.now() > heard_at + self.patience() {
            self.answers = false;
        }
        Ok(Ended::Done)
    }

    /// Bytes came in after the last that could be recognised.
    fn is_noisy(&self) -> bool {
        self.counts().returned > self.known.map_or(0, |(_, by_then)| by_then)
    }

    /// Lets a little out beside what does not come back. Not at the slowest pace, which is for a chip that holds no
    /// more.
    fn knock(&mut self) {
        if self.window > WINDOW_MIN {
            self.knocking = true;
            self.written_off = self.rx.outstanding();
        }
    }

    /// Sends this many bytes by themselves, and tells of a long wait. Returns the nanoseconds until the last was back,
    /// or none if some are missing or what came cannot be recognised.
    pub(super) fn alone(
        &mut self,
        line: &mut dyn Line,
        bytes: u64,
        say: &mut dyn FnMut(Event),
    ) -> Result<Option<u64>, PortError> {
        let lost_before = self.counts().lost;
        let end = self.rx.sent() + bytes;
        let start = line.now();
        self.wait_for(line, start, end, say)?;
        let all_back = !self.waits() && self.rx.sent() == end;
        let trip = self.last_in_at.saturating_sub(start);
        self.hear_the_rest(line)?;
        // Where nothing came back yet, the first bytes may still come beside the next. Where the run has to end, what
        // is out is not lost.
        if self.counts().returned > 0 && !(self.waits() && self.must_end(line)?) {
            self.rx.settle(line.now());
            self.note_what_is_known(line.now(), false);
        }
        let is_known = self.rx.recognised() >= end;
        Ok((all_back && is_known && self.counts().lost == lost_before).then_some(trip))
    }

    /// Takes in what comes until then, without sending.
    pub(super) fn hear(&mut self, line: &mut dyn Line, until: Nanos) -> Result<(), PortError> {
        while line.now() < until && self.waits() && !self.must_end(line)? {
            let soon = line.now() + WAIT_NS;
            self.take_in(line, until.min(soon))?;
        }
        Ok(())
    }

    /// The same until the first bytes come.
    pub(super) fn hear_any(&mut self, line: &mut dyn Line, until: Nanos) -> Result<(), PortError> {
        while self.counts().returned == 0 && line.now() < until && !self.must_end(line)? {
            let soon = line.now() + WAIT_NS;
            self.take_in(line, until.min(soon))?;
        }
        Ok(())
    }

    /// Waits for what is out, for as long as what was sent keeps coming.
    fn drain(&mut self, line: &mut dyn Line, say: &mut dyn FnMut(Event)) -> Result<(), PortError> {
        // Counted from now: a computer that was away until now has its time on top.
        let now = line.now();
        self.wait_for(line, now, self.rx.sent(), say)
    }

    /// Sends up to `end` and waits for it: until the line was silent for too long, counted from `since` at first, or
    /// until what comes cannot be what was sent: a computer that is away again and again gets two and a half times
    /// that. Where something came back before, a wait is told every second.
    fn wait_for(
        &mut self,
        line: &mut dyn Line,
        since: Nanos,
        end: u64,
        say: &mut dyn FnMut(Event),
    ) -> Result<(), PortError> {
        let begun = line.now();
        let mut told_s = None;
        let out = end - self.rx.sent() + self.rx.outstanding();
        let line_ns = out * self.character_ns;
        let mut silent_at = since + self.patience();
        let mut over_at = silent_at + self.patience() * 3 / 2 + line_ns;
        while (self.rx.sent() < end || self.waits()) && !self.must_end(line)? {
            let now = line.now();
            if self.rx.sent() < end {
                self.offer(line, end, self.window)?;
            }
            let left_s = silent_at.saturating_sub(now).div_ceil(SECOND_NS);
            let heard_at = self.last_in_at.max(self.last_sent_at).max(begun);
            if self.answers && left_s > 0 && now >= heard_at + TOLD_AFTER_NS && told_s != Some(left_s) {
                told_s = Some(left_s);
                say(Event::Waiting { what: Awaited::LateBytes, left_s: left_s as f64 });
            }
            let known = self.known;
            let came = self.take_in(line, silent_at.min(now + WAIT_NS))?;
            let patient_until = line.now() + self.patience();
            if self.known != known {
                over_at = over_at.max(patient_until + self.patience() * 3 / 2 + line_ns);
            }
            if came > 0 {
                silent_at = patient_until;
            }
            if now >= over_at || came == 0 && now >= silent_at {
                break;
            }
        }
        Ok(())
    }

    /// Waits for the last byte where as many came as went out, but not the same ones: an extra one is among them.
    fn hear_the_rest(&mut self, line: &mut dyn Line) -> Result<(), PortError> {
        let rest_ns = REST_NS + 8 * self.character_ns;
        let mut rest_at = line.now() + rest_ns;
        let end = line.now() + RESTS_MAX * rest_ns;
        while self.rx.outstanding() == 0 && !self.rx.in_step() && !self.must_end(line)? {
            let now = line.now();
            if now >= rest_at.min(end) {
                break;
            }
            if self.take_in(line, rest_at.min(now + WAIT_NS))? > 0 {
                rest_at = line.now() + rest_ns;
            }
        }
        Ok(())
    }

    /// Waits for what is out and returns the counts. What is still out when the run has to end is not counted: nobody
    /// knows whether it would have come.
    ///
    /// # Errors
    /// What the line says; then [`Exchange::cut_off`] has the counts.
    pub(super) fn finish(&mut self, line: &mut dyn Line, say: &mut dyn FnMut(Event)) -> Result<Exchanged, PortError> {
        self.drain(line, say)?;
        self.hear_the_rest(line)?;
        // An extra byte would show now.
        let now = line.now();
        self.take_in(line, now)?;
        self.look_at_the_count(line)?;
        let errors = self.errors_so_far(line)?;
        if self.waits() {
            if self.must_end(line)? {
                self.rx.withdraw(line.now());
            } else {
                self.is_silent |= self.ends_in_silence(line.now());
            }
        } else {
            self.is_silent |= self.ends_in_noise(line.now());
        }
        self.rx.settle(line.now());
        Ok(self.exchanged(errors))
    }

    /// So much is out, and nothing of it came for so long, that the line may have gone dead.
    fn ends_in_silence(&self, now: Nanos) -> bool {
        let known_at = self.known.map_or(0, |(at, _)| at);
        self.rx.outstanding() >= OUT_AT_FIRST && now >= known_at + SILENCE_NS
    }

    /// As many bytes came as went out, and for a while none of them was what was sent.
    fn ends_in_noise(&self, now: Nanos) -> bool {
        let (known_at, by_then) = self.known.unwrap_or_default();
        let unknown = self.counts().returned - by_then;
        unknown >= 8 * BLOCK_BYTES as u64 && now >= known_at + SILENCE_NS
    }

    /// The counts of an exchange that could not be finished, as on a port that vanished. What is out is not counted.
    pub(super) fn cut_off(&mut self) -> Exchanged {
        self.rx.withdraw(self.last_in_at);
        self.exchanged(None)
    }

    fn exchanged(&mut self, errors: Option<LineErrors>) -> Exchanged {
        let elapsed = self.first_sent_at.map(|first| self.last_in_at.saturating_sub(first)).filter(|ns| *ns > 0);
        let returned = self.counts().returned;
        let (since, known) = self.known.unzip();
        Exchanged {
            blocks: self.rx.sent().div_ceil(BLOCK_BYTES as u64) as u32 + 1,
            characters_per_second: elapsed.map(|ns| returned as f64 * SECOND_NS as f64 / ns as f64),
            errors,
            tally: self.rx.tally().clone(),
            known_at: since,
            silence: self.is_silent.then(|| Silence { since, noise: returned - known.unwrap_or(0) }),
            stopped: self.stopped,
            in_service: std::mem::take(&mut self.in_service),
        }
    }

    /// Silence after which what is out is lost. Longer for a line that gave something back before: it may be held up on
    /// this side, and its late bytes would be taken for others.
    fn patience(&self) -> u64 {
        (if self.answers { LONG_PATIENCE_NS } else { PATIENCE_NS }) + 32 * self.character_ns
    }

    /// The same while bytes come in that cannot be recognised: what was sent would show by the next heads.
    fn noise_patience(&self) -> u64 {
        NOISE_PATIENCE_NS + 8 * BLOCK_BYTES as u64 * self.character_ns
    }

    /// Whether something is out that may still come: the very last byte has not.
    fn waits(&self) -> bool {
        self.rx.outstanding() > 0 && !self.rx.end_is_in()
    }

    /// Bytes that may be out at once: no more than come back within a second or two, so that the end is not waited for
    /// longer than that. How fast a line is that does not pace its bytes shows only by what comes back.
    fn may_be_out(&self, now: Nanos) -> u64 {
        if self.knocking {
            return self.window.min(OUT_AT_FIRST);
        }
        if self.paced {
            return self.window;
        }
        let elapsed = now.saturating_sub(self.first_sent_at.unwrap_or(now)).max(SECOND_NS);
        let in_two_seconds = u128::from(self.counts().returned) * 2 * u128::from(SECOND_NS) / u128::from(elapsed);
        self.window.min(u64::try_from(in_two_seconds).unwrap_or(u64::MAX).max(OUT_AT_FIRST))
    }

    /// Whether the exchange has to end before it is done. Looks a few times a second at the port's count, and at what
    /// other programs do to the line.
    fn must_end(&mut self, line: &mut dyn Line) -> Result<bool, PortError> {
        let now = line.now();
        if now >= self.look_at {
            self.look_at = now + LOOK_EVERY_NS;
            self.look_at_the_count(line)?;
            if self.stopped.is_none() {
                self.look_for_others(line, now)?;
            }
        }
        Ok(self.ends.cancel.is_cancelled() || now >= self.ends.by || self.stopped.is_some())
    }

    /// Whoever sets the line otherwise, or opens it, makes bytes fail. Who has it open is asked only when bytes fail,
    /// since that takes a look at every program.
    fn look_for_others(&mut self, line: &mut dyn Line, now: Nanos) -> Result<(), PortError> {
        if line.disturbed()?.is_some() {
            self.stopped = Some(Stopped::Reconfigured);
            return Ok(());
        }
        let failed = self.counts().failed();
        let (asked_at, failed_then) = self.asked;
        let is_silent = self.waits() && now > self.last_in_at.max(self.last_sent_at) + SECOND_NS / 2;
        if self.ends.if_held && now >= asked_at + SECOND_NS && (failed > failed_then || is_silent) {
            self.asked = (now, failed);
            self.in_service = line.in_service()?.into_iter().map(|reason| reason.text).collect();
            self.stopped = (!self.in_service.is_empty()).then_some(Stopped::TakenIntoService);
        }
        Ok(())
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
    fn offer(&mut self, line: &mut dyn Line, end: u64, may_be_out: u64) -> Result<u64, PortError> {
        let room = may_be_out.saturating_sub(self.waited_for()).min(end - self.rx.sent()).min(CHUNK_BYTES);
        if room == 0 {
            return Ok(0);
        }
        self.buffer.resize(room as usize, 0);
        self.rx.stream().fill(self.rx.sent(), &mut self.buffer);
        if self.first_sent_at.is_none() {
            self.first_sent_at = Some(line.now());
        }
        let taken = line.send(&self.buffer)? as u64;
        self.rx.handle_sent(taken, line.now());
        if taken > 0 {
            self.last_sent_at = line.now();
        }
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
            (self.answers, self.knocking) = (true, false);
            self.last_in_at = line.now();
            let is_known = self.rx.in_step() || self.rx.tail_is_known();
            self.note_what_is_known(line.now(), is_known);
        }
        Ok(came)
    }

    /// Notes when something came that is what was sent: a block was recognised, or what came last is.
    fn note_what_is_known(&mut self, now: Nanos, is_known: bool) {
        let returned = self.counts().returned;
        let is_new = is_known || self.rx.recognised() > self.recognised;
        if is_new && self.known.is_none_or(|(_, by_then)| returned > by_then) {
            self.known = Some((now, returned));
        }
        self.recognised = self.rx.recognised();
    }
}

/// Silence after which bytes that are out count as lost, for a line that has given nothing back yet: longer than a busy
/// computer keeps a byte, and short enough that a missing plug is told within seconds.
const PATIENCE_NS: u64 = SECOND_NS;
/// The same where it may be an adapter, its bus or the network behind it that stands still: our own choice.
const LONG_PATIENCE_NS: u64 = 8 * SECOND_NS;
/// The same where bytes come in that were not sent, as noise in place of a plug: longer, since a line full of errors is
/// recognised only by the block.
const NOISE_PATIENCE_NS: u64 = 10 * SECOND_NS;
/// Silence at the end from which on a line is said to have gone dead.
const SILENCE_NS: u64 = 2 * SECOND_NS;
/// Silence, beside what the bytes themselves take, after which it is worth to send on: longer than any adapter gathers
/// bytes (255 ms at most where the driver lets it be set, from memory).
const PAUSE_NS: u64 = 300_000_000;
/// The same at the slowest pace: one byte more than a chip can hold may then be lost, which must not come from a
/// computer that was away for a moment.
const LONG_PAUSE_NS: u64 = SECOND_NS;
/// Longer than adapters gather bytes as they come (16 ms, from memory).
const REST_NS: u64 = 50_000_000;
/// A rest that goes on for longer than this many times is none of what was sent.
const RESTS_MAX: u64 = 8;
const WAIT_NS: u64 = 20_000_000;
/// A wait that lasts longer is told.
const TOLD_AFTER_NS: u64 = SECOND_NS / 2;
const LOOK_EVERY_NS: u64 = 200_000_000;
const SILENCES_MAX: u32 = 2;
/// Bytes that may be out before anything has come back.
const OUT_AT_FIRST: u64 = 64;
/// Bytes handed over at once.
const CHUNK_BYTES: u64 = 1024;
