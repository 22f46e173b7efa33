//! What the environment may ask of the tests.

use std::env;

/// Seeds below `all`: every one where `TURNBACK_EVERY_SEED` is set, as `scripts/check` does, else every eleventh. Tests
/// derive their cases from a seed by remainders of 2, 3, 4, 10 and the like; eleven shares no factor with these, so
/// each remainder is met.
pub fn seeds(all: u64) -> impl Iterator<Item = u64> {
    (0..all).step_by(if env::var_os("TURNBACK_EVERY_SEED").is_some() { 1 } else { 11 })
}

/// How often a test kills what it kills: `usual`, unless `TURNBACK_KILLS` says otherwise.
pub fn kills(usual: u64) -> u64 {
    env::var("TURNBACK_KILLS").ok().and_then(|n| n.parse().ok()).unwrap_or(usual)
}

/// What a test draws from: `TURNBACK_SEED`, or `usual`.
pub fn seed(usual: u64) -> u64 {
    env::var("TURNBACK_SEED").ok().and_then(|n| n.parse().ok()).unwrap_or(usual)
}
