//! Finding a port in the rack by its light.

use std::{
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread::{self, JoinHandle},
    time::Duration,
};

use super::ethernet::device::ethtool::Interface;
pub use super::ethernet::device::ethtool::{EthtoolError, Support};

/// Blinks the light of an Ethernet port for so long, where its driver can.
///
/// # Errors
/// No such interface, missing rights, or a driver that fails.
pub fn blink(port: &str, time: Duration) -> Result<Support, EthtoolError> {
    Interface::open(port)?.blink(time)
}

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
