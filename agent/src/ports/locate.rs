//! Finding a port in the rack by its light.

use std::{
    sync::mpsc::{RecvTimeoutError, channel},
    thread,
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
