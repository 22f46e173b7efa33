//! A stretch of a pattern as hexadecimal digits, for comparison with other implementations.
//!
//! `cargo run -p turnback-core --example pattern_bytes -- PATTERN PHASE_BYTES LENGTH_BYTES`: three words a stretch, any
//! number of stretches, a line each.

use std::process::ExitCode;

use turnback_core::signal::pattern::Pattern;

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    if words.is_empty() || !words.len().is_multiple_of(3) {
        return wrong("usage: pattern_bytes PATTERN PHASE_BYTES LENGTH_BYTES ...");
    }
    for stretch in words.chunks_exact(3) {
        let pattern: Pattern = match stretch[0].parse() {
            Ok(pattern) => pattern,
            Err(error) => return wrong(&format!("{error}")),
        };
        let (Ok(phase), Ok(length)) = (stretch[1].parse(), stretch[2].parse::<u32>()) else {
            return wrong(&format!("phase {} and length {}: whole numbers of bytes", stretch[1], stretch[2]));
        };
        let mut bytes = vec![0; length as usize];
        pattern.fill(phase, &mut bytes);
        println!("{}", bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>());
    }
    ExitCode::SUCCESS
}

fn wrong(text: &str) -> ExitCode {
    eprintln!("{text}");
    ExitCode::from(2)
}
