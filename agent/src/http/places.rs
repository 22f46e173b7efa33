//! Who has a place: connections at once, in all and of one address, and streams among them.
//!
//! A connection that waits for a request makes room for a new one, the longest first. So half-sent requests and idle
//! connections shut nobody out. A stream stays, so streams have limits of their own, below the number of places: what
//! is answered at once, such as health and metrics, always finds one. Streams of people who are signed in count apart.

use std::{
    collections::BTreeMap,
    net::IpAddr,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use tokio::{sync::Notify, time::Instant};

/// All places.
#[derive(Debug, Default)]
pub struct Places {
    seats: Mutex<Seats>,
}

#[derive(Debug, Default)]
struct Seats {
    next: u64,
    taken: BTreeMap<u64, Seat>,
}

#[derive(Debug)]
struct Seat {
    who: IpAddr,
    doing: Doing,
    since: Instant,
    end: Arc<Notify>,
}

/// What a connection does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Doing {
    /// Waits for the head of a request.
    Waits,
    /// Is answered.
    Answered,
    /// Listens to a stream.
    Streams { signed_in: bool },
}

/// The place of one connection, until it is dropped.
#[derive(Debug)]
pub struct Place {
    number: u64,
    places: Arc<Places>,
    end: Arc<Notify>,
}

impl Places {
    /// A place for a connection of this address. None: every place is in use.
    pub fn take(self: &Arc<Self>, who: IpAddr) -> Option<Place> {
        let now = Instant::now();
        let mut seats = self.seats();
        if seats.taken.values().filter(|seat| seat.who == who).count() >= OF_ONE_MAX {
            seats.make_room(now, Some(who))?;
        } else if seats.taken.len() >= PLACES_MAX {
            seats.make_room(now, None)?;
        }
        let (number, end) = (seats.next, Arc::new(Notify::new()));
        seats.next += 1;
        seats.taken.insert(number, Seat { who, doing: Doing::Waits, since: now, end: Arc::clone(&end) });
        Some(Place { number, places: Arc::clone(self), end })
    }

    fn seats(&self) -> MutexGuard<'_, Seats> {
        self.seats.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Seats {
    /// Ends the connection, of this address or any, that has waited longest, or whose answer nobody fetches.
    fn make_room(&mut self, now: Instant, of: Option<IpAddr>) -> Option<()> {
        let idle = |seat: &Seat| match seat.doing {
            Doing::Waits => true,
            Doing::Answered => now.saturating_duration_since(seat.since) > FETCH_PATIENCE,
            Doing::Streams { .. } => false,
        };
        let meant = self.taken.iter().filter(|(_, seat)| of.is_none_or(|of| of == seat.who) && idle(seat));
        let number =
            meant.min_by_key(|(_, seat)| (seat.doing != Doing::Waits, seat.since)).map(|(number, _)| *number)?;
        self.taken.remove(&number)?.end.notify_one();
        Some(())
    }
}

impl Place {
    /// Returns when the connection is to make room.
    pub async fn ended(&self) {
        self.end.notified().await;
    }

    /// A request has come in.
    pub fn is_answered(&self) {
        self.does(Doing::Answered);
    }

    /// The answer is made; the connection waits for the next request. A stream goes on.
    pub fn waits(&self) {
        self.does(Doing::Waits);
    }

    /// Takes one of the streams; false: there are too many.
    pub fn streams(&self, signed_in: bool) -> bool {
        let mut seats = self.places.seats();
        let Some(who) = seats.taken.get(&self.number).map(|seat| seat.who) else { return false };
        let doing = Doing::Streams { signed_in };
        let alike = || seats.taken.values().filter(|seat| seat.doing == doing);
        let (most, most_of_one) =
            if signed_in { (SIGNED_IN_MAX, SIGNED_IN_MAX) } else { (STREAMS_MAX, STREAMS_OF_ONE_MAX) };
        if alike().count() >= most || alike().filter(|seat| seat.who == who).count() >= most_of_one {
            return false;
        }
        if let Some(seat) = seats.taken.get_mut(&self.number) {
            seat.doing = doing;
        }
        true
    }

    fn does(&self, doing: Doing) {
        if let Some(seat) = self.places.seats().taken.get_mut(&self.number)
            && !matches!(seat.doing, Doing::Streams { .. })
        {
            (seat.doing, seat.since) = (doing, Instant::now());
        }
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        self.places.seats().taken.remove(&self.number);
    }
}

/// A site has a handful of screens; each may hold one stream open beside a request or two. Our own choice, as are those
/// below.
pub const PLACES_MAX: usize = 256;
/// Half of them: behind a relay many people have one address.
pub const OF_ONE_MAX: usize = PLACES_MAX / 2;
/// Streams of callers who are not signed in, and those of one address.
pub const STREAMS_MAX: usize = 96;
/// See [`STREAMS_MAX`].
pub const STREAMS_OF_ONE_MAX: usize = 32;
/// Streams of callers who are signed in.
pub const SIGNED_IN_MAX: usize = 64;
/// Longer than an answer may take to be made.
const FETCH_PATIENCE: Duration = Duration::from_secs(30);

#[cfg(test)]
mod tests {
    use super::*;

    fn of(n: u8) -> IpAddr {
        // A documentation address (RFC 5737).
        IpAddr::from([192, 0, 2, n])
    }

    async fn is_ended(place: &Place) -> bool {
        tokio::time::timeout(Duration::from_millis(1), place.ended()).await.is_ok()
    }

    #[tokio::test(start_paused = true)]
    async fn who_waits_longest_makes_room_for_the_next() {
        let places = Arc::new(Places::default());
        let mut idle = Vec::new();
        for n in 0..PLACES_MAX {
            idle.push(places.take(of((n / 100) as u8)).unwrap());
            tokio::time::advance(Duration::from_millis(1)).await;
        }
        // The first was asked something meanwhile: the second waits longest.
        idle[0].is_answered();
        let newcomer = places.take(of(99)).expect("a place");
        assert!(is_ended(&idle[1]).await && !is_ended(&idle[0]).await && !is_ended(&idle[2]).await);
        drop(newcomer);
        // All are being answered: nobody makes room until an answer is not fetched.
        idle.iter().for_each(Place::is_answered);
        idle.remove(1);
        let last = places.take(of(99)).unwrap();
        last.is_answered();
        assert!(places.take(of(98)).is_none());
        tokio::time::advance(FETCH_PATIENCE + Duration::from_millis(1)).await;
        assert!(places.take(of(98)).is_some());
    }

    #[tokio::test(start_paused = true)]
    async fn one_address_makes_room_among_its_own() {
        let places = Arc::new(Places::default());
        let other = places.take(of(1)).unwrap();
        let own: Vec<Place> = (0..OF_ONE_MAX).map(|_| places.take(of(2)).unwrap()).collect();
        let next = places.take(of(2)).unwrap();
        assert!(is_ended(&own[0]).await && !is_ended(&other).await && !is_ended(&next).await);
    }

    #[tokio::test(start_paused = true)]
    async fn streams_leave_places_for_what_is_answered_at_once() {
        let places = Arc::new(Places::default());
        let streams: Vec<Place> = (0..OF_ONE_MAX).map(|_| places.take(of(2)).unwrap()).collect();
        let open = streams.iter().filter(|place| place.streams(false)).count();
        assert_eq!(open, STREAMS_OF_ONE_MAX);
        assert!(streams[STREAMS_OF_ONE_MAX].streams(true), "who is signed in counts apart");
        streams[0].waits();
        let many: Vec<Place> =
            (3..7).flat_map(|n| (0..32).map(move |_| n)).filter_map(|n| places.take(of(n))).collect();
        let open = open + many.iter().filter(|place| place.streams(false)).count();
        assert_eq!(open, STREAMS_MAX);
        for n in 0..200 {
            assert!(places.take(of(n)).is_some(), "{n}");
        }
        // A stream is never ended for somebody else.
        assert!(!is_ended(&streams[0]).await);
    }
}
