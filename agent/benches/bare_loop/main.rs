//! How many frames a second can packet sockets of this kind send and receive when nothing is checked?
//!
//! `cargo bench --bench bare_loop` makes a virtual cable with a kernel plug in a namespace of its own (root needed);
//! `cargo bench --bench bare_loop -- [INTERFACE SECONDS]` measures an interface that is already there, in the namespace
//! it is started in. Prints a line for each frame size; sizes count the FCS, as the standards do.

mod measure;
#[path = "../../../tests/harness/netns.rs"]
mod netns;
#[path = "../../../tests/harness/skip.rs"]
mod skip;

use std::{env, time::Duration};

use turnback::ports::ethernet::socket::SocketError;

fn main() {
    let words: Vec<String> = env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let result = match words.as_slice() {
        [interface, seconds] => match seconds.parse() {
            Ok(seconds) => measure(interface, Duration::from_secs_f64(seconds)),
            Err(error) => {
                eprintln!("seconds: {error}");
                std::process::exit(2);
            }
        },
        _ => netns::in_fresh_namespace(|| {
            netns::add_cable(1500);
            netns::fit_plug();
            measure("near", Duration::from_secs(2))
        })
        .unwrap_or(Ok(())),
    };
    if let Err(error) = result {
        eprintln!("{error}");
        if let Some(hint) = error.hint() {
            eprintln!("hint: {hint}");
        }
        std::process::exit(4);
    }
}

fn measure(interface: &str, duration: Duration) -> Result<(), SocketError> {
    println!(
        "{:>5} {:>12} {:>7} {:>8} {:>8} {:>8}  queue",
        "size", "frames/s", "Gb/s", "missing", "dropped", "refused"
    );
    for size_bytes in [64, 512, 1518] {
        let result = measure::run(interface, size_bytes, duration)?;
        println!(
            "{size_bytes:>5} {:>12.0} {:>7.3} {:>8} {:>8} {:>8}  {:?}",
            result.frames_per_second(),
            result.bits_per_second() / 1e9,
            result.frames_sent.saturating_sub(result.frames_returned),
            result.drops.frames,
            result.refusals,
            result.queue,
        );
    }
    Ok(())
}
