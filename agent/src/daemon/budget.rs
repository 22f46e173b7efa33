//! The ceiling on the share of the processors: an account that fills as time passes and that runs draw on.
//!
//! A run is never slowed while it measures, which would spoil it; instead the next one waits while the account is
//! overdrawn. So the share holds over any long time, not within a run.

use std::time::Duration;

/// The account, in processor seconds.
#[derive(Clone, Copy, Debug)]
pub struct Budget {
    balance_s: f64,
    used: Duration,
    at_ms: i64,
}

impl Budget {
    /// Full.
    pub fn new(used: Duration, at_ms: i64) -> Self {
        Self { balance_s: f64::MAX, used, at_ms }
    }

    /// Books what was used since last time. `allowed` is the processor seconds that each second brings.
    pub fn book(&mut self, used: Duration, at_ms: i64, allowed: f64) {
        // A clock that is set back brings nothing.
        let passed_s = (at_ms - self.at_ms).max(0) as f64 / 1000.0;
        let drawn_s = used.saturating_sub(self.used).as_secs_f64();
        self.balance_s = (self.balance_s + passed_s * allowed).min(SAVED_S * allowed) - drawn_s;
        (self.used, self.at_ms) = (used, at_ms);
    }

    /// How long until a run may begin; zero when it may now.
    pub fn wait(&self, allowed: f64) -> Duration {
        if self.balance_s >= 0.0 {
            Duration::ZERO
        } else {
            Duration::from_secs_f64((-self.balance_s / allowed).min(86_400.0))
        }
    }
}

/// Seconds of allowance that can be saved up.
const SAVED_S: f64 = 60.0;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_share_holds_over_a_day() {
        // Two processors, a tenth of them; each run takes 30 s on both.
        let (allowed, mut used, mut now) = (0.2, Duration::ZERO, 0_i64);
        let mut budget = Budget::new(used, now);
        while now < 86_400_000 {
            budget.book(used, now, allowed);
            match budget.wait(allowed) {
                Duration::ZERO => {
                    now += 30_000;
                    used += Duration::from_secs(60);
                }
                wait => now += wait.as_millis() as i64 + 1,
            }
        }
        let share = used.as_secs_f64() / 86_400.0;
        // One run more than the share allows, at most, and what was saved up.
        assert!((0.19..=0.2 + (60.0 + 12.0) / 86_400.0).contains(&share), "{share}");
    }
}
