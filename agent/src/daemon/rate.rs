//! How often somebody may call: a bucket of permits for each address, refilled at a steady rate. No clock: time is
//! given.

use std::{
    collections::HashMap,
    net::IpAddr,
    time::{Duration, Instant},
};

/// How many calls at once, and how many a second in the long run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Allowance {
    /// Permits a full bucket holds; 1 or more.
    pub burst: f64,
    /// Permits that flow in each second; over 0.
    pub per_second: f64,
}

/// Buckets by address.
#[derive(Debug)]
pub struct Rate {
    allowance: Allowance,
    buckets: HashMap<IpAddr, Bucket>,
}

#[derive(Clone, Copy, Debug)]
struct Bucket {
    permits: f64,
    filled_at: Instant,
}

impl Rate {
    /// Nobody has called yet.
    pub fn new(allowance: Allowance) -> Self {
        Self { allowance, buckets: HashMap::new() }
    }

    /// Takes a permit. If there is none: how long until there is.
    ///
    /// # Errors
    /// The time to wait.
    pub fn take(&mut self, who: IpAddr, now: Instant) -> Result<(), Duration> {
        self.forget_the_idle(now);
        let Allowance { burst, per_second } = self.allowance;
        // With so many addresses at once somebody makes them up: they share what is left, and memory stays bounded.
        let who = if self.buckets.len() >= ADDRESSES_MAX && !self.buckets.contains_key(&who) { NOBODY } else { who };
        let bucket = self.buckets.entry(who).or_insert(Bucket { permits: burst, filled_at: now });
        let passed = now.saturating_duration_since(bucket.filled_at).as_secs_f64();
        bucket.permits = (bucket.permits + passed * per_second).min(burst);
        bucket.filled_at = now;
        if bucket.permits >= 1.0 {
            bucket.permits -= 1.0;
            return Ok(());
        }
        Err(Duration::from_secs_f64((1.0 - bucket.permits) / per_second))
    }

    /// A full bucket is as good as none. Looked for only when there are many.
    fn forget_the_idle(&mut self, now: Instant) {
        if self.buckets.len() >= ADDRESSES_MAX {
            let full_after = self.allowance.burst / self.allowance.per_second;
            self.buckets.retain(|_, b| now.saturating_duration_since(b.filled_at).as_secs_f64() < full_after);
        }
    }
}

/// Changing calls from one address: nobody starts more checks than that by hand.
pub const CHANGES: Allowance = Allowance { burst: 30.0, per_second: 2.0 };
const ADDRESSES_MAX: usize = 1024;
const NOBODY: IpAddr = IpAddr::V4(std::net::Ipv4Addr::UNSPECIFIED);

#[cfg(test)]
mod tests {
    use super::*;

    const SLOW: Allowance = Allowance { burst: 3.0, per_second: 0.5 };

    fn address(n: u32) -> IpAddr {
        IpAddr::from((0x0a00_0000 + n).to_be_bytes())
    }

    #[test]
    fn a_burst_passes_and_then_the_steady_rate() {
        let (mut rate, start) = (Rate::new(SLOW), Instant::now());
        assert!((0..3).all(|_| rate.take(address(1), start).is_ok()));
        assert_eq!(rate.take(address(1), start), Err(Duration::from_secs(2)));
        assert_eq!(rate.take(address(1), start + Duration::from_secs(1)), Err(Duration::from_secs(1)));
        assert!(rate.take(address(1), start + Duration::from_secs(2)).is_ok());
        assert!(rate.take(address(2), start).is_ok(), "others are not held back");
    }

    #[test]
    fn many_addresses_do_not_fill_the_memory() {
        let (mut rate, start) = (Rate::new(SLOW), Instant::now());
        for n in 0..10 * ADDRESSES_MAX as u32 {
            let _ = rate.take(address(n), start);
        }
        assert!(rate.buckets.len() <= ADDRESSES_MAX + 1);
        assert!(rate.take(address(5000), start + Duration::from_secs(60)).is_ok());
    }
}
