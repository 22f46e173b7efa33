//! The receiving half of a stream: decides which probe an echo belongs to, and what happened to it on the way.

use self::form::{FORMED_MIN, FORMED_TO_OTHERS_MIN, Form};
use super::StreamSpec;
use super::tally::Tally;
use crate::base::time::Nanos;
use crate::kind::ethernet::probe::{CHECK, ETHERTYPE, FORMAT, HEADER_BYTES, Header, SENT_AT};
use crate::signal::compare::{GROUP_GAP_PROBES, ProbeDamage, compare};
use crate::signal::ledger::{Ledger, Mark, SPAN};
use crate::signal::outstanding::Outstanding;
use crate::signal::pattern::Window;

mod form;

/// Whether the probes of a stream travel alone or in full flow; it decides which latency histogram an echo feeds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Flow {
    /// The next probe leaves when the last has come back.
    Single,
    /// As fast as the plan says.
    Full,
}

/// One frame that came in.
#[derive(Clone, Copy, Debug)]
pub struct Echo<'a> {
    /// The frame, without FCS.
    pub bytes: &'a [u8],
    /// When it arrived, on the port's clock.
    pub at: Nanos,
    /// What the frame check sequence said, where the port hands it on.
    pub check: Option<FrameCheck>,
}

/// Result of the frame check sequence of a delivered frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FrameCheck {
    /// The sequence fits the frame.
    Right,
    /// It does not: the frame was damaged on the wire.
    Wrong,
}

/// What an echo turned out to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Seen {
    /// The first echo of a probe.
    Probe {
        /// Its sequence.
        sequence: u64,
        /// The send time it carries; `None` where the header was damaged.
        sent_at: Option<Nanos>,
    },
    /// Another echo of a probe that had come back or been given up.
    Again,
    /// An intact probe of another run or direction of this port.
    Other,
    /// Something that may be ours, but too damaged to say what.
    Unrecognised,
    /// Not ours: a frame of another station, or a probe of another tester.
    Foreign,
}

/// The receiving half of a stream: names every frame that comes in and counts it once.
#[derive(Debug)]
pub struct Collector {
    spec: StreamSpec,
    ahead: Window,
    behind: Window,
    ledger: Ledger,
    flow: Flow,
    origin: Nanos,
    /// No probe was sent later.
    now: Nanos,
    last_sent_at: Nanos,
    /// What probes look like when they leave.
    sent: Form,
    /// What they look like when they come back: as sent, or changed alike in every echo.
    form: Form,
    /// Echoes that came back as sent although others were changed.
    unchanged: u64,
    /// First echoes that were not right, or not of the length of the others.
    odd: u64,
    /// Sequence of the probe that was damaged last.
    last_damaged: Option<u64>,
    damaged_groups: u64,
    scratch: Vec<u8>,
    tally: Tally,
}

impl Collector {
    /// A receiver for `spec`'s probes; per-second counts are kept from `origin`. What earlier steps left `outstanding`
    /// may come in late.
    pub fn new(spec: StreamSpec, flow: Flow, origin: Nanos, outstanding: Outstanding) -> Self {
        let sent = Form::of(&spec);
        Self {
            ahead: Window::new(&spec.pattern, 0),
            behind: Window::new(&spec.pattern, 0),
            ledger: Ledger::new(spec.first_sequence, outstanding),
            flow,
            origin,
            now: Nanos::MAX,
            last_sent_at: origin,
            sent,
            form: sent,
            unchanged: 0,
            odd: 0,
            last_damaged: None,
            damaged_groups: 0,
            scratch: Vec::with_capacity(spec.frame_bytes),
            tally: Tally::default(),
            spec,
        }
    }

    /// Probes below `next` may be out at `now`, none from there on; no echo is taken for a probe that was not sent, and
    /// none was sent later than `now`. To be told before the echoes of those probes are handed in; until it is told
    /// anything, every sequence and every time is believed.
    #[inline]
    pub fn handle_sent(&mut self, next: u64, now: Nanos) {
        self.ledger.handle_sent(next);
        self.now = now;
    }

    /// Whether a probe can have been sent then. Two wrong bits can cancel in the header check, and a second outside the
    /// run does not exist.
    #[inline]
    fn is_of_this_run(&self, sent_at: Nanos) -> bool {
        sent_at >= self.origin && sent_at <= self.now
    }

    /// Books one frame.
    #[inline]
    pub fn handle_echo(&mut self, echo: Echo<'_>) -> Seen {
        if let Ok(header) = Header::new_sized(echo.bytes)
            && header.tag() == self.spec.tag
            && header.syndrome() == 0
            && self.ledger.may_be_out(header.sequence())
            && echo.bytes.len() == self.form.length_bytes
            && self.is_of_this_run(header.sent_at())
        {
            let (sequence, sent_at) = (header.sequence(), header.sent_at());
            let expected = self.spec.header(sequence, sent_at);
            if expected.emit()[..] == echo.bytes[..HEADER_BYTES] {
                let phase = expected.shape.phase_bytes();
                let payload_bytes = self.spec.payload_bytes();
                let window = pick_window(&mut self.ahead, &mut self.behind, phase, payload_bytes);
                if window.slice(phase, payload_bytes) == Some(&echo.bytes[HEADER_BYTES..self.spec.frame_bytes])
                    && echo.check != Some(FrameCheck::Wrong)
                {
                    return self.book_clean(sequence, sent_at, echo);
                }
            }
        }
        self.book_odd(echo)
    }

    fn book_clean(&mut self, sequence: u64, sent_at: Nanos, echo: Echo<'_>) -> Seen {
        if let Some(seen) = self.book_mark(sequence) {
            return seen;
        }
        let bits = 8 * self.spec.frame_bytes as u64;
        self.tally.counts.bits_compared += bits;
        self.tally.damage.add_clean(bits);
        self.last_sent_at = sent_at;
        self.tally.second_mut(sent_at, self.origin).returned += 1;
        self.book_latency(sent_at, echo.at);
        Seen::Probe { sequence, sent_at: Some(sent_at) }
    }

    /// Books the ledger's word on a matched echo; `None` when it is the first echo of its probe.
    fn book_mark(&mut self, sequence: u64) -> Option<Seen> {
        let counts = &mut self.tally.counts;
        match self.ledger.mark(sequence) {
            Mark::Back => {}
            Mark::Reordered => counts.reordered += 1,
            Mark::Duplicate => {
                counts.duplicated += 1;
                return Some(Seen::Again);
            }
            Mark::Late => {
                counts.late += 1;
                return Some(Seen::Again);
            }
            Mark::Foreign => {
                counts.unrecognised += 1;
                return Some(Seen::Unrecognised);
            }
        }
        counts.returned += 1;
        None
    }

    fn book_latency(&mut self, sent_at: Nanos, at: Nanos) {
        // A clock that was set back between the two stamps would give a negative trip: leave it out.
        if let Some(trip) = at.checked_sub(sent_at) {
            match self.flow {
                Flow::Single => {}
                Flow::Full => self.tally.latency_loaded.record(trip),
            }
        }
    }

    /// Books the round trip of a probe that travelled alone, from whatever stamps the port had for it.
    pub fn handle_single_latency(&mut self, sequence: u64, latency_ns: u64) {
        self.tally.latency.record(latency_ns);
        self.tally.single_trips.push((sequence, latency_ns));
    }

    /// Everything that is not an intact echo of this stream as the last ones were.
    #[cold]
    fn book_odd(&mut self, echo: Echo<'_>) -> Seen {
        if let Ok(header) = Header::new_checked(echo.bytes) {
            // Two wrong bits can cancel in the check: a tag that is nearly ours is ours, damaged.
            let tag_distance = (header.tag() ^ self.spec.tag).count_ones();
            let other_run = tag_distance > TAG_DISTANCE_MAX;
            // The same seed at the other end gives the same tag, and addresses that are not ours, damaged.
            let far = self.sent.address_distance(echo.bytes) > ADDRESS_DISTANCE_MAX;
            if self.sent.is_strange_to(&header) && (other_run || tag_distance == 0 && far) {
                return Seen::Foreign;
            }
            let other_lane = header.lane() != self.spec.lane && header.source() != self.spec.source;
            if other_run || other_lane {
                self.tally.counts.stale += 1;
                return Seen::Other;
            }
            if header.sequence() < self.spec.first_sequence {
                // Given up in an earlier step, or a copy of what came back then.
                return self.book_mark(header.sequence()).unwrap_or(Seen::Other);
            }
            if let Some(seen) = self.book_other_form(&header, echo) {
                return seen;
            }
        }
        let Some(sequence) = self.identify(echo.bytes) else {
            // A frame that failed its check is no word of another station: whose it was cannot be read off it.
            if echo.check == Some(FrameCheck::Wrong) || self.may_be_ours(echo.bytes) {
                self.tally.counts.unrecognised += 1;
                return Seen::Unrecognised;
            }
            return Seen::Foreign;
        };
        if let Some(seen) = self.book_mark(sequence) {
            return seen;
        }
        self.book_damage(sequence, echo)
    }

    /// An echo that is right from its EtherType to the end of its pattern, with other addresses than the last ones or
    /// with bytes behind its end. No plug does that, and no chance does it twice in the same way: what every echo has
    /// alike is the mark of an active device.
    fn book_other_form(&mut self, header: &Header<&[u8]>, echo: Echo<'_>) -> Option<Seen> {
        let (sequence, sent_at) = (header.sequence(), header.sent_at());
        let frame_bytes = self.spec.frame_bytes;
        if !self.is_of_this_run(sent_at) || echo.bytes.len() < frame_bytes || echo.check == Some(FrameCheck::Wrong) {
            return None;
        }
        self.fill_scratch(sequence, sent_at);
        if !self.ledger.may_be_out(sequence) || self.scratch[12..] != echo.bytes[12..frame_bytes] {
            return None;
        }
        let form = Form::carried_by(header, echo.bytes.len());
        let clean_so_far = self.tally.counts.returned - self.odd;
        if form == self.sent {
            let returned = self.tally.counts.returned;
            let seen = self.book_clean(sequence, sent_at, echo);
            self.unchanged += self.tally.counts.returned - returned;
            return Some(seen);
        }
        if self.form != self.sent || clean_so_far > 0 {
            return None;
        }
        self.form = form;
        (self.spec.destination, self.spec.source) = (form.destination, form.source);
        Some(self.book_clean(sequence, sent_at, echo))
    }

    /// Whether what cannot be recognised may be one of our probes, its head whole and the rest destroyed: another
    /// station has another address.
    fn may_be_ours(&self, bytes: &[u8]) -> bool {
        bytes.len() >= 14
            && bytes[12..14] == ETHERTYPE.to_be_bytes()
            && self.form.address_distance(bytes).min(self.sent.address_distance(bytes)) <= ADDRESS_DISTANCE_MAX
    }

    fn book_damage(&mut self, sequence: u64, echo: Echo<'_>) -> Seen {
        self.odd += 1;
        let carried = Header::new_sized(echo.bytes).map(|h| (h.sent_at(), h.syndrome() == 0)).ok();
        let (sent_at, checks) = carried.unwrap_or((self.last_sent_at, false));
        let intact = checks && self.is_of_this_run(sent_at);
        // Two wrong bits, in time and check, hide each other in the syndrome and not from the clock.
        let sent_at = if checks && !intact { self.mend_time(sent_at) } else { sent_at };
        self.fill_scratch(sequence, sent_at);
        let common = echo.bytes.len().min(self.scratch.len());
        let mut damage = compare(&self.scratch[..common], &echo.bytes[..common], 0);
        // Nobody knows the send time, so a wrong bit in it shows in the check. Either may be hit: they take turns.
        if let Some(damage) = damage.as_mut().filter(|_| sequence % 2 == 1) {
            for byte in CHECK.filter(|byte| *byte < common) {
                let wrong = (self.scratch[byte] ^ echo.bytes[byte]).count_ones();
                damage.move_errors(byte, byte - CHECK.start + SENT_AT.start, common, wrong);
            }
        }
        let bits = 8 * common as u64;
        let counts = &mut self.tally.counts;
        counts.bits_compared += bits;
        match &damage {
            Some(damage) => {
                counts.damaged += 1;
                counts.bit_errors += damage.bit_errors;
                match echo.check {
                    Some(FrameCheck::Right) => counts.damaged_after_check += 1,
                    Some(FrameCheck::Wrong) => counts.failed_check_delivered += 1,
                    None => {}
                }
                self.tally.damage.add_damage(damage);
                if self.last_damaged.replace(sequence).is_none_or(|last| sequence.abs_diff(last) > GROUP_GAP_PROBES) {
                    self.damaged_groups += 1;
                }
            }
            None => {
                counts.failed_check_delivered += u64::from(echo.check == Some(FrameCheck::Wrong));
                self.tally.damage.add_clean(bits);
            }
        }
        counts.truncated += u64::from(echo.bytes.len() < self.form.length_bytes);
        counts.lengthened += u64::from(echo.bytes.len() > self.form.length_bytes);
        let when = if intact { sent_at } else { self.last_sent_at };
        let second = self.tally.second_mut(when, self.origin);
        second.returned += 1;
        second.damaged += 1;
        if intact {
            self.book_latency(sent_at, echo.at);
        }
        Seen::Probe { sequence, sent_at: intact.then_some(sent_at) }
    }

    /// The time of this run that is one wrong bit away from `sent_at`: the one nearest to the last probe's.
    fn mend_time(&self, sent_at: Nanos) -> Nanos {
        let near = (0..64).map(|bit| sent_at ^ (1 << bit)).filter(|time| self.is_of_this_run(*time));
        near.min_by_key(|time| time.abs_diff(self.last_sent_at)).unwrap_or(self.last_sent_at)
    }

    /// Whose echo is this? The sequence it carries, the one its phase gives and the one expected next are tried; the
    /// one whose probe is nearest wins, if it is much nearer than chance. A probe of an earlier step that is still
    /// outstanding wins if its own check says so more clearly.
    fn identify(&mut self, bytes: &[u8]) -> Option<u64> {
        let header = Header::new_sized(bytes).ok()?;
        if (header.tag() ^ self.spec.tag).count_ones() > TAG_DISTANCE_MAX {
            return None;
        }
        let next = self.ledger.next_expected();
        let of_phase = self.spec.sequence_of_phase(header.shape().phase_bytes(), next);
        let candidates = [Some(header.sequence()), of_phase, Some(next)];
        let in_reach =
            |s: &u64| self.ledger.may_be_out(*s) && *s < next.saturating_add(SPAN) && s.saturating_add(SPAN) >= next;
        let mut best: Option<(u32, u64, u64)> = None;
        let mut looked_at = 0;
        for sequence in candidates.into_iter().flatten().filter(in_reach).collect::<Vec<_>>() {
            self.fill_scratch(sequence, header.sent_at());
            looked_at = bytes.len().min(self.scratch.len()).min(HEADER_BYTES + IDENTIFY_PAYLOAD_BYTES);
            // Addresses and EtherType are the same in every probe: they tell no probe from another.
            let distance: u32 = (14..looked_at).map(|i| (self.scratch[i] ^ bytes[i]).count_ones()).sum();
            // One wrong bit in the sequence is as far from the right probe (its sequence) as from the one it names (its
            // check): of two equally near, it is the one whose turn it is.
            let candidate = (distance, sequence.abs_diff(next), sequence);
            best = Some(best.map_or(candidate, |b| b.min(candidate)));
        }
        let tag_distance = (header.tag() ^ self.spec.tag).count_ones();
        let earlier_distance = tag_distance + header.syndrome().count_ones();
        if self.is_outstanding(header.sequence()) && best.is_none_or(|(distance, ..)| earlier_distance < distance) {
            return (earlier_distance <= TAG_DISTANCE_MAX).then_some(header.sequence());
        }
        let (distance, _, sequence) = best?;
        (u64::from(distance) * 4 < 8 * (looked_at as u64 - 14)).then_some(sequence)
    }

    fn is_outstanding(&self, sequence: u64) -> bool {
        sequence < self.spec.first_sequence && self.ledger.was_given_up(sequence)
    }

    /// Writes what probe `sequence` was when sent into the scratch buffer.
    fn fill_scratch(&mut self, sequence: u64, sent_at: Nanos) {
        let header = self.spec.header(sequence, sent_at);
        let phase = header.shape.phase_bytes();
        let payload_bytes = self.spec.payload_bytes();
        let window = pick_window(&mut self.ahead, &mut self.behind, phase, payload_bytes);
        self.scratch.clear();
        self.scratch.extend_from_slice(&header.emit());
        if let Some(payload) = window.slice(phase, payload_bytes) {
            self.scratch.extend_from_slice(payload);
        }
    }

    /// Books `count` probes from `sequence` that a simulated port carried untouched, the first sent at `first_sent_at`,
    /// each `gap_ns` after the last and back after `latency_ns`.
    pub fn handle_clean_span(&mut self, sequence: u64, count: u64, first_sent_at: Nanos, gap_ns: u64, latency_ns: u64) {
        self.ledger.mark_span(sequence, count);
        let bits = 8 * self.spec.frame_bytes as u64;
        self.tally.counts.returned += count;
        self.tally.counts.bits_compared += bits * count;
        self.tally.damage.add_clean_many(count, bits * count);
        self.tally.latency_loaded.record_n(latency_ns, count);
        let mut done = 0;
        while done < count {
            let at = first_sent_at + gap_ns * done;
            let second_end =
                at - (at - self.origin.min(at)) % crate::base::time::SECOND_NS + crate::base::time::SECOND_NS;
            let fit = if gap_ns == 0 { count } else { (second_end - at).div_ceil(gap_ns) };
            let here = fit.min(count - done).max(1);
            self.tally.second_mut(at, self.origin).returned += here;
            done += here;
        }
        self.last_sent_at = first_sent_at + gap_ns * (count - 1);
    }

    /// Probes of this stream that have come back.
    pub fn returned(&self) -> u64 {
        self.tally.counts.returned
    }

    /// One past the highest sequence seen.
    pub fn next_expected(&self) -> u64 {
        self.ledger.next_expected()
    }

    /// Echoes so far with something wrong, and bits compared and wrong so far, for a progress line.
    pub fn tally(&self) -> &Tally {
        &self.tally
    }

    /// Settles whether echoes that were right but for their form came from an active device: then practically every
    /// echo has that form. If not, they are damage like any other.
    fn settle_form(&mut self) {
        if self.form == self.sent {
            return;
        }
        let counts = &mut self.tally.counts;
        let formed = counts.returned - self.odd - self.unchanged;
        let others = self.unchanged + counts.truncated + counts.lengthened;
        let (longer, addressed) =
            (self.form.length_bytes > self.sent.length_bytes, !self.form.has_addresses_of(&self.sent));
        if formed >= FORMED_MIN && formed >= FORMED_TO_OTHERS_MIN * others {
            counts.readdressed += if addressed { formed } else { 0 };
            counts.padded += if longer { formed } else { 0 };
            return;
        }
        counts.lengthened += if longer { formed } else { 0 };
        let Some(damage) = compare(&self.sent.addresses(), &self.form.addresses(), 0) else { return };
        counts.damaged += formed;
        counts.bit_errors += damage.bit_errors * formed;
        let bits = 8 * self.spec.frame_bytes as u64;
        self.tally.damage.probes_compared -= formed;
        self.tally.damage.bits_compared -= bits * formed;
        let damage = ProbeDamage { bits_compared: bits, ..damage };
        (0..formed).for_each(|_| self.tally.damage.add_damage(&damage));
    }

    /// Gives up what did not come back of the `sent` probes: it may still come late. To be called when the stream is
    /// over, before [`Collector::finish`].
    pub fn give_up(&mut self, sent: u64) -> Outstanding {
        self.ledger.end(sent)
    }

    /// Closes the stream: `sent` probes went out, `refused` times the port had no room, `sent_by_second` were sent in
    /// each second from the origin.
    pub fn finish(mut self, sent: u64, refused: u64, sent_by_second: &[u64]) -> Tally {
        self.settle_form();
        self.tally.counts.sent = sent;
        self.tally.counts.refused = refused;
        self.tally.counts.lost = self.ledger.lost(sent);
        self.tally.damage.note_groups(self.damaged_groups);
        self.tally.counts.bit_errors = self.tally.counts.bit_errors.min(self.tally.counts.bits_compared);
        if self.tally.seconds.len() < sent_by_second.len() {
            self.tally.seconds.resize(sent_by_second.len(), Default::default());
        }
        for (second, sent) in self.tally.seconds.iter_mut().zip(sent_by_second) {
            second.sent = *sent;
        }
        self.tally
    }
}

/// Echoes arrive nearly in order, so one window ahead and one behind serve almost all of them without filling anew.
fn pick_window<'a>(ahead: &'a mut Window, behind: &'a mut Window, phase: u64, payload_bytes: usize) -> &'a Window {
    if ahead.slice(phase, payload_bytes).is_some() {
        return ahead;
    }
    if behind.slice(phase, payload_bytes).is_some() {
        return behind;
    }
    std::mem::swap(ahead, behind);
    ahead.slide_to(Window::index_of(phase));
    ahead
}

/// A random 64-bit word is within this many bits of the tag with a probability under 1e-6 (binomial tail, 64 bits).
const TAG_DISTANCE_MAX: u32 = 12;
/// The two addresses of another station are within this many bits of ours with a probability under 1e-3 even if it is
/// of the same make, so that only the last 24 bits of its own differ at random (binomial tail).
const ADDRESS_DISTANCE_MAX: u32 = 4;
/// Payload looked at to tell candidates apart.
const IDENTIFY_PAYLOAD_BYTES: usize = 64;
const _: () = assert!(FORMAT == 1, "identify() knows the fields of format 1");

#[cfg(test)]
mod tests;
