//! Numbers of messages: each is higher than all before it, also after a restart and whatever becomes of the clock.
//!
//! A number is the time in microseconds, or one more than the number before where the clock stood still or was set
//! back. So numbers go on growing too where the records were lost and begin anew.

/// Gives numbers.
#[derive(Clone, Copy, Debug)]
pub struct Numbers {
    last: i64,
    reserved: i64,
}

impl Numbers {
    /// None is given up to `highest`.
    pub fn after(highest: i64) -> Self {
        Self { last: highest, reserved: highest }
    }

    /// Makes room for `count` numbers at this time, microseconds since 1970 UTC. Returns what has to be kept on disk
    /// before the first of them is given, if anything has.
    pub fn make_room(&mut self, now_us: i64, count: i64) -> Option<i64> {
        let needed = now_us.max(self.last) + count;
        if needed <= self.reserved {
            return None;
        }
        self.reserved = needed + AHEAD_US;
        Some(self.reserved)
    }

    /// The next number. There is room for it.
    pub fn next(&mut self, now_us: i64) -> i64 {
        self.last = now_us.clamp(self.last + 1, self.reserved.max(self.last + 1));
        self.last
    }
}

/// Room beyond what is needed now, so that the disk is written once a minute at most.
const AHEAD_US: i64 = 60_000_000;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_grow_whatever_the_clock_does() {
        let mut numbers = Numbers::after(500);
        let mut kept = 500;
        let mut last = 500;
        for now_us in [1_000_000, 1_000_000, 10, 2_000_000, 200_000_000, 3] {
            if let Some(reserved) = numbers.make_room(now_us, 2) {
                assert!(reserved > kept);
                kept = reserved;
            }
            for _ in 0..2 {
                let number = numbers.next(now_us);
                assert!(number > last && number <= kept, "{number} after {last}, {kept} is kept");
                last = number;
            }
        }
        // A restart knows what was kept alone.
        let mut numbers = Numbers::after(kept);
        assert!(numbers.make_room(3, 1).is_some() && numbers.next(3) > last);
    }
}
