//! The way of a check on a serial port: refuse one in service, set format and raw mode, listen, a handful of single blocks, the
//! modem lines, then the plan, then, if it failed, the same from another place where that needs no hand; and put everything
//! back.

mod confirm;
mod data;
mod exchange;
mod modem;
mod result;
mod sweep;
mod turnaround;

use std::time::Duration;

use turnback_core::{
    base::{placement::Placement, rng::Rng, time::Nanos},
    document::run::{Report, Turnaround},
    event::Event,
    judge::{
        Outcome,
        facts::{FirstProbes, Reference, Stopped},
        judge,
    },
    kind::serial::{
        facts::{FlowCheck, FormatTrial, ModemReading},
        format::{LineErrors, LineFormat, LineSetting, ModemOutputs},
        plug::LinePlug,
        probe::{BLOCK_BYTES, BlockStream},
        stream::{LineCounts, LineTally},
    },
    plan::Kind,
    signal::pattern::Pattern,
    stats::latency::LatencyHistogram,
};

use self::exchange::Exchange;
use super::{
    cancel::Cancel,
    ethernet::{CheckError, CheckOptions},
};
use crate::ports::{
    PortError,
    serial::line::{Line, Received},
};

/// What a check of a serial port is to do, beside its profile.
#[derive(Clone, Copy, Debug, Default)]
pub struct LineOptions {
    /// Speed and format; none: that of whoever uses the line, where known, else 115200,8N1.
    pub format: Option<LineFormat>,
    /// The plug that is fitted; none: the one the port knows of, else one of which only the data wires are known.
    pub plug: Option<LinePlug>,
    /// How long to send in all; none: as long as the limit needs.
    pub time: Option<Duration>,
}

/// Checks a serial port.
///
/// # Errors
/// As for [`super::ethernet::check`].
pub(super) fn check(
    line: &mut dyn Line,
    options: CheckOptions,
    say: &mut dyn FnMut(Event),
    cancel: &Cancel,
) -> Result<Report, CheckError> {
    let mut run = LineRun::new(line, options, say, cancel);
    let done = run.carry_out();
    run.put_back();
    done?;
    Ok(run.report())
}

struct LineRun<'a> {
    line: &'a mut dyn Line,
    options: CheckOptions,
    say: &'a mut dyn FnMut(Event),
    cancel: &'a Cancel,
    placement: Placement,
    plug: LinePlug,
    format: LineFormat,
    tag: u32,
    next_block: u32,
    origin: Nanos,
    /// Bytes out at once.
    window: u64,
    in_service: Vec<String>,
    gathered: LineGathered,
    settings_changed: Vec<String>,
    warnings: Vec<String>,
}

/// Everything measured so far.
#[derive(Clone, Debug, Default)]
struct LineGathered {
    tally: LineTally,
    errors: Option<LineErrors>,
    foreign: u64,
    handful: FirstProbes,
    modem: Vec<ModemReading>,
    flow: Option<FlowCheck>,
    break_returned: Option<bool>,
    speeds: Vec<FormatTrial>,
    formats: Vec<FormatTrial>,
    turnaround: Vec<Turnaround>,
    single_byte_trips: LatencyHistogram,
    slowdowns: u32,
    since_slowed: LineCounts,
    lost_at_slowest: u64,
    characters_per_second: Option<f64>,
    stopped: Option<Stopped>,
    references: Vec<Reference>,
}

impl<'a> LineRun<'a> {
    fn new(line: &'a mut dyn Line, options: CheckOptions, say: &'a mut dyn FnMut(Event), cancel: &'a Cancel) -> Self {
        let placement = options.placement.or(line.plug_is_at()).unwrap_or(Placement::AtPort);
        let plug = match placement {
            Placement::Internal => LinePlug::Internal,
            _ => options.line.plug.or(line.plug()).unwrap_or_default(),
        };
        let window = (line.capabilities().buffer_bytes as u64 * 3 / 4).max(WINDOW_MIN);
        Self {
            placement,
            plug,
            format: options.line.format.or(line.usual_format()).unwrap_or_default(),
            tag: Rng::new(options.seed).branch(0x0074_6167).draw() as u32,
            next_block: 0,
            origin: line.now(),
            window,
            in_service: Vec::new(),
            gathered: LineGathered::default(),
            settings_changed: Vec::new(),
            warnings: Vec::new(),
            line,
            options,
            say,
            cancel,
        }
    }

    fn carry_out(&mut self) -> Result<(), CheckError> {
        (self.say)(Event::RunStarted {
            run: self.options.run.clone(),
            port: self.line.identity().name,
            profile: self.options.profile.name.clone(),
        });
        if self.find_service()? {
            return Ok(());
        }
        let measured = self.measure();
        self.ended_by_the_port(measured)?;
        if self.gathered.stopped.is_none() {
            let asked = self.find_who_took_it();
            self.ended_by_the_port(asked)?;
        }
        if self.gathered.stopped.is_none() {
            let confirmed = self.confirm();
            self.ended_by_the_port(confirmed)?;
        }
        Ok(())
    }

    /// A port that vanished ends the run, and is no error of it.
    fn ended_by_the_port(&mut self, done: Result<(), CheckError>) -> Result<(), CheckError> {
        match done {
            Err(CheckError::Port(PortError::Gone(_))) => {
                self.gathered.stopped = Some(Stopped::PortGone);
                Ok(())
            }
            other => other,
        }
    }

    /// Before anything is blamed: whoever opened the line meanwhile takes bytes from it.
    fn find_who_took_it(&mut self) -> Result<(), CheckError> {
        if judge(&self.evidence()).outcome != Outcome::Pass && self.find_service()? {
            self.gathered.stopped = Some(Stopped::TakenIntoService);
        }
        Ok(())
    }

    /// True when the port is in service and must be left alone.
    fn find_service(&mut self) -> Result<bool, CheckError> {
        let (passed_over, stands): (Vec<_>, Vec<_>) = self
            .line
            .in_service()?
            .into_iter()
            .partition(|reason| self.options.although_in_service && reason.may_be_overridden);
        self.in_service = stands.into_iter().map(|reason| reason.text).collect();
        for reason in passed_over {
            self.warnings.push(format!("tested although in service, as asked: {}", reason.text));
        }
        Ok(!self.in_service.is_empty())
    }

    fn measure(&mut self) -> Result<(), CheckError> {
        self.prepare()?;
        if self.listen()? {
            return Ok(());
        }
        if let Some(seconds) = self.estimated_seconds() {
            (self.say)(Event::LineEstimated { seconds });
        }
        let returned = self.handful()?;
        self.modem_lines()?;
        if !returned || self.must_stop() {
            return Ok(());
        }
        self.flow_control()?;
        self.break_goes_round()?;
        match self.options.profile.kind {
            Kind::Steps | Kind::Soak | Kind::Proof => {
                self.turnaround()?;
                self.data()?;
                if self.sweeps() { self.sweep() } else { Ok(()) }
            }
            Kind::RateSearch => {
                self.data()?;
                self.sweep()
            }
        }
    }

    /// Other speeds and formats are tried: by the profiles that take their time.
    fn sweeps(&self) -> bool {
        match self.options.profile.kind {
            Kind::RateSearch => true,
            Kind::Steps => self.options.profile.name != "quick",
            Kind::Soak | Kind::Proof => false,
        }
    }

    fn prepare(&mut self) -> Result<(), CheckError> {
        self.line.place(self.placement);
        if self.placement == Placement::Internal && !self.line.apply(LineSetting::InternalLoop(true))? {
            return Err(self.not_offered("loop inside the chip (its driver offers none); use a plug"));
        }
        if self.placement == Placement::Internal {
            self.tell_changed("loop inside the chip on".into());
        }
        let asked = self.format;
        self.format = self.line.configure(asked)?.ok_or_else(|| {
            self.not_offered(&format!("be set to {asked}; --profile rate-search shows what it takes"))
        })?;
        self.tell_changed(format!("raw mode, {}", self.format));
        if self.format != asked {
            self.warnings.push(format!("{asked} was asked for and {} is what the port gives", self.format));
        }
        if self.plug == LinePlug::Rs485 {
            if self.line.apply(LineSetting::HalfDuplex(true))? {
                self.tell_changed("half duplex, receiver on while sending".into());
            } else {
                self.warnings.push(
                    "this port's driver has no half-duplex setting: taken to hear itself while it sends, as adapters with \
                     automatic direction control do"
                        .into(),
                );
            }
        }
        if self.line.capabilities().modem_lines {
            self.line.drive(RESTING)?;
            self.tell_changed("RTS and DTR on".into());
        }
        Ok(())
    }

    fn tell_changed(&mut self, setting: String) {
        (self.say)(Event::LineSettingChanged { port: self.line.identity().name, setting });
    }

    fn not_offered(&self, what: &str) -> CheckError {
        CheckError::NotOffered { port: self.line.identity().name, what: what.to_owned() }
    }

    /// True when something talks that is not us.
    fn listen(&mut self) -> Result<bool, CheckError> {
        // Lines that change while a port is opened can look like a character.
        self.line.pause(OPENING);
        self.line.discard()?;
        let end = self.line.now() + self.options.profile.listen.as_nanos() as u64;
        let mut foreign = 0;
        while self.line.now() < end && !self.cancel.is_cancelled() {
            let until = end.min(self.line.now() + LOOK_EVERY.as_nanos() as u64);
            self.line.receive(until, &mut |received| {
                if let Received::Bytes(bytes) = received {
                    foreign += bytes.len() as u64;
                }
            })?;
        }
        self.gathered.foreign = foreign;
        (self.say)(Event::LineListened { foreign_bytes: foreign });
        Ok(foreign > 0)
    }

    /// A few single blocks, of which the first hold every byte value. True when something comes back.
    fn handful(&mut self) -> Result<bool, CheckError> {
        let before = self.gathered.tally.counts;
        // One stream for all rounds: what comes late from the first is still known in the second.
        let mut exchange = self.exchange(Pattern::Counter, self.format)?;
        for _ in 0..HANDFUL_ROUNDS {
            let (mut returned, mut missed) = (0, 0);
            for _ in 0..HANDFUL_BLOCKS {
                let trip = exchange.alone(self.line, BLOCK_BYTES as u64)?;
                returned += u64::from(trip.is_some());
                missed += u64::from(trip.is_none());
                self.gathered.handful.sent += 1;
                // A second one that is not whole costs seconds and tells no more: the data steps count better.
                if missed > returned.min(1) {
                    break;
                }
            }
            self.gathered.handful.returned += returned;
            if self.must_stop() || exchange.counts().returned > 0 {
                break;
            }
        }
        self.take(exchange)?;
        let FirstProbes { sent, returned } = self.gathered.handful;
        (self.say)(Event::HandfulDone { sent, returned });
        Ok(self.gathered.tally.counts.returned > before.returned)
    }

    /// An exchange of this pattern, with block numbers that no exchange before it had.
    fn exchange(&mut self, pattern: Pattern, format: LineFormat) -> Result<Exchange, CheckError> {
        let stream = BlockStream { tag: self.tag, first_block: self.next_block, pattern, mask: format.data_mask() };
        let mut exchange = Exchange::begin(self.line, stream, format, self.window, self.origin)?;
        // At another format it may never have.
        if format == self.format && self.gathered.tally.counts.returned > 0 {
            exchange.expect_answers();
        }
        Ok(exchange)
    }

    /// Ends an exchange and adds what it measured to the counts that are judged; gives the characters a second.
    fn take(&mut self, exchange: Exchange) -> Result<Option<f64>, CheckError> {
        let exchanged = exchange.finish(self.line)?;
        self.next_block = self.next_block.wrapping_add(exchanged.blocks);
        self.gathered.tally.merge(&exchanged.tally);
        let slowest = self.window <= WINDOW_MIN;
        if slowest || self.gathered.slowdowns > 0 {
            self.gathered.since_slowed.merge(&exchanged.tally.counts);
        }
        if let Some(errors) = exchanged.errors {
            if slowest {
                self.gathered.lost_at_slowest += errors.lost_in_host();
            }
            self.gathered.errors.get_or_insert_default().merge(&errors);
        }
        Ok(exchanged.characters_per_second)
    }

    fn must_stop(&self) -> bool {
        self.gathered.stopped.is_some() || self.cancel.is_cancelled()
    }

    fn put_back(&mut self) {
        self.settings_changed.extend(self.line.put_back());
        for setting in &self.settings_changed {
            (self.say)(Event::SettingPutBack { setting: setting.clone() });
        }
    }
}

/// Both outputs asserted: what a port does when a program opens it.
const RESTING: ModemOutputs = ModemOutputs { rts: true, dtr: true, out1: false, out2: true };
const OPENING: Duration = Duration::from_millis(50);
const LOOK_EVERY: Duration = Duration::from_millis(100);
const HANDFUL_BLOCKS: u32 = 8;
const HANDFUL_ROUNDS: u32 = 2;
/// Fewest bytes out at once: half of what the smallest chip with a store holds (16 bytes, 16550).
const WINDOW_MIN: u64 = 8;
