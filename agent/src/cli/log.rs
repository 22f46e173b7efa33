//! Log lines on standard error: what they hold, and what the journal is told beside.

use std::{
    fmt,
    fs::File,
    io,
    os::{fd::AsFd, unix::fs::MetadataExt},
};

use tracing::{Event, Level, Subscriber};
use tracing_subscriber::{
    EnvFilter,
    fmt::{
        FmtContext, FormatEvent, FormatFields,
        format::{Format, Full, Writer},
    },
    registry::LookupSpan,
};

/// Log lines go to stderr, and only what deserves attention unless asked for more.
pub fn init(verbose: u8) {
    let level = match verbose {
        0 => "warn",
        1 => "info",
        2 => "debug",
        _ => "trace",
    };
    let filter = EnvFilter::try_from_env("TURNBACK_LOG").unwrap_or_else(|_| EnvFilter::new(level));
    let colour = std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty())
        && std::io::IsTerminal::is_terminal(&std::io::stderr());
    // What cannot be logged must not end the program: by default that would be printed to the same standard error, and
    // panic.
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).log_internal_errors(false);
    if goes_to_journal() {
        log.with_ansi(false).event_format(ForJournal::new()).init();
    } else {
        log.with_ansi(colour).without_time().init();
    }
}

/// Whether standard error is the journal's: systemd puts device and inode of its stream into `JOURNAL_STREAM`
/// (systemd.exec(5)), which a program started on may have inherited although its own stderr goes elsewhere.
fn goes_to_journal() -> bool {
    let own = || File::from(io::stderr().as_fd().try_clone_to_owned().ok()?).metadata().ok();
    let Some(named) = std::env::var_os("JOURNAL_STREAM") else { return false };
    own().is_some_and(|stream| is_named(&named.to_string_lossy(), stream.dev(), stream.ino()))
}

fn is_named(text: &str, device: u64, inode: u64) -> bool {
    text.split_once(':').is_some_and(|(d, i)| d.parse() == Ok(device) && i.parse() == Ok(inode))
}

/// One line an event, opened by its priority in angle brackets, which the journal takes off (sd-daemon(3)).
struct ForJournal(Format<Full, ()>);

impl ForJournal {
    fn new() -> Self {
        Self(Format::default().without_time().with_level(false))
    }
}

impl<S, N> FormatEvent<S, N> for ForJournal
where
    S: Subscriber + for<'a> LookupSpan<'a>,
    N: for<'a> FormatFields<'a> + 'static,
{
    fn format_event(&self, ctx: &FmtContext<'_, S, N>, mut writer: Writer<'_>, event: &Event<'_>) -> fmt::Result {
        let mut line = String::new();
        self.0.format_event(ctx, Writer::new(&mut line), event)?;
        // A second line would be a second entry, of another priority.
        writeln!(writer, "<{}>{}", priority(*event.metadata().level()), line.trim_end().replace('\n', " "))
    }
}

/// The priorities of syslog (RFC 5424, table 2: 3 error, 4 warning, 6 informational, 7 debug).
fn priority(level: Level) -> u8 {
    match level {
        Level::ERROR => 3,
        Level::WARN => 4,
        Level::INFO => 6,
        _ => 7,
    }
}

#[cfg(test)]
mod tests {
    use std::{
        io::Write,
        sync::{Arc, Mutex},
    };

    use super::*;

    #[derive(Clone, Default)]
    struct Kept(Arc<Mutex<Vec<u8>>>);

    impl Write for Kept {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.0.lock().unwrap().write(bytes)
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    /// Prefixes by sd-daemon(3): `SD_ERR` is "<3>", `SD_WARNING` "<4>", `SD_INFO` "<6>".
    #[test]
    fn an_event_is_one_line_with_its_priority_and_fields() {
        let kept = Kept::default();
        let writer = kept.clone();
        let log = tracing_subscriber::fmt()
            .with_writer(move || writer.clone())
            .with_ansi(false)
            .event_format(ForJournal::new())
            .finish();
        tracing::subscriber::with_default(log, || {
            tracing::info!(port = "quay3", "agent started");
            tracing::error!(error = %"two\nlines", "refused");
        });
        let text = String::from_utf8(kept.0.lock().unwrap().clone()).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines.len(), 2, "{text}");
        assert!(lines[0].starts_with("<6>") && lines[0].contains("agent started port=\"quay3\""), "{text}");
        assert!(lines[1].starts_with("<3>") && lines[1].contains("refused error=two lines"), "{text}");
    }

    #[test]
    fn another_stream_than_the_journals_is_told_from_it() {
        assert!(is_named("8:1234", 8, 1234));
        for text in ["8:1235", "9:1234", "8", "", "a:b"] {
            assert!(!is_named(text, 8, 1234), "{text}");
        }
    }
}
