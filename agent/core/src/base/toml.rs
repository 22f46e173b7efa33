//! Where in a TOML text something is wrong, as every reader of a file says it.

/// Line, from 1, of the byte at `offset`.
pub fn line_of(text: &str, offset: usize) -> usize {
    1 + text.bytes().take(offset).filter(|byte| *byte == b'\n').count()
}

/// Line, from 1, and words of an error of the TOML reader.
pub fn toml_fault(text: &str, error: &toml::de::Error) -> (usize, String) {
    (error.span().map_or(1, |span| line_of(text, span.start)), in_words(error.message().trim()))
}

/// What the TOML reader says, for people who write no programs. What is not known here stays as it is.
pub fn in_words(message: &str) -> String {
    let of_type = message.strip_prefix("invalid type: ").and_then(|rest| rest.split_once(", expected "));
    if let Some((found, wanted)) = of_type {
        return format!("{} stands where {} belongs", found_in_words(found), wanted_in_words(wanted));
    }
    if let Some((key, known)) = message.strip_prefix("unknown field ").and_then(|rest| rest.split_once(", expected ")) {
        return format!("there is no key {key} here; allowed: {}", known.trim_start_matches("one of "));
    }
    if let Some((word, known)) =
        message.strip_prefix("unknown variant ").and_then(|rest| rest.split_once(", expected "))
    {
        return format!("{word} is not allowed here; allowed: {}", known.trim_start_matches("one of "));
    }
    if let Some(key) = message.strip_prefix("missing field ") {
        return format!("the key {key} is missing");
    }
    match message {
        "key with no value, expected `=`" => "a name without `=` and a value".to_owned(),
        other => other.to_owned(),
    }
}

fn found_in_words(found: &str) -> String {
    for (kind, words) in [
        ("integer ", "the number "),
        ("floating point ", "the number "),
        ("string ", "the text "),
        ("boolean ", ""),
        ("sequence", "a list"),
        ("map", "a table"),
    ] {
        if let Some(rest) = found.strip_prefix(kind) {
            return format!("{words}{rest}");
        }
    }
    found.to_owned()
}

fn wanted_in_words(wanted: &str) -> &str {
    match wanted {
        "a string" | "path string" => "a text in quotation marks",
        "a boolean" => "true or false",
        "a sequence" => "a list in square brackets",
        "u8" | "u16" | "u32" | "u64" | "usize" => "a whole number",
        "f64" => "a number",
        "a map" => "a table",
        wanted if wanted.starts_with("struct ") => "a table",
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faults_are_told_without_a_programmers_words() {
        #[derive(Debug, serde::Deserialize)]
        #[serde(deny_unknown_fields)]
        #[expect(dead_code, reason = "only what cannot be read into it matters")]
        struct Rig {
            name: String,
            speed: Option<u32>,
            on: Option<bool>,
        }
        for (text, line, words) in [
            ("name = 3", 1, "the number `3` stands where a text in quotation marks belongs"),
            ("name = \"a\"\nspeed = \"x\"", 2, "the text \"x\" stands where a whole number belongs"),
            ("name = \"a\"\non = [1]", 2, "a list stands where true or false belongs"),
            ("name = \"a\"\nnmae = 1", 2, "there is no key `nmae` here; allowed: `name`, `speed`, `on`"),
            ("speed = 1", 1, "the key `name` is missing"),
            ("some words", 1, "a name without `=` and a value"),
        ] {
            let error = toml::from_str::<Rig>(text).unwrap_err();
            assert_eq!(toml_fault(text, &error), (line, words.to_owned()));
        }
    }
}
