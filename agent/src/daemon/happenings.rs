//! What happens, told to those who listen, and what happened lately, for those who come late.

use std::{
    collections::VecDeque,
    sync::{Mutex, MutexGuard, PoisonError},
};

use tokio::sync::broadcast;

use super::agent::{Happening, Hearing, Told};

/// Tells what happens.
#[derive(Debug)]
pub struct Happenings(Mutex<Lately>);

#[derive(Debug)]
struct Lately {
    number: u64,
    told: VecDeque<Told>,
    tell: broadcast::Sender<Told>,
}

impl Default for Happenings {
    fn default() -> Self {
        Self(Mutex::new(Lately { number: 0, told: VecDeque::new(), tell: broadcast::channel(BEHIND_MAX).0 }))
    }
}

impl Happenings {
    /// Tells whoever listens; nobody need to.
    pub fn tell(&self, happening: Happening) {
        let mut lately = self.lately();
        lately.number += 1;
        let told = Told { number: lately.number, happening };
        let is_progress = matches!(&told.happening, Happening::Run { event, .. } if event.elapsed_s().is_some());
        if !is_progress {
            lately.told.push_back(told.clone());
            if lately.told.len() > KEPT {
                lately.told.pop_front();
            }
        }
        let _ = lately.tell.send(told);
    }

    /// Listens from the number after `after` on; none: from now on.
    pub fn listen(&self, after: Option<u64>) -> Hearing {
        let lately = self.lately();
        let receiver = lately.tell.subscribe();
        let Some(after) = after else { return Hearing { before: Vec::new(), missed: false, receiver } };
        // A number beyond the last is from before the agent's last start: nobody knows what was missed.
        let oldest = lately.told.front().map_or(lately.number + 1, |told| told.number);
        let missed = after > lately.number || (lately.told.len() == KEPT && after + 1 < oldest);
        let after = if after > lately.number { 0 } else { after };
        let before = lately.told.iter().filter(|told| told.number > after).cloned().collect();
        Hearing { before, missed, receiver }
    }

    /// Number of the last thing that happened.
    pub fn last(&self) -> u64 {
        self.lately().number
    }

    fn lately(&self) -> MutexGuard<'_, Lately> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What a slow listener may lag behind before it misses some. Progress comes up to twenty times a second.
const BEHIND_MAX: usize = 256;
/// What is kept for those who come late: a minute of a busy agent. Our own choice.
const KEPT: usize = 1024;

#[cfg(test)]
mod tests {
    use turnback_core::event::Event;

    use super::*;

    fn case(n: usize) -> Happening {
        Happening::Case { case: n.to_string(), port: "quay0".into() }
    }

    fn numbers(hearing: &Hearing) -> Vec<u64> {
        hearing.before.iter().map(|told| told.number).collect()
    }

    #[test]
    fn who_comes_late_hears_what_came_since_and_misses_nothing_after() {
        let happenings = Happenings::default();
        happenings.tell(case(1));
        let seen = happenings.last();
        happenings.tell(case(2));
        // Progress is told, and not repeated.
        let progress = Event::LineProgress {
            elapsed_s: 1.0,
            bytes_sent: 0,
            bytes_returned: 0,
            bytes_failed: 0,
            proved_below: None,
            bits_needed: None,
            left_s: None,
            silent_s: 0.0,
        };
        happenings.tell(Happening::Run { run: "r".into(), port: "quay0".into(), event: progress });
        happenings.tell(case(4));
        let mut late = happenings.listen(Some(seen));
        assert_eq!((numbers(&late), late.missed), (vec![2, 4], false));
        happenings.tell(case(5));
        assert_eq!(late.receiver.try_recv().unwrap().number, 5);
        assert_eq!(numbers(&happenings.listen(None)), Vec::<u64>::new());
        // A number from before a restart.
        let other = happenings.listen(Some(900));
        assert_eq!((numbers(&other), other.missed), (vec![1, 2, 4, 5], true));
    }

    #[test]
    fn what_is_too_long_ago_is_missed_and_said_to_be() {
        let happenings = Happenings::default();
        (0..=KEPT).for_each(|n| happenings.tell(case(n)));
        assert!(happenings.listen(Some(0)).missed);
        let all = happenings.listen(Some(1));
        assert_eq!((all.missed, all.before.len(), all.before[0].number), (false, KEPT, 2));
    }
}
