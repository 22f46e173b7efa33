//! For tests only: a network namespace of a test's own, which goes with the thread that made it.
//!
//! Nothing is mounted and no name is given, so nothing can be left behind. `/sys` keeps showing the old namespace.

use std::process::{Command, Stdio};

/// Runs `test` on a thread in a fresh network namespace, or prints why it was skipped and gives `None`.
pub(crate) fn in_namespace<T: Send + 'static>(name: &str, test: impl FnOnce() -> T + Send + 'static) -> Option<T> {
    let thread = std::thread::spawn(move || {
        // SAFETY: unshare with CLONE_NEWNET changes only the calling thread, which was made for this and ends after.
        if unsafe { libc::unshare(libc::CLONE_NEWNET) } < 0 {
            return Err(std::io::Error::last_os_error());
        }
        Ok(test())
    });
    match thread.join() {
        Ok(Ok(value)) => Some(value),
        Ok(Err(error)) => {
            println!("skipped: {name}: cannot make a network namespace: {error}");
            None
        }
        Err(panic) => std::panic::resume_unwind(panic),
    }
}

/// Runs `ip` with words split at spaces, in the calling thread's namespace; false, with the reason printed, if it fails.
pub(crate) fn ip(arguments: &str) -> bool {
    match Command::new("ip").args(arguments.split(' ')).stdin(Stdio::null()).output() {
        Ok(output) if output.status.success() => true,
        Ok(output) => {
            println!("skipped: ip {arguments}: {}", String::from_utf8_lossy(&output.stderr).trim());
            false
        }
        Err(error) => {
            println!("skipped: ip {arguments}: {error}");
            false
        }
    }
}
