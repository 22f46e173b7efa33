//! Finding a port in the rack by its light.

use std::{
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
        mpsc::{RecvTimeoutError, channel},
    },
    thread::{self, JoinHandle},
    time::Duration,
};

use super::ethernet::device::ethtool::Interface;
pub use super::ethernet::device::ethtool::{EthtoolError, Support};

/// Blinks the light of an Ethernet port for so long, where its driver can. `begun` is called once it does.
///
/// # Errors
/// No such interface, missing rights, or a driver that fails.
pub fn blink(port: &str, time: Duration, begun: impl FnOnce()) -> Result<Support, EthtoolError> {
    let interface = Interface::open(port)?;
    telling(move || interface.blink(time), begun)
}

/// Does `work`, and calls `begun` if it goes on: a driver that cannot blink says so at once, one that can returns when
/// it is done, and no call asks which of the two it is.
fn telling<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static, begun: impl FnOnce()) -> T {
    let (send, receive) = channel();
    let worker = thread::spawn(move || {
        let done = work();
        // Only tells that it is over.
        let _ = send.send(());
        done
    });
    if receive.recv_timeout(REFUSES_WITHIN) == Err(RecvTimeoutError::Timeout) {
        begun();
    }
    match worker.join() {
        Ok(done) => done,
        Err(panic) => std::panic::resume_unwind(panic),
    }
}

/// A driver that cannot blink says so within this time. Our own choice.
const REFUSES_WITHIN: Duration = Duration::from_millis(300);

/// A light that blinks until this is dropped.
#[derive(Debug)]
pub struct Blinking {
    ended: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Blinking {
    /// Lets the light of an Ethernet port blink; none where its driver cannot.
    ///
    /// # Errors
    /// As [`blink`].
    pub fn start(port: &str) -> Result<Option<Self>, EthtoolError> {
        let interface = Interface::open(port)?;
        Self::by(move || interface.blink(AT_A_TIME))
    }

    /// One that takes no time and touches no port.
    #[cfg(test)]
    pub fn for_a_test() -> Self {
        Self { ended: Arc::default(), thread: None }
    }

    /// Blinks by this again and again; none where it says at once that it cannot. One that fails later leaves the light
    /// dark, and that is what the person sees.
    fn by<E: Send + 'static>(
        mut blink: impl FnMut() -> Result<Support, E> + Send + 'static,
    ) -> Result<Option<Self>, E> {
        let ended = Arc::new(AtomicBool::new(false));
        let ends = Arc::clone(&ended);
        let (send, receive) = channel();
        let thread = thread::spawn(move || {
            loop {
                let done = blink();
                let goes_on = matches!(done, Ok(Support::Done)) && !ends.load(Ordering::Relaxed);
                // Only the first answer is waited for.
                let _ = send.send(done);
                if !goes_on {
                    break;
                }
            }
        });
        let blinking = Self { ended, thread: Some(thread) };
        match receive.recv_timeout(REFUSES_WITHIN) {
            Ok(Ok(Support::Unsupported)) => Ok(None),
            Ok(Err(error)) => Err(error),
            Ok(Ok(Support::Done)) | Err(_) => Ok(Some(blinking)),
        }
    }
}

impl Drop for Blinking {
    fn drop(&mut self) {
        self.ended.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// A driver is asked for so long, so that the light ends soon after somebody has seen it.
const AT_A_TIME: Duration = Duration::from_secs(1);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_goes_on_is_told_and_what_is_refused_at_once_is_not() {
        let (tell, told) = channel();
        // It ends only once it was told to have begun.
        assert_eq!(telling(move || told.recv(), || tell.send("begun").unwrap()), Ok("begun"));
        assert!(blink("no-such-port", Duration::from_secs(1), || panic!("told")).is_err());
    }

    #[test]
    fn a_light_blinks_until_it_was_seen_and_one_that_cannot_does_not() {
        assert!(Blinking::by(|| Ok::<_, ()>(Support::Unsupported)).unwrap().is_none());
        assert_eq!(Blinking::by(|| Err("no right")).err(), Some("no right"));
        let (tell, told) = channel();
        let blinking = Blinking::by(move || tell.send(()).map(|()| Support::Done)).unwrap().unwrap();
        // It blinks again and again while somebody looks.
        for _ in 0..3 {
            told.recv().unwrap();
        }
        drop(blinking);
        while told.try_recv().is_ok() {}
        assert!(told.recv().is_err(), "nobody blinks any more");
    }
}
