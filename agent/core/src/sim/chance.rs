//! The two things that decide whether a fault shows: the time of the world, and chance.

use super::value::Seconds;
use crate::base::rng::Rng;
use crate::base::time::Nanos;

/// When a fault is there, on the world's clock: once, or again in each period.
#[derive(Clone, Copy, Debug)]
pub struct Window {
    from: Nanos,
    until: Nanos,
    every: Option<Nanos>,
}

impl Window {
    /// From `from_s` to `until_s`, for ever without it; with `every_s` again each time that much has passed.
    pub fn new(from_s: Seconds, until_s: Option<Seconds>, every_s: Option<Seconds>) -> Self {
        Self { from: from_s.ns(), until: until_s.map_or(Nanos::MAX, Seconds::ns), every: every_s.map(Seconds::ns) }
    }

    /// When it begins for the first time.
    pub fn from(&self) -> Nanos {
        self.from
    }

    /// Whether the fault is there at `at`.
    pub fn contains(&self, at: Nanos) -> bool {
        (self.from..self.until).contains(&self.in_first_period(at))
    }

    /// The next moment after `at` at which [`Window::contains`] may change; `Nanos::MAX` for never.
    pub fn edge(&self, at: Nanos) -> Nanos {
        let first = self.in_first_period(at);
        let shift = at - first;
        let edges = [self.from, self.until, self.every.map_or(Nanos::MAX, |every| self.from.saturating_add(every))];
        edges.into_iter().find(|edge| *edge > first).map_or(Nanos::MAX, |edge| edge.saturating_add(shift))
    }

    /// The same moment in the first period of a fault that comes back.
    fn in_first_period(&self, at: Nanos) -> Nanos {
        match self.every {
            Some(every) if at >= self.from => self.from + (at - self.from) % every,
            _ => at,
        }
    }
}

/// Hits of chance, each trial (a bit, a frame, a character) on its own. The gap to the next hit is drawn and not each
/// trial, so trials that nothing happens to cost nothing, and skipping them one by one or all at once comes to the
/// same.
#[derive(Clone, Copy, Debug)]
pub struct Hits {
    /// Trials that will still go well; `u64::MAX` for all.
    gap: u64,
}

impl Hits {
    /// Draws the first gap at the probability `ratio` of a hit per trial.
    pub fn new(ratio: f64, rng: &mut Rng) -> Self {
        Self { gap: rng.trials_before_success(ratio) }
    }

    /// Whether the next trial is a hit.
    pub fn is_hit(&mut self, ratio: f64, rng: &mut Rng) -> bool {
        if self.gap > 0 {
            self.skip(1);
            return false;
        }
        *self = Self::new(ratio, rng);
        true
    }

    /// Goes through `trials` trials and hands over the number of each hit, from 0.
    pub fn among(&mut self, trials: u64, ratio: f64, rng: &mut Rng, mut hit: impl FnMut(u64)) {
        let mut at = 0;
        while self.gap < trials - at {
            at += self.gap;
            hit(at);
            at += 1;
            *self = Self::new(ratio, rng);
        }
        self.skip(trials - at);
    }

    /// Units of `trials_each` trials that will certainly go well; `u64::MAX` for all.
    pub fn clear_units(&self, trials_each: u64) -> u64 {
        if self.gap == u64::MAX { u64::MAX } else { self.gap / trials_each }
    }

    /// Lets trials pass that go well: no more than [`Hits::clear_units`] of one each.
    pub fn skip(&mut self, trials: u64) {
        if self.gap != u64::MAX {
            self.gap -= trials;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_window_that_comes_back_has_its_edges_in_every_period() {
        let window = Window::new(Seconds(2.0), Some(Seconds(3.0)), Some(Seconds(5.0)));
        let s = |seconds: f64| Seconds(seconds).ns();
        // By hand: there in [2, 3), [7, 8), [12, 13).
        for (at, there, edge) in
            [(0.0, false, 2.0), (2.0, true, 3.0), (3.0, false, 7.0), (7.5, true, 8.0), (12.0, true, 13.0)]
        {
            assert_eq!((window.contains(s(at)), window.edge(s(at))), (there, s(edge)), "{at}");
        }
        let once = Window::new(Seconds(1.0), None, None);
        assert_eq!((once.contains(s(1e6)), once.edge(s(1e6))), (true, Nanos::MAX));
    }

    #[test]
    fn single_trials_and_many_at_once_meet_the_same_hits() {
        let (ratio, trials) = (0.01, 50_000);
        let one_by_one = {
            let mut rng = Rng::new(4);
            let mut hits = Hits::new(ratio, &mut rng);
            (0..trials).filter(|_| hits.is_hit(ratio, &mut rng)).collect::<Vec<u64>>()
        };
        let mut rng = Rng::new(4);
        let mut hits = Hits::new(ratio, &mut rng);
        let mut at_once = Vec::new();
        for from in (0..trials).step_by(500) {
            hits.among(500, ratio, &mut rng, |at| at_once.push(from + at));
        }
        assert_eq!(one_by_one, at_once);
        // 500 are expected; five standard deviations of a binomial count are 111 (any probability handbook).
        assert!(at_once.len().abs_diff(500) < 111, "{}", at_once.len());
    }

    #[test]
    fn without_a_chance_nothing_is_ever_hit() {
        let mut rng = Rng::new(4);
        let mut hits = Hits::new(0.0, &mut rng);
        hits.skip(u64::MAX);
        assert_eq!((hits.clear_units(8), hits.is_hit(0.0, &mut rng)), (u64::MAX, false));
    }
}
