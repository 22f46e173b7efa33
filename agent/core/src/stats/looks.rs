//! How often counts are looked at before a decision is accepted, and what each look may spend of the doubt.
//!
//! **One look** ([`Looks::Once`]): a bound at the end of a run whose length was fixed beforehand spends the whole doubt
//! `1 - c`.
//!
//! **Many looks** ([`Looks::Repeated`]): a run that stops as soon as a bound is on the right side of the limit has many
//! chances to be right by luck. The same holds for a person who ends it at a good moment. The bounds must then hold at
//! all times together: they form a confidence sequence (Darling and Robbins, Proceedings of the National Academy of
//! Sciences 58 (1967), pp. 66-68; Howard, Ramdas, McAuliffe and Sekhon, Annals of Statistics 49 (2021), pp. 1055-1080;
//! both from memory). Here the doubt is spent in parts, as Lan and DeMets do over looks (Biometrika 70 (1983), pp.
//! 659-663), but over the *number of errors seen* instead of the number of looks:
//!
//! - The upper bound with `k` errors has the doubt `w(k) (1 - c)`. For a true ratio `p` let `N(k)` be the trials from
//!   which on it would lie below `p`. Such a false bound needs `X(N(k)) <= k` for some `k`. By Boole's inequality that
//!   has at most the probability `sum w(k) (1 - c) = 1 - c`, however often anyone looked.
//! - The lower bound with `k` errors has the doubt `v(k) (1 - c)`. It lies above `p` only up to some number of trials
//!   `M(k)`, which needs `X(M(k)) >= k` for some `k`: the same sum bounds it.
//!
//! The parts are our own choice. Upper: `w(k) = 1/(k+1)^2 - 1/(k+2)^2`, whose sum is 1. Most goes to no error at all,
//! since a healthy link is far better than its limit: proving without errors takes 10 % longer than with one look at 95
//! %, and 6 % at 99 %. As the parts shrink only as a power of `k`, any ratio below the limit is proved in the end.
//! Lower: `v(k) = 1/((k-1) k)` from `k = 2`, whose sum is 1 too; one error alone never refutes a limit, whenever it
//! comes.

use serde::{Deserialize, Serialize};

/// How often the counts are looked at before a decision is accepted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Looks {
    /// Once, at a length fixed beforehand.
    #[default]
    Once,
    /// As often as one likes, stopping when a decision falls or when somebody likes to.
    Repeated,
}

impl Looks {
    /// The part of the doubt that an upper bound with this many errors may spend.
    pub(super) fn upper_part(self, errors: u64) -> f64 {
        let k = errors as f64;
        match self {
            Self::Once => 1.0,
            Self::Repeated => (2.0 * k + 3.0) / ((k + 1.0) * (k + 2.0)).powi(2),
        }
    }

    /// The part of the doubt that a lower bound with this many errors may spend; 0 where there is no such bound.
    pub(super) fn lower_part(self, errors: u64) -> f64 {
        match (self, errors) {
            (Self::Once, _) => 1.0,
            (Self::Repeated, 0 | 1) => 0.0,
            (Self::Repeated, _) => 1.0 / ((errors as f64 - 1.0) * errors as f64),
        }
    }

    /// The part of the doubt for the `number`th, from 1, of `of` things that are each held against the limit: an equal
    /// share with one look at all of them; `1/(n (n+1))`, whose sum is 1, where their number is not fixed.
    pub(super) fn share(self, number: u64, of: u64) -> f64 {
        let n = number as f64;
        match self {
            Self::Once => 1.0 / of.max(1) as f64,
            Self::Repeated => 1.0 / (n * (n + 1.0)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_thing_alone_has_the_whole_doubt() {
        assert_eq!((Looks::Once.share(1, 1), Looks::Once.share(1, 0), Looks::Once.share(1, 2)), (1.0, 1.0, 0.5));
    }

    #[test]
    fn the_parts_of_the_doubt_never_exceed_the_whole() {
        let sum = |part: fn(u64) -> f64| (0..1_000_000).map(part).sum::<f64>();
        for (name, sum) in [
            ("upper", sum(|k| Looks::Repeated.upper_part(k))),
            ("lower", sum(|k| Looks::Repeated.lower_part(k))),
            ("share", sum(|k| Looks::Repeated.share(k + 1, 1_000_000))),
            ("equal shares", sum(|k| Looks::Once.share(k + 1, 1_000_000))),
        ] {
            assert!(sum > 0.999_99 && sum <= 1.0 + 1e-9, "{name}: {sum}");
        }
    }
}
