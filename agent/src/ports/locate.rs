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
        // The driver says only when it is asked whether it can.
        if interface.blink(AT_A_TIME)? == Support::Unsupported {
            return Ok(None);
        }
        // A driver that fails meanwhile leaves the light dark, and that is what the person sees.
        Ok(Some(Self::by(move || interface.blink(AT_A_TIME).is_ok())))
    }

    /// Blinks by this again and again, as long as it says true.
    pub(crate) fn by(mut blink: impl FnMut() -> bool + Send + 'static) -> Self {
        let ended = Arc::new(AtomicBool::new(false));
        let ends = Arc::clone(&ended);
        let thread = thread::spawn(move || while !ends.load(Ordering::Relaxed) && blink() {});
        Self { ended, thread: Some(thread) }
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
}
