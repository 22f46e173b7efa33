//! Error bounds over a grid of counts and confidences as one JSON list, for comparison with other implementations.
//!
//! `cargo run -p turnback-core --example bounds`; each entry holds `errors`, `trials` and what
//! [`turnback_core::stats::ratio::Bounds`] says of them.

use serde_json::{Value, json};
use turnback_core::stats::{StatsError, looks::Looks, ratio::Bounds};

fn main() -> Result<(), StatsError> {
    let mut rows: Vec<Value> = Vec::new();
    for trials in TRIALS {
        for errors in ERRORS.into_iter().filter(|errors| *errors <= trials) {
            for confidence in CONFIDENCES {
                let bounds = Bounds::new(errors, trials, confidence, Looks::Once)?;
                rows.push(json!({ "errors": errors, "trials": trials, "bounds": bounds }));
            }
        }
    }
    println!("{}", Value::from(rows));
    Ok(())
}

const TRIALS: [u64; 9] =
    [1, 10, 1000, 1_000_000, 100_000_000, 1_000_000_000, 30_000_000_000, 3_000_000_000_000, 10_000_000_000_000];
const ERRORS: [u64; 11] = [0, 1, 2, 3, 5, 10, 30, 100, 1000, 10_000, 1_000_000];
const CONFIDENCES: [f64; 4] = [0.5, 0.9, 0.95, 0.99];
