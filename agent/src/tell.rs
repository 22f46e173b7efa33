//! The only place that writes to the terminal. Nothing here can fail the program: a reader that went away, as `head`
//! does, or a full disk behind standard error, must not end a run whose settings are still changed.

use std::{
    fmt::Arguments,
    io::{self, ErrorKind, Write},
};

/// Tells a person one line on standard error, formatted as by [`format!`]. Where it cannot be written nobody is told.
macro_rules! tell {
    ($($words:tt)*) => {
        $crate::tell::line(format_args!($($words)*))
    };
}

/// See [`tell!`].
pub(crate) fn line(words: Arguments<'_>) {
    text(&format!("{words}\n"));
}

/// Writes this text to standard error as it stands.
pub(crate) fn text(text: &str) {
    let mut err = io::stderr();
    // There is no third place to tell of the failure.
    let _ = err.write_all(text.as_bytes()).and_then(|()| err.flush());
}

/// Writes to standard output what somebody asked for. A reader that closed its pipe chose so.
///
/// # Errors
/// What cannot be written for another reason, as on a full disk.
pub(crate) fn answer(text: &[u8]) -> io::Result<()> {
    let mut out = io::stdout();
    match out.write_all(text).and_then(|()| out.flush()) {
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
        done => done,
    }
}
