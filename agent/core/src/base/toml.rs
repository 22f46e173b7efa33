//! Where in a TOML text something is wrong, as every reader of a file says it.

/// Line, from 1, of the byte at `offset`.
pub fn line_of(text: &str, offset: usize) -> usize {
    1 + text.bytes().take(offset).filter(|byte| *byte == b'\n').count()
}

/// Line, from 1, and words of an error of the TOML reader.
pub fn toml_fault(text: &str, error: &toml::de::Error) -> (usize, String) {
    (error.span().map_or(1, |span| line_of(text, span.start)), error.message().trim().to_owned())
}
