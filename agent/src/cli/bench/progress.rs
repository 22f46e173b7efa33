//! A line for each card under test: rewritten in place on a terminal, told now and then elsewhere.

use std::{
    io::IsTerminal,
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        mpsc::{RecvTimeoutError, Sender, channel},
    },
    thread::{self, JoinHandle},
    time::{Duration, Instant},
};

use turnback_core::bench::procedure::TestName;

use crate::{
    show::{
        bench as shown,
        lines::{cut, message_width},
    },
    tell,
    work::bench::{asking::BenchEvent, expected::Expected},
};

/// Shows the cards under test until it is dropped.
pub(super) struct Progress {
    cards: Arc<Mutex<Cards>>,
    /// Dropped to end the thread that shows how time passes.
    ends: Option<Sender<()>>,
    ticker: Option<JoinHandle<()>>,
}

impl Progress {
    /// Nothing is under test yet. `quiet`: the answer is for a program, and only a terminal sees progress.
    pub(super) fn new(is_simulated: bool, quiet: bool) -> Self {
        let is_live = std::io::stderr().is_terminal() && std::env::var("TERM").is_ok_and(|term| term != "dumb");
        let cards = Arc::new(Mutex::new(Cards::new(is_live, is_simulated)));
        let (ends, ended) = channel::<()>();
        // The time of a simulated bench is over as soon as it is known.
        let is_shown = is_live || !(quiet || is_simulated);
        let ticker = is_shown.then(|| {
            let cards = Arc::clone(&cards);
            thread::spawn(move || {
                while ended.recv_timeout(TICK) == Err(RecvTimeoutError::Timeout) {
                    let mut cards = locked(&cards);
                    tell::text(&cards.passed(Instant::now(), message_width()));
                }
            })
        });
        Self { cards, ends: Some(ends), ticker }
    }

    /// Takes over what happens, and tells a line of it, if there is one to tell.
    pub(super) fn happened(&self, event: &BenchEvent, line: Option<&str>) {
        let mut cards = locked(&self.cards);
        cards.note(event, Instant::now());
        if let Some(line) = line {
            tell::text(&format!("{}{line}\n", cards.cleared()));
        }
    }

    /// Takes the lines away, so that something else can be told.
    pub(super) fn clear(&self) {
        tell::text(&locked(&self.cards).cleared());
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        drop(self.ends.take());
        if let Some(ticker) = self.ticker.take() {
            let _ = ticker.join();
        }
        self.clear();
    }
}

/// The cards under test, in the order in which they were begun.
struct Cards {
    is_live: bool,
    is_simulated: bool,
    under_test: Vec<UnderTest>,
    /// Lines that stand on the terminal.
    drawn: usize,
    /// Without a terminal: when they were told last.
    told: Option<Instant>,
}

struct UnderTest {
    card: String,
    test: TestName,
    expected: Expected,
    began: Instant,
}

impl Cards {
    fn new(is_live: bool, is_simulated: bool) -> Self {
        Self { is_live, is_simulated, under_test: Vec::new(), drawn: 0, told: None }
    }

    fn note(&mut self, event: &BenchEvent, now: Instant) {
        self.told.get_or_insert(now);
        if !matches!(event, BenchEvent::SetAside { .. }) {
            self.under_test.retain(|known| known.card != event.card());
        }
        if let BenchEvent::TestBegan { card, test, expected, .. } = event {
            self.under_test.push(UnderTest { card: card.clone(), test: *test, expected: *expected, began: now });
        }
    }

    /// What is to be written now that time has passed.
    fn passed(&mut self, now: Instant, width: usize) -> String {
        if !self.is_live {
            let is_time = self.told.is_some_and(|told| now.saturating_duration_since(told) >= SELDOM);
            if !is_time || self.under_test.is_empty() {
                return String::new();
            }
            self.told = Some(now);
            return self.lines(now).map(|line| format!("  {line}\n")).collect();
        }
        let mut out = self.cleared();
        for line in self.lines(now) {
            out.push_str(&format!("{}\n", cut(&line, width - 1)));
        }
        self.drawn = self.under_test.len();
        out
    }

    fn lines(&self, now: Instant) -> impl Iterator<Item = String> {
        self.under_test.iter().map(move |of| {
            let elapsed_s = now.saturating_duration_since(of.began).as_secs_f64();
            shown::progress(&of.card, of.test, &of.expected, (!self.is_simulated).then_some(elapsed_s))
        })
    }

    /// What takes the lines off the terminal: up by as many lines, and all from there on erased (ECMA-48 CUU and ED).
    fn cleared(&mut self) -> String {
        match std::mem::take(&mut self.drawn) {
            0 => String::new(),
            lines => format!("\r\x1b[{lines}A\x1b[J"),
        }
    }
}

fn locked(cards: &Mutex<Cards>) -> MutexGuard<'_, Cards> {
    cards.lock().unwrap_or_else(PoisonError::into_inner)
}

/// How often the lines are written anew on a terminal.
const TICK: Duration = Duration::from_millis(500);
/// How often they are told elsewhere. Our own choice.
const SELDOM: Duration = Duration::from_secs(300);

#[cfg(test)]
mod tests {
    use super::*;
    use crate::show::lines::columns;

    fn began(card: &str) -> BenchEvent {
        let expected = Expected { number: 1, of: 2, takes_s: Some(60.0), then_s: 0.0 };
        BenchEvent::TestBegan {
            card: card.into(),
            test: TestName::Load,
            slot: "slot-1".into(),
            plugs: Vec::new(),
            transceivers: Vec::new(),
            expected,
        }
    }

    fn ended(card: &str) -> BenchEvent {
        let (card, test, failed) = (card.into(), TestName::Load, Vec::new());
        BenchEvent::TestEnded { card, test, failed, again: false, took_s: 60.0 }
    }

    #[test]
    fn a_terminal_shows_each_card_under_test_once_and_in_place() {
        let mut cards = Cards::new(true, false);
        let start = Instant::now();
        let at = |seconds| start + Duration::from_secs(seconds);
        cards.note(&began("quay-01"), start);
        cards.note(&began("quay-02"), at(10));
        let first = cards.passed(at(20), 80);
        let two = "quay-01: load, test 1 of 2, 40 s left\nquay-02: load, test 1 of 2, 50 s left\n";
        assert_eq!(first, two);
        assert!(cards.passed(at(21), 80).starts_with("\r\x1b[2A\x1b[Jquay-01: load, test 1 of 2, 39 s left\n"));
        cards.note(&ended("quay-01"), at(22));
        assert_eq!(cards.passed(at(30), 80), "\r\x1b[2A\x1b[Jquay-02: load, test 1 of 2, 40 s left\n");
        // Where something else is told, the line goes first, and once.
        assert_eq!((cards.cleared(), cards.cleared()), ("\r\x1b[1A\x1b[J".to_owned(), String::new()));
        // A line that the terminal broke would not be taken away whole.
        assert!(cards.passed(at(31), 20).lines().all(|line| columns(line) < 20));
    }

    #[test]
    fn without_a_terminal_the_cards_are_told_seldom_and_nothing_is_erased() {
        let mut cards = Cards::new(false, false);
        let start = Instant::now();
        cards.note(&began("quay-01"), start);
        let told = |cards: &mut Cards, seconds| cards.passed(start + Duration::from_secs(seconds), 80);
        assert_eq!(told(&mut cards, 299), "");
        assert_eq!(told(&mut cards, 300), "  quay-01: load, test 1 of 2, nearly done\n");
        assert_eq!(told(&mut cards, 301), "");
        cards.note(&ended("quay-01"), start);
        assert_eq!((told(&mut cards, 900), cards.cleared()), (String::new(), String::new()));
    }
}
