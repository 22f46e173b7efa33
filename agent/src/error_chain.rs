//! An error told in one line, with all that caused it, in words of people who know no error codes.

use std::{
    error::Error,
    io::{self, ErrorKind},
};

/// The error and its causes, the nearest first.
pub fn with_causes(error: &(dyn Error + 'static)) -> String {
    let mut text = in_words(error);
    let mut cause = error.source();
    while let Some(inner) = cause {
        let words = in_words(inner);
        // The reader of the records says again what the error above it said, behind a number of its own.
        let said = words.strip_prefix("Error code ").and_then(|rest| rest.split_once(": ")).map(|(_, said)| said);
        if !said.is_some_and(|said| text.contains(said)) {
            text.push_str(&format!(": {words}"));
        }
        cause = inner.source();
    }
    text
}

fn in_words(error: &(dyn Error + 'static)) -> String {
    error.downcast_ref::<io::Error>().map_or_else(|| error.to_string(), plain)
}

/// What the system says about a file, a device or an address, without its number.
pub fn plain(error: &io::Error) -> String {
    let words = match error.kind() {
        ErrorKind::NotFound => "there is no such file or folder",
        ErrorKind::PermissionDenied => "this user has no right to it",
        ErrorKind::IsADirectory => "it is a folder",
        ErrorKind::NotADirectory => "a part of its path is no folder",
        ErrorKind::AlreadyExists => "it exists already",
        ErrorKind::StorageFull => "the disk is full",
        ErrorKind::ReadOnlyFilesystem => "the disk can only be read",
        ErrorKind::ResourceBusy => "it is in use",
        ErrorKind::ConnectionRefused => "nothing answers there",
        ErrorKind::AddrInUse => "another program has this address",
        ErrorKind::TimedOut => "no answer came in time",
        // The standard library says this of a text in another encoding, and gives it no kind of its own.
        ErrorKind::InvalidData if error.to_string().contains("UTF-8") => "it is no text in UTF-8",
        _ => {
            let text = error.to_string();
            return text.split(" (os error ").next().unwrap_or_default().to_owned();
        }
    };
    words.to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_systems_errors_are_told_without_their_numbers() {
        for code in 1..134 {
            let told = with_causes(&io::Error::from_raw_os_error(code));
            assert!(!told.is_empty() && !told.contains("os error"), "{code}: {told}");
        }
        let read = std::fs::read_to_string("/no/such/file").unwrap_err();
        assert_eq!(with_causes(&read), "there is no such file or folder");
        assert_eq!(plain(&std::fs::read_to_string("/").unwrap_err()), "it is a folder");
        let text = io::read_to_string(&[0xff_u8, 0xfe][..]).unwrap_err();
        assert_eq!(plain(&text), "it is no text in UTF-8");
    }
}
