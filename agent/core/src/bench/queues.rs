//! Queues of a port: what was seen on each that its driver claims, and which of them fail.
//!
//! Which queue a frame takes is decided by driver and card from the flow that it belongs to, its addresses and ports.
//! So flows are sent, and seen on whichever queue they take. A queue that none of them takes is not tested. One is at
//! fault only if a flow is lost each time, while another comes back each time: a line that loses frames loses them of
//! any flow.

use serde::{Deserialize, Serialize};

use crate::judge::RuleId;

/// The queues of one port.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PortQueues {
    /// The port.
    pub port: u32,
    /// Flows that were sent.
    pub flows: u64,
    /// Of those, never one frame came back, though those of another flow did each time in between.
    pub flows_lost: u64,
    /// That other flow was lost as well, so nothing is said about flows.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub unsteady: bool,
    /// The reference card loses flows too, and nobody knows on which queue.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub excused: bool,
    /// Each queue.
    pub queues: Vec<QueueFacts>,
}

/// A queue.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct QueueFacts {
    /// What it is for.
    pub way: Way,
    /// Its number, from 0, as the kernel has it.
    pub number: u32,
    /// Frames that were seen on it; none where the driver does not say which queue a frame came in on.
    pub frames: Option<u64>,
    /// Of a transmit queue: how many of them came back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub returned: Option<u64>,
    /// Interrupts that it raised meanwhile; none where the driver does not say which are its.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub interrupts: Option<u64>,
    /// The same queue of the reference card fails in the same way: that is the driver or this computer.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub excused: bool,
}

/// What a queue is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Way {
    /// Frames that come in.
    Receive,
    /// Frames that go out.
    Transmit,
}

impl Way {
    fn name(self) -> &'static str {
        match self {
            Self::Receive => "receive",
            Self::Transmit => "transmit",
        }
    }
}

impl QueueFacts {
    /// A queue of which nothing is known yet.
    pub fn new(way: Way, number: u32) -> Self {
        Self { way, number, frames: None, returned: None, interrupts: None, excused: false }
    }
}

impl PortQueues {
    /// The rule by which a queue fails, whether or not that is excused.
    fn failure(&self, queue: &QueueFacts) -> Option<RuleId> {
        let frames = queue.frames.unwrap_or(0);
        if self.dead().contains(queue) {
            return Some(RuleId::CardQueue);
        }
        // Transmit queues are emptied without interrupts by some drivers: when the next frame leaves, or one comes in.
        let is_silent = queue.way == Way::Receive && frames >= JUDGED_LEAST && queue.interrupts == Some(0);
        is_silent.then_some(RuleId::CardQueueInterrupt)
    }

    /// The queues on which the lost flows were lost, as far as that can be told: transmit queues of whose frames none
    /// came back, else receive queues on which none came in.
    fn dead(&self) -> Vec<QueueFacts> {
        if self.flows_lost == 0 || self.unsteady {
            return Vec::new();
        }
        let of = |way: Way| self.queues.iter().copied().filter(move |queue| queue.way == way);
        let returns_nothing =
            |queue: &QueueFacts| queue.frames.unwrap_or(0) >= JUDGED_LEAST && queue.returned == Some(0);
        let transmit: Vec<QueueFacts> = of(Way::Transmit).filter(returns_nothing).collect();
        if transmit.is_empty() { of(Way::Receive).filter(|queue| queue.frames == Some(0)).collect() } else { transmit }
    }

    /// The queues on which flows are lost by the card's own fault; empty if nobody knows which, none if there is no
    /// such fault.
    pub fn lost(&self) -> Option<Vec<QueueFacts>> {
        let dead = self.dead();
        if dead.is_empty() {
            return (self.flows_lost > 0 && !self.unsteady && !self.excused).then_some(dead);
        }
        let own: Vec<QueueFacts> = dead.into_iter().filter(|queue| !queue.excused).collect();
        (!own.is_empty()).then_some(own)
    }

    /// The receive queues that raise no interrupt by the card's own fault.
    pub fn silent(&self) -> Vec<QueueFacts> {
        let fails = |queue: &QueueFacts| self.failure(queue) == Some(RuleId::CardQueueInterrupt) && !queue.excused;
        self.queues.iter().copied().filter(fails).collect()
    }

    /// What is said of frames.
    pub fn frames_in_words(&self) -> String {
        let numbers = |way: Way, is_meant: fn(&QueueFacts) -> bool| {
            let meant = self.queues.iter().filter(|queue| queue.way == way && is_meant(queue));
            meant.map(|queue| queue.number).collect::<Vec<u32>>()
        };
        let both = |is_meant: fn(&QueueFacts) -> bool| {
            let named = [Way::Receive, Way::Transmit].map(|way| named(way, &numbers(way, is_meant)));
            named.into_iter().flatten().collect::<Vec<_>>().join(" and ")
        };
        let mut text = match (both(|queue| queue.frames.is_some_and(|frames| frames > 0)), self.unsteady) {
            (_, true) => "not judged: flows that had come back were lost as well".to_owned(),
            (seen, _) if seen.is_empty() => "frames come back".to_owned(),
            (seen, _) => format!("frames on {seen}"),
        };
        if self.flows_lost > 0 && !self.unsteady {
            let (flows, lost) = (self.flows, self.flows_lost);
            let dead = self.dead();
            let at = |way: Way| dead.iter().filter(|q| q.way == way).map(|q| q.number).collect::<Vec<_>>();
            let on = match (named(Way::Transmit, &at(Way::Transmit)), named(Way::Receive, &at(Way::Receive))) {
                (Some(transmit), _) => format!("nothing came back of {transmit}"),
                (_, Some(receive)) => format!("nothing came in on {receive}"),
                _ => "on which queue is not known".to_owned(),
            };
            let excused = if self.lost().is_none() { " (the reference card fails the same)" } else { "" };
            text = format!("{lost} of {flows} flows never came back, {on}{excused}; {text}");
        } else {
            let passed_by = both(|queue| queue.frames == Some(0));
            if !passed_by.is_empty() && !self.unsteady {
                text = format!("{text}; no frame took {passed_by}: not tested");
            }
        }
        if self.queues.iter().any(|queue| queue.frames.is_none()) {
            text.push_str("; its driver does not say which receive queue a frame takes");
        }
        text
    }

    /// What is said of interrupts; none if no frame came in on a receive queue that is known.
    pub fn interrupts_in_words(&self) -> Option<String> {
        let judged = |queue: &&QueueFacts| queue.way == Way::Receive && queue.frames.unwrap_or(0) >= JUDGED_LEAST;
        let all: Vec<&QueueFacts> = self.queues.iter().filter(judged).collect();
        let named = |is_meant: fn(&QueueFacts) -> bool| {
            let meant: Vec<u32> = all.iter().filter(|queue| is_meant(queue)).map(|queue| queue.number).collect();
            named(Way::Receive, &meant)
        };
        if all.is_empty() {
            return None;
        }
        let parts = [
            named(|queue| queue.interrupts == Some(0) && !queue.excused)
                .map(|silent| format!("no interrupt of {silent}, on which frames came in")),
            named(|queue| queue.interrupts == Some(0) && queue.excused)
                .map(|silent| format!("no interrupt of {silent}, nor of the reference card's")),
            named(|queue| queue.interrupts.is_some_and(|count| count > 0))
                .map(|raised| format!("interrupts of {raised}")),
            named(|queue| queue.interrupts.is_none())
                .map(|untold| format!("its driver does not say which interrupts are of {untold}: not tested")),
        ];
        Some(parts.into_iter().flatten().collect::<Vec<_>>().join("; "))
    }
}

/// Excuses what the reference card, which is known to be good, fails as well. None: these are its own ports.
pub fn excuse(ports: &mut [PortQueues], reference: Option<&[PortQueues]>) {
    for port in ports {
        let failures: Vec<Option<RuleId>> = port.queues.iter().map(|queue| port.failure(queue)).collect();
        let fails_so = |queue: &QueueFacts, rule: &RuleId| match reference {
            None => true,
            Some(others) => others.iter().any(|other| {
                let same = |own: &&QueueFacts| (own.way, own.number) == (queue.way, queue.number);
                other.queues.iter().find(same).is_some_and(|own| other.failure(own).as_ref() == Some(rule))
            }),
        };
        let loses = |other: &PortQueues| other.flows_lost > 0 && !other.unsteady && other.dead().is_empty();
        port.excused = reference.is_none_or(|others| others.iter().any(loses));
        for (queue, rule) in port.queues.iter_mut().zip(failures) {
            queue.excused = rule.is_some_and(|rule| fails_so(queue, &rule));
        }
    }
}

/// "receive queues 0-3 and 5"; none for none.
fn named(way: Way, numbers: &[u32]) -> Option<String> {
    let mut runs: Vec<(u32, u32)> = Vec::new();
    for number in numbers {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == *number => *last = *number,
            _ => runs.push((*number, *number)),
        }
    }
    let run = |(first, last): &(u32, u32)| if first == last { first.to_string() } else { format!("{first}-{last}") };
    let plural = if numbers.len() == 1 { "" } else { "s" };
    let listed = crate::base::figure::listed(&runs.iter().map(run).collect::<Vec<_>>());
    (!numbers.is_empty()).then(|| format!("{} queue{plural} {listed}", way.name()))
}

/// With fewer frames a queue is not judged: a flow that is lost is sent this often. Our own choice.
pub const JUDGED_LEAST: u64 = 9;

#[cfg(test)]
mod tests {
    use super::*;

    /// Receive queues with frames and interrupts, transmit queues with frames sent and returned.
    fn port(receive: &[(Option<u64>, Option<u64>)], transmit: &[(u64, u64)], flows_lost: u64) -> PortQueues {
        let receive = (0..).zip(receive).map(|(number, (frames, interrupts))| QueueFacts {
            frames: *frames,
            interrupts: *interrupts,
            ..QueueFacts::new(Way::Receive, number)
        });
        let transmit = (0..).zip(transmit).map(|(number, (frames, returned))| QueueFacts {
            frames: Some(*frames),
            returned: Some(*returned),
            ..QueueFacts::new(Way::Transmit, number)
        });
        PortQueues {
            port: 1,
            flows: 64,
            flows_lost,
            queues: receive.chain(transmit).collect(),
            ..PortQueues::default()
        }
    }

    fn numbers(queues: Option<Vec<QueueFacts>>) -> Option<Vec<(Way, u32)>> {
        queues.map(|queues| queues.iter().map(|queue| (queue.way, queue.number)).collect())
    }

    #[test]
    fn a_queue_is_at_fault_if_a_flow_is_lost_and_not_if_no_flow_takes_it() {
        let seen = |frames| (Some(frames), Some(30));
        let sent = [(32, 32), (32, 32)];
        // Four are claimed, and card and driver use two of them: nothing is lost.
        let half = port(&[seen(32), seen(32), seen(0), seen(0)], &sent, 0);
        assert_eq!((numbers(half.lost()), half.silent().len()), (None, 0));
        assert!(half.frames_in_words().ends_with("; no frame took receive queues 2-3: not tested"), "{half:?}");
        let dead = port(&[seen(40), seen(0), seen(24)], &[(40, 30), (40, 34)], 9);
        assert_eq!(numbers(dead.lost()), Some(vec![(Way::Receive, 1)]));
        let said = "9 of 64 flows never came back, nothing came in on receive queue 1; ";
        assert!(dead.frames_in_words().starts_with(said), "{}", dead.frames_in_words());
        // What a transmit queue keeps is missing on receive queues too.
        let stuck = port(&[seen(40), seen(0)], &[(40, 40), (30, 0)], 9);
        assert_eq!(numbers(stuck.lost()), Some(vec![(Way::Transmit, 1)]));
        // Nobody knows which: the flows are lost all the same.
        let untold = port(&[(None, None), (None, None)], &[(40, 30), (40, 34)], 9);
        assert_eq!(numbers(untold.lost()), Some(vec![]));
        assert!(untold.frames_in_words().contains("on which queue is not known"), "{}", untold.frames_in_words());
        // A loose plug loses frames of any flow.
        let loose = PortQueues { unsteady: true, ..dead };
        assert_eq!(numbers(loose.lost()), None);
        assert!(loose.frames_in_words().starts_with("not judged"), "{}", loose.frames_in_words());
    }

    #[test]
    fn a_receive_queue_with_frames_raises_interrupts_where_the_driver_says_which_are_its() {
        let told = |interrupts| port(&[(Some(40), Some(5)), (Some(24), interrupts)], &[(64, 64)], 0);
        assert_eq!(told(Some(1)).silent().len(), 0);
        assert_eq!(numbers(Some(told(Some(0)).silent())), Some(vec![(Way::Receive, 1)]));
        assert_eq!(told(None).silent().len(), 0);
        let words = told(None).interrupts_in_words().unwrap();
        assert!(words.ends_with("which interrupts are of receive queue 1: not tested"), "{words}");
        // Some drivers empty transmit queues without, and a few frames may come with another queue's.
        let mut quiet = told(Some(3));
        quiet.queues[2].interrupts = Some(0);
        quiet.queues.push(QueueFacts { frames: Some(8), interrupts: Some(0), ..QueueFacts::new(Way::Receive, 2) });
        assert_eq!(quiet.silent().len(), 0);
    }

    #[test]
    fn what_the_reference_card_fails_in_the_same_way_is_excused_and_nothing_else() {
        let seen = (Some(30), Some(30));
        let dead_at = |number: usize| {
            let mut receive = [seen; 4];
            receive[number] = (Some(0), Some(0));
            port(&receive, &[(60, 40)], 9)
        };
        let silent = port(&[seen, (Some(30), Some(0)), seen, seen], &[(60, 60)], 0);
        let judged = |card: &PortQueues, reference: Option<&PortQueues>| {
            let mut ports = [card.clone()];
            excuse(&mut ports, reference.map(std::slice::from_ref));
            (numbers(ports[0].lost()), ports[0].silent().len())
        };
        assert_eq!(judged(&dead_at(1), None), (None, 0), "the reference card itself");
        assert_eq!(judged(&silent, None), (None, 0));
        assert_eq!(judged(&dead_at(1), Some(&dead_at(1))), (None, 0));
        assert_eq!(judged(&dead_at(2), Some(&dead_at(1))), (Some(vec![(Way::Receive, 2)]), 0));
        assert_eq!(judged(&dead_at(1), Some(&silent)), (Some(vec![(Way::Receive, 1)]), 0), "another failure");
        assert_eq!(judged(&silent, Some(&silent)), (None, 0));
        assert_eq!(judged(&silent, Some(&dead_at(1))), (None, 1));
        let untold = port(&[(None, None)], &[(60, 40)], 9);
        assert_eq!(judged(&untold, Some(&untold)), (None, 0));
        assert_eq!(judged(&untold, Some(&dead_at(1))), (Some(vec![]), 0));
        assert_eq!(judged(&dead_at(1), Some(&untold)), (Some(vec![(Way::Receive, 1)]), 0));
    }

    #[test]
    fn runs_of_numbers_are_named_shortly() {
        assert_eq!(named(Way::Receive, &[0, 1, 2, 5]).as_deref(), Some("receive queues 0-2 and 5"));
        assert_eq!(named(Way::Transmit, &[3]).as_deref(), Some("transmit queue 3"));
        assert_eq!(named(Way::Transmit, &[]), None);
    }
}
