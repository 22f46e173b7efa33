//! Who goes next: what keeps a run from beginning, and what waits.
//!
//! A person who asks goes first. While a run that was asked for waits, no scheduled run begins that it would have to
//! wait for.

use super::{
    agent::QueueEntry,
    host::PortFacts,
    status::{ASKED, Asked, Running, Status, Turn},
};

/// A run that is on or may begin, and the room it takes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    port: String,
    adapter: Option<String>,
    side_by_side: bool,
    hung: bool,
    ends_ms: i64,
}

/// What keeps a run from beginning.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Block {
    /// A driver hangs, on the port itself or its adapter.
    Hung(String),
    /// A run is on, on the port itself or its adapter.
    Adapter(String),
    /// There is no room for one more run.
    Full(u32),
    /// Too few processors are free.
    Processors,
    /// The bench tests this card, or waits to.
    Bench(String),
}

impl Block {
    /// In words.
    pub fn text(&self) -> String {
        match self {
            Self::Hung(port) => format!("the driver of {port} hangs; if it stays so, restart the machine"),
            Self::Adapter(port) => format!("a run is on, on {port}"),
            Self::Full(most) => format!("as many runs are on as runs_at_once allows, {most}"),
            Self::Processors => "the run that is on needs the processors".to_owned(),
            Self::Bench(card) => format!("the bench tests card {card}"),
        }
    }
}

impl Status {
    /// The room that a run on a port takes, if it began now.
    pub fn place(&self, port: &str, side_by_side: bool) -> Place {
        let facts = self.ports.get(port).and_then(|port| port.facts.as_ref());
        let adapter = facts.and_then(PortFacts::adapter).map(str::to_owned);
        Place { port: port.to_owned(), adapter, side_by_side, hung: false, ends_ms: 0 }
    }

    /// The room that is taken now.
    pub fn taken(&self, now_ms: i64) -> Vec<Place> {
        let running = self.ports.iter().filter_map(|(name, port)| Some((name, port.running.as_ref()?)));
        let place = |(port, run): (&String, &Running)| Place {
            port: port.clone(),
            adapter: run.adapter.clone(),
            side_by_side: run.side_by_side,
            hung: run.hung,
            ends_ms: ends_ms(run, now_ms),
        };
        running.map(place).collect()
    }

    /// What keeps a run from beginning beside those that are on.
    pub fn block(&self, wanted: &Place, taken: &[Place]) -> Option<Block> {
        let stands = taken.iter().filter(|run| run.stands_in_the_way_of(wanted));
        if let Some(run) = stands.max_by_key(|run| run.hung) {
            let port = run.port.clone();
            return Some(if run.hung { Block::Hung(port) } else { Block::Adapter(port) });
        }
        if let Some(Turn::Tests(card) | Turn::Waits(card)) = &self.turn {
            return Some(Block::Bench(card.clone()));
        }
        let beside = taken.iter().filter(|run| !run.hung).count() as u32;
        if beside >= self.config.limits.runs_at_once {
            return Some(Block::Full(beside));
        }
        // Two processors a run: one sends, one receives. Sharing them would make this computer lose frames.
        let crowded = beside > 0 && 2 * (beside + 1) > self.processors;
        (crowded && !wanted.side_by_side).then_some(Block::Processors)
    }

    /// The port of a run that was asked for and would have to wait for this scheduled one.
    pub fn held_for(&self, scheduled: &Place, taken: &[Place]) -> Option<&Asked> {
        self.asked.iter().find(|asked| {
            let wanted = self.place(&asked.port, false);
            if matches!(self.block(&wanted, taken), Some(Block::Hung(_))) {
                return false;
            }
            // What stands in its way ends before it begins; the scheduled run would be there then.
            let mut then: Vec<Place> = taken.iter().filter(|run| !run.stands_in_the_way_of(&wanted)).cloned().collect();
            then.push(scheduled.clone());
            self.block(&wanted, &then).is_some()
        })
    }

    /// What waits, the runs that people asked for first.
    pub fn queue(&self, now_ms: i64) -> Vec<QueueEntry> {
        let taken = self.taken(now_ms);
        let mut entries: Vec<QueueEntry> = Vec::new();
        let mut before: Option<(Place, i64, i64)> = None;
        for asked in &self.asked {
            let wanted = self.place(&asked.port, false);
            let block = self.block(&wanted, &taken);
            let mut begins_ms = match &block {
                None => Some(now_ms),
                Some(Block::Hung(_) | Block::Bench(_)) => None,
                Some(Block::Adapter(_)) => {
                    taken.iter().filter(|run| run.stands_in_the_way_of(&wanted)).map(|run| run.ends_ms).max()
                }
                Some(Block::Full(_)) => taken.iter().filter(|run| !run.hung).map(|run| run.ends_ms).min(),
                Some(Block::Processors) => taken.iter().filter(|run| !run.hung).map(|run| run.ends_ms).max(),
            };
            // Those before it begin earlier, and what cannot go beside them waits for their end.
            if let Some((place, from_ms, until_ms)) = &before {
                let waits = self.block(&wanted, std::slice::from_ref(place)).is_some();
                begins_ms = begins_ms.map(|ms| ms.max(if waits { *until_ms } else { *from_ms }));
            }
            if let Some(from_ms) = begins_ms {
                let until_ms = from_ms + asked.profile.usual_time().as_millis() as i64;
                before = Some((wanted, from_ms, until_ms));
            }
            entries.push(QueueEntry {
                position: entries.len() as u32 + 1,
                run: Some(asked.run.clone()),
                port: asked.port.clone(),
                profile: asked.profile.name.clone(),
                cause: asked.case.clone().unwrap_or_else(|| ASKED.to_owned()),
                by: Some(asked.by.clone()),
                since_ms: asked.asked_ms,
                reason: match (block, begins_ms) {
                    (Some(block), _) => block.text(),
                    (None, Some(ms)) if ms > now_ms => "a run that was asked for before goes first".to_owned(),
                    (None, _) => "begins now".to_owned(),
                },
                begins_ms,
            });
        }
        for held in &self.held {
            let Some(round) = self.config.rounds.get(held.round) else { continue };
            entries.push(QueueEntry {
                position: entries.len() as u32 + 1,
                run: None,
                port: held.port.clone(),
                profile: round.profile.name.clone(),
                cause: round.name.clone(),
                by: None,
                since_ms: held.due_ms,
                reason: held.reason.clone(),
                begins_ms: None,
            });
        }
        entries
    }
}

impl Place {
    /// Whether this run keeps another from beginning, because of its port or adapter. One that hangs does, whatever was
    /// agreed: what made it hang is not over.
    fn stands_in_the_way_of(&self, wanted: &Self) -> bool {
        let shared = wanted.adapter.is_some() && self.adapter == wanted.adapter;
        self.port == wanted.port || (shared && (self.hung || !self.side_by_side || !wanted.side_by_side))
    }
}

/// When a run ends at about: by its share where that says something, else as such runs usually do, else by its plan.
fn ends_ms(run: &Running, now_ms: i64) -> i64 {
    let elapsed = (now_ms - run.live.started_ms).max(0) as f64;
    match run.live.share_done {
        Some(share) if share >= SHARE_TOLD => now_ms + (elapsed * (1.0 - share.min(1.0)) / share) as i64,
        _ if run.usual_end_ms > now_ms => run.usual_end_ms,
        _ => run.planned_end_ms.max(now_ms),
    }
}

/// A smaller share says little about the speed. Our own choice.
const SHARE_TOLD: f64 = 0.05;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        archive::memory::Memory,
        config::Config,
        daemon::status::{Shared, Watched},
    };

    fn place(port: &str, adapter: &str, side_by_side: bool) -> Place {
        Place { port: port.into(), adapter: Some(adapter.into()), side_by_side, hung: false, ends_ms: 50 }
    }

    fn status(processors: u32, at_once: u32, asked: &[&str]) -> std::sync::Arc<Shared> {
        let config = Config::parse("none", &format!("[limits]\nruns_at_once = {at_once}\n")).unwrap();
        let shared = Shared::new(config, Box::new(Memory::default()), || jiff::Timestamp::UNIX_EPOCH);
        {
            let mut status = shared.status();
            status.processors = processors;
            for number in 0..8 {
                let facts =
                    PortFacts { bus: Some(format!("0000:0{}:00.{number}", number / 2)), ..PortFacts::default() };
                let name = format!("quay{number}");
                status.ports.insert(name, Watched { facts: Some(facts), ..Watched::default() });
            }
            for port in asked {
                status.asked.push_back(Asked {
                    run: format!("run-{port}"),
                    port: (*port).to_owned(),
                    profile: turnback_core::plan::Profile::named("quick").unwrap(),
                    placement: None,
                    cable: None,
                    case: None,
                    stage: None,
                    record: Default::default(),
                    by: "desk".into(),
                    asked_ms: 7,
                });
            }
        }
        shared
    }

    #[test]
    fn a_run_is_kept_out_by_port_adapter_count_and_processors() {
        let shared = status(4, 3, &[]);
        let status = shared.status();
        let wanted = |side_by_side| place("quay1", "0000:00:00", side_by_side);
        let hung = |port: &str, adapter: &str| Place { hung: true, ..place(port, adapter, true) };
        let other = |n: u32| place(&format!("lock{n}"), &format!("0000:1{n}:00"), true);
        let block = |side_by_side, taken: &[Place]| status.block(&wanted(side_by_side), taken);
        assert_eq!(block(false, &[]), None);
        assert_eq!(block(true, &[place("quay1", "0000:00:00", true)]), Some(Block::Adapter("quay1".into())));
        assert_eq!(block(false, &[place("quay0", "0000:00:00", true)]), Some(Block::Adapter("quay0".into())));
        assert_eq!(block(true, &[place("quay0", "0000:00:00", false)]), Some(Block::Adapter("quay0".into())));
        assert_eq!(block(true, &[place("quay0", "0000:00:00", true)]), None);
        assert_eq!(block(true, &[hung("quay0", "0000:00:00")]), Some(Block::Hung("quay0".into())));
        assert_eq!(block(false, &[other(1)]), None);
        assert_eq!(block(false, &[other(1), other(2)]), Some(Block::Processors));
        assert_eq!(block(true, &[other(1), other(2)]), None);
        assert_eq!(block(true, &[other(1), other(2), other(3)]), Some(Block::Full(3)));
        assert_eq!(block(true, &[other(1), other(2), hung("lock3", "0000:13:00")]), None, "one that hangs takes none");
    }

    #[test]
    fn no_run_begins_while_the_bench_has_or_awaits_its_turn() {
        let shared = status(16, 3, &["quay0"]);
        let mut status = shared.status();
        for turn in [Turn::Waits("stores-03".into()), Turn::Tests("stores-03".into())] {
            status.turn = Some(turn);
            assert_eq!(status.block(&place("lock1", "0000:11:00", true), &[]), Some(Block::Bench("stores-03".into())));
            let queue = status.queue(1000);
            assert_eq!((queue[0].begins_ms, queue[0].reason.as_str()), (None, "the bench tests card stores-03"));
        }
        status.turn = None;
        assert_eq!(status.block(&place("lock1", "0000:11:00", true), &[]), None);
    }

    #[test]
    fn a_scheduled_run_does_not_begin_where_somebody_who_asked_would_wait_for_it() {
        // Two processors: what is asked for goes alone.
        let shared = status(2, 2, &["quay0"]);
        let taken = [place("lock1", "0000:11:00", true)];
        assert_eq!(shared.status().held_for(&place("lock2", "0000:12:00", true), &taken).unwrap().port, "quay0");
        // Many processors: only on its own adapter, and in the last place.
        let shared = status(16, 3, &["quay0"]);
        let held = |scheduled: &Place, taken: &[Place]| shared.status().held_for(scheduled, taken).is_some();
        assert!(held(&place("quay1", "0000:00:00", true), &[]));
        assert!(!held(&place("lock2", "0000:12:00", true), &taken));
        let two = [taken[0].clone(), place("lock3", "0000:13:00", true)];
        assert!(held(&place("lock2", "0000:12:00", true), &two));
        // What is on, on its own port, is over by then.
        let own = [two[0].clone(), place("quay0", "0000:00:00", true)];
        assert!(!held(&place("lock2", "0000:12:00", true), &own));
        // Nobody knows when a driver comes back: the others go on.
        let hung = [Place { hung: true, ..place("quay1", "0000:00:00", false) }];
        assert!(!held(&place("lock2", "0000:12:00", true), &hung));
    }

    #[test]
    fn the_queue_says_place_reason_and_time() {
        let shared = status(2, 2, &["quay0", "quay2", "quay2"]);
        let queue = shared.status().queue(1000);
        // A quick check takes some five seconds; waits for a link and repeats are the exception.
        let usual = turnback_core::plan::Profile::named("quick").unwrap().usual_time().as_millis() as i64;
        assert!((4_000..8_000).contains(&usual), "{usual}");
        let told: Vec<_> = queue.iter().map(|e| (e.position, e.port.as_str(), e.begins_ms)).collect();
        assert_eq!(
            told,
            [(1, "quay0", Some(1000)), (2, "quay2", Some(1000 + usual)), (3, "quay2", Some(1000 + 2 * usual))]
        );
        assert_eq!(queue[0].reason, "begins now");
        assert!(queue[1].reason.contains("goes first"), "{}", queue[1].reason);
    }
}
