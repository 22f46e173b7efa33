//! Rules on stages with the plug in the port itself: is it the port or the plug?

use super::sides::{Sides, TURNS_MAX, TURNS_MIN, Weight};
use super::{CaseRule, Conclusion};
use crate::base::figure::{counted, upper};
use crate::document::case::line::{Gear, Line, Visit};
use crate::document::case::name::{Spot, StageName};
use crate::document::case::stage::Showing;
use crate::judge::suspects::NEXT_FOR_PORT;
use crate::judge::{Location, RuleId};

pub(super) const RULES: &[CaseRule] = &[
    CaseRule { id: RuleId::PortSilent, decide: port_silent },
    CaseRule { id: RuleId::PortOrPlug, decide: port_or_plug },
];

const HERE: StageName = StageName::At(Spot::AtPort);
const SOAK: StageName = StageName::Soak(Spot::AtPort);

/// The adapter's own counts name the port, whatever is plugged in.
fn port_silent(line: &Line) -> Option<Conclusion> {
    let named: Vec<_> =
        line.visits.iter().filter(|v| v.shows == Showing::Fails && v.result.location == [Location::Port]).collect();
    let last = named.last()?;
    if line.history(last.place).passes > 0 {
        return None;
    }
    let conclusion = Conclusion::fault(&[Location::Port], last.result.text.clone())
        .sure(match last.result.rule {
            RuleId::NotTransmitted => "near certain: the adapter's own count says so",
            _ => "near certain: nothing else takes part in what failed",
        })
        .then(NEXT_FOR_PORT);
    Some(if named.len() < 2 {
        conclusion.want(StageName::At(line.spot(last.place)), "It is repeated before the port is blamed.")
    } else {
        conclusion
    })
}

/// The plug at the port: passes, or port and plug are told apart.
fn port_or_plug(line: &Line) -> Option<Conclusion> {
    let history = line.history(0);
    let Some(last) = line.last(0) else {
        if line.skipped(&HERE) {
            return None;
        }
        let why = match &line.case.options.return_port {
            Some(_) => "A short cord tests both ports and nothing of the cable.",
            None => "A plug in the port itself tests the whole port and nothing of the cable.",
        };
        return Some(Conclusion::undecided("Nothing is known yet about the line side of the port.").want(HERE, why));
    };
    if let Some(active) = line.at(0).filter(|v| v.active()).last()
        && history.passes == 0
        && history.fails > 0
    {
        let conclusion = Conclusion::undecided(format!("at-port: {}", active.result.text));
        return Some(conclusion.then(advice(&active.result.rule)).again(HERE));
    }
    match (history.passes, history.fails) {
        (0, 0) if last.result.needs_longer() => (!history.long).then(|| {
            Conclusion::undecided(format!("at-port: {}", last.result.text)).want(SOAK, "Only a longer run can decide.")
        }),
        // A farther place may fail in another way, which this computer does not explain.
        (0, 0) if last.loses_here() && history.unclear >= 2 => None,
        (0, 0) if last.result.rule == RuleId::ComesAndGoes => {
            let conclusion = Conclusion::undecided(format!("at-port: {}", last.result.text));
            Some(conclusion.want(SOAK, "A longer run, untouched, shows whether it comes back."))
        }
        (0, 0) => {
            let conclusion = Conclusion::undecided(format!("at-port: {}", last.result.text))
                .then(advice(&last.result.rule))
                .again(HERE);
            Some(if history.unclear < 3 { conclusion.want(HERE, repeat(&last.result.rule)) } else { conclusion })
        }
        (_, 0) => None,
        (0, _) => Some(steady(line, history.fails)),
        // It failed, then held: a contact that seating cleaned.
        (_, _) if history.passes_since >= 2 => None,
        (_, _) if history.passes_since == 1 => Some(
            Conclusion::undecided("at-port: It failed and then passed with the same plug.")
                .then("Clean the contacts of port and plug.")
                .want(SOAK, "It passed after it had failed. A longer run, untouched, shows whether that holds."),
        ),
        _ => Some(coming_and_going(line)),
    }
}

/// What to do about a run with the plug in place that this rule left undecided.
pub(super) fn advice(rule: &RuleId) -> &'static str {
    match rule {
        RuleId::NotAPlainLoop | RuleId::EchoesLate => {
            "Find out what is really plugged in: a plug returns each frame once and in order, an active device may \
             not. Fit a plug that passes in a port that works. Then repeat this stage."
        }
        RuleId::DamagedAfterCheck => {
            "See that nothing but cable and plug is in the loop: a switch or a media converter makes a new frame \
             check. Then repeat this stage. If it stays, test this computer's memory."
        }
        RuleId::HostLimited => "Stop other work on this computer. Then repeat this stage.",
        RuleId::LostAtFullPace => {
            "Stop other work on this computer. Then repeat this stage. If bytes are still lost, open a case on a \
             serial port that is built into the computer: its driver counts what it drops."
        }
        RuleId::PlugJoinsDataOnly => {
            "Look at the plug. If it joins only the data wires, go on with --wiring data-only. If it has all wires, \
             try it in a port that works."
        }
        RuleId::NoBytesReturned => {
            "Keep the receiver on while sending, if the port has a setting for that. If it has none, test with a \
             second port on the pair."
        }
        RuleId::PortGone => {
            "Check that the adapter is seated and powered, and read the kernel log. Then repeat this stage."
        }
        _ => "Seat plug and connector, and leave both alone. Then repeat this stage.",
    }
}

/// Why such a run is worth repeating.
pub(super) fn repeat(rule: &RuleId) -> &'static str {
    match rule {
        RuleId::HostLimited | RuleId::LostAtFullPace => {
            "The last attempt decided nothing. Stop other work on this computer first."
        }
        _ => "The last attempt decided nothing. Seat the plug again first.",
    }
}

/// Every attempt failed.
fn steady(line: &Line, fails: u32) -> Conclusion {
    let text = format!("at-port: {fails} of {fails} runs fail. {}", last_failure(line));
    if fails < 2 {
        let seen = if is_only_open(line) {
            Conclusion::undecided(text)
        } else {
            Conclusion::fault(&[Location::Port, Location::Plug], text)
                .sure("seen once; port and plug cannot be told apart yet")
        };
        return seen
            .want(HERE, "A bad contact is the most common cause.")
            .want(StageName::OtherPlug, "Another plug tells port and plug apart.");
    }
    tell_apart(line, text)
}

/// All that is known is that nothing came back with this plug in this port: a plug that nobody fitted looks like that.
fn is_only_open(line: &Line) -> bool {
    line.bench.iter().all(|v| v.result.rule == RuleId::LoopOpen && v.gear == Gear::Own)
}

/// It failed after it had passed with the same plug in the same port.
fn coming_and_going(line: &Line) -> Conclusion {
    let history = line.history(0);
    let text = format!(
        "at-port: The failure comes and goes: {} runs fail and {} pass with the same plug. {}",
        history.fails,
        history.passes,
        last_failure(line)
    );
    if !line.at(0).any(|v| v.long && v.shows == Showing::Fails) && history.fails < 3 {
        return Conclusion::fault(&[Location::Port, Location::Plug], text)
            .sure("it comes and goes; port and plug cannot be told apart yet")
            .want(SOAK, "A longer run shows how often it comes.");
    }
    tell_apart(line, text)
}

fn last_failure<'a>(line: &Line<'a>) -> &'a str {
    let failed = line.visits.iter().rfind(|v| v.place == 0 && v.shows == Showing::Fails);
    failed.map_or("", |v| v.result.text.as_str())
}

/// Runs with one plug in one port that decided something.
#[derive(Clone, Copy, Default)]
struct Bench {
    fails: usize,
    passes: usize,
    /// All runs, those that decided nothing too.
    all: usize,
    /// Runs that passed and were too short to say anything where the failure comes and goes.
    short_passes: usize,
}

impl Bench {
    fn decided(self) -> usize {
        self.fails + self.passes
    }

    fn mostly_fails(self) -> bool {
        self.fails > self.passes
    }

    fn mostly_passes(self) -> bool {
        self.passes > self.fails
    }

    /// It passes mostly, or it was not to be tried.
    fn never_mostly_fails(self) -> bool {
        self.mostly_passes() || self.decided() == 0
    }
}

/// What is exchanged to tell port and plug apart.
struct Exchange<'l, 'a> {
    line: &'l Line<'a>,
    sporadic: bool,
    own: Bench,
    other: Bench,
    known: Bench,
}

impl<'l, 'a> Exchange<'l, 'a> {
    fn new(line: &'l Line<'a>) -> Self {
        let sporadic = line.changes(0) || line.at(0).any(Visit::sporadic);
        let bench = |gear: Gear| {
            let mut bench = Bench::default();
            for v in line.bench.iter().filter(|v| v.gear == gear) {
                bench.all += usize::from(v.long || !sporadic);
                bench.fails += usize::from(v.shows == Showing::Fails);
                let passes = v.shows == Showing::Passes;
                bench.passes += usize::from(passes && (v.long || !sporadic));
                bench.short_passes += usize::from(passes && !v.long && sporadic);
            }
            bench
        };
        let (own, other, known) = (bench(Gear::Own), bench(Gear::OtherPlug), bench(Gear::KnownGoodPort));
        Self { line, sporadic, own, other, known }
    }

    /// Runs with what these two have in common against the rest.
    fn sides(&self, with: &[Gear]) -> Sides<'a> {
        Sides::new(self.line.bench.iter().map(|v| (with.contains(&v.gear), *v)), self.sporadic)
    }

    /// What the runs so far point to, and what it would share: the plug, the port, or only the two together.
    fn pointed_at(&self) -> Option<(Vec<Location>, &'static [Gear])> {
        if !self.own.mostly_fails() {
            return None;
        }
        match (self.other, self.known) {
            (o, k) if o.mostly_passes() && k.mostly_fails() => {
                Some((vec![Location::Plug], &[Gear::Own, Gear::KnownGoodPort]))
            }
            (o, k) if o.mostly_fails() && k.mostly_passes() => {
                Some((vec![Location::Port], &[Gear::Own, Gear::OtherPlug]))
            }
            // Of an exchange that could not be made nothing is known.
            (o, k) if o.decided() + k.decided() > 0 && o.never_mostly_fails() && k.never_mostly_fails() => {
                Some((vec![Location::Port, Location::Plug], &[Gear::Own]))
            }
            _ => None,
        }
    }

    fn bench(&self, gear: Gear) -> Bench {
        match gear {
            Gear::Own => self.own,
            Gear::OtherPlug => self.other,
            Gear::KnownGoodPort => self.known,
        }
    }

    /// Something failed in a run with another plug, or with this plug in another port.
    fn exchanged_in_vain(&self) -> bool {
        self.line.bench.iter().any(|v| v.gear != Gear::Own && v.shows == Showing::Neither && v.result.tried.failed > 0)
    }

    /// The next of these to try: the one tried least. Not one that was skipped, or that never decides anything.
    fn least_tried(&self, gears: &[Gear]) -> Option<StageName> {
        let open = |gear: &&Gear| {
            let bench = self.bench(**gear);
            !self.line.skipped(&self.stage(**gear)) && (bench.decided() > 0 || bench.all < REPEATS)
        };
        let gear = gears.iter().filter(open).min_by_key(|gear| self.bench(**gear).all)?;
        Some(self.stage(*gear))
    }

    fn stage(&self, gear: Gear) -> StageName {
        match gear {
            Gear::OtherPlug => StageName::OtherPlug,
            Gear::KnownGoodPort => StageName::KnownGoodPort,
            Gear::Own if self.sporadic || self.line.at(0).any(Visit::too_short) => SOAK,
            Gear::Own => HERE,
        }
    }

    /// Runs in another port that were not made here, but told.
    fn answers(&self) -> usize {
        let answered = |v: &&Visit| v.gear == Gear::KnownGoodPort && v.result.rule == RuleId::Answered;
        self.line.bench.iter().filter(answered).count()
    }

    /// How each combination fared, in words.
    fn told(&self) -> String {
        let answers = self.answers();
        let of = |what: &str, bench: Bench| {
            let Bench { fails, all, short_passes, .. } = bench;
            let (decided, unclear) = (bench.decided(), all.saturating_sub(bench.decided()));
            let beside = [(unclear, "decided nothing"), (short_passes, "passed, short enough to miss it")];
            let beside = beside.into_iter().filter(|(runs, _)| *runs > 0);
            let beside: Vec<String> = beside.map(|(runs, what)| format!("{runs} more {what}")).collect();
            let beside = if beside.is_empty() { String::new() } else { format!(" ({})", beside.join(", ")) };
            match decided {
                0 if unclear == 0 => None,
                0 => Some(format!("{what} {} decided nothing", counted(unclear as u64, "run"))),
                _ => Some(format!("{what} {fails} of {decided} runs fail{beside}")),
            }
        };
        let elsewhere = of("with this plug in a port that works", self.known);
        let elsewhere = elsewhere.map(|told| match answers {
            0 => told,
            some => format!("{told} ({some} of these by your word)"),
        });
        let told =
            [of("with this plug in this port", self.own), of("with another plug in this port", self.other), elsewhere];
        upper(&told.into_iter().flatten().collect::<Vec<_>>().join(", "))
    }
}

/// Another plug in this port, and this plug in a known-good port: the failure must follow one of the two.
fn tell_apart(line: &Line, text: String) -> Conclusion {
    let runs = Exchange::new(line);
    let both = [Location::Port, Location::Plug];
    let open = if is_only_open(line) {
        Conclusion::undecided(text.clone())
    } else {
        Conclusion::fault(&both, text.clone()).sure("port and plug cannot be told apart yet")
    };
    let open = open.then(
        "Try this plug in a port of the same kind that works, and a plug that works in this port. Until then use a \
         spare port.",
    );
    // A failure that comes and goes may be away for the time of a short run: exchanges are then as long as this soak.
    if runs.sporadic && !line.history(0).long && !line.skipped(&SOAK) {
        return open.want(SOAK, "It comes and goes. A longer run shows how often it comes.");
    }
    // Both exchanges are made once before anything is concluded from either.
    for (gear, why) in [
        (Gear::OtherPlug, "Another plug in the same port tells port and plug apart."),
        (Gear::KnownGoodPort, "The same plug in a port that works shows whether the plug is good."),
    ] {
        if runs.bench(gear).decided() == 0
            && let Some(stage) = runs.least_tried(&[gear])
        {
            return open.want(stage, why);
        }
    }
    if runs.own.mostly_fails() && runs.other.decided() + runs.known.decided() == 0 {
        // What was exchanged was no better, only not so bad that it failed.
        return if runs.exchanged_in_vain() { follows_nothing(&runs, text) } else { open };
    }
    let Some((blamed, with)) = runs.pointed_at() else { return follows_nothing(&runs, text) };
    let sides = runs.sides(with);
    let Weight { proved, what, next_with, next_still, too_short } = sides.weigh();
    let tried = format!("{text} {}.", runs.told());
    if proved {
        let how_sure = match runs.answers() {
            0 => "near certain",
            _ => "as sure as your word for a part of these runs",
        };
        return match blamed.as_slice() {
            [Location::Plug] => Conclusion::fault(&blamed, tried)
                .sure(format!("{how_sure}: the failure follows the plug from port to port; {what}"))
                .then("Throw this plug away, or mend it. Then open a new case with a plug that passed."),
            [Location::Port] => Conclusion::fault(&blamed, tried)
                .sure(format!("{how_sure}: two plugs fail in this port, and one of them passes in another; {what}"))
                .then(NEXT_FOR_PORT),
            _ => Conclusion::fault(&both, tried)
                .sure(format!("{how_sure}: this plug fails in this port; not known which of the two is worn; {what}"))
                .then(
                    "Clean the contacts of both and look at them. If it comes back, use a spare port and another plug.",
                ),
        };
    }
    if too_short && sides.turns() >= TURNS_MIN && !line.history(0).long && !line.skipped(&SOAK) {
        return open.want(SOAK, "All that failed came in a few of the seconds. A longer run shows how often it comes.");
    }
    if sides.turns() >= TURNS_MAX {
        return follows_nothing(&runs, text);
    }
    let rest: Vec<Gear> =
        [Gear::OtherPlug, Gear::KnownGoodPort, Gear::Own].into_iter().filter(|gear| !with.contains(gear)).collect();
    let conclusion = Conclusion::fault(&blamed, tried)
        .sure(format!("not yet repeated often enough: a disturbance from outside can look the same; {what}"));
    let last = line.bench.last().filter(|_| next_still).and_then(|v| runs.least_tried(&[v.gear]));
    match (last, runs.least_tried(if next_with { with } else { &rest })) {
        (Some(stage), _) => conclusion.want_still(stage),
        (None, Some(stage)) => {
            conclusion.want(stage, "The failure must come and go with what is suspected, not by itself.")
        }
        (None, None) => follows_nothing(&runs, text),
    }
}

/// The failures stay, or come and go, whatever is exchanged: nobody is blamed for that.
fn follows_nothing(runs: &Exchange, text: String) -> Conclusion {
    let alike = [runs.own, runs.other, runs.known].into_iter().all(|bench| bench.passes == 0);
    let more: Vec<Gear> =
        [Gear::OtherPlug, Gear::KnownGoodPort].into_iter().filter(|gear| runs.bench(*gear).all < REPEATS).collect();
    let conclusion = Conclusion::undecided(format!("{text} {}.", runs.told()));
    let conclusion = if alike {
        conclusion.sure("certain that it fails; it fails alike whichever plug and port is used").then(
            "Look for what all these runs share: this computer, its power supply, a motor or radio nearby. Two bad \
             plugs look the same: try another plug in the port that works. Blame neither port nor plug yet.",
        )
    } else {
        conclusion.sure("certain that it fails now and then; it does not follow plug or port").then(
            "Clean the contacts of port and plug. Look for a disturbance nearby (a motor, a radio, welding, a bad \
             earth) and for other work on this computer. Repeat the case at another time. Soak at the port for an hour \
             meanwhile. Blame neither port nor plug yet.",
        )
    };
    let conclusion = conclusion.again(SOAK);
    match runs.least_tried(&more) {
        Some(stage) => conclusion.want(stage, "What was exchanged made no clear difference. It is repeated once."),
        None => conclusion,
    }
}

/// An exchange that made no clear difference is made so often.
const REPEATS: usize = 2;
