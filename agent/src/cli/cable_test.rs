//! `turnback cable-test`: what the transceiver itself finds on each pair.

use std::process::ExitCode;

use turnback_core::{
    base::caution::{Caution, LOCAL_CODES_FIRST},
    kind::ethernet::cable_test::{CableTest, Reading, read},
};

use super::{NOT_TESTED, USAGE, check, complain, show::print};
use crate::{
    ports::{name::PortName, open::open},
    show::text::wrapped,
};

/// Runs the test; exit status 0 no fault, 1 a fault on a pair, 3 not found out, 4 not tested.
pub fn run(name: &str, json: bool) -> ExitCode {
    eprintln!("{}", wrapped("caution: ", &Caution::PowerOverEthernet.to_string()));
    eprintln!("{LOCAL_CODES_FIRST}");
    check::restore_and_tell();
    match open(&PortName::parse(name), 0, &mut check::tell_left).and_then(|mut port| port.cable_test()) {
        Ok(Some(found)) => {
            let code = match found.has_fault() {
                Some(false) => 0,
                Some(true) => 1,
                None => 3,
            };
            print(&if json {
                serde_json::to_string_pretty(&found).unwrap_or_default() + "\n"
            } else {
                render(name, &found)
            });
            ExitCode::from(code)
        }
        Ok(None) => {
            eprintln!("error: {name} offers no cable test");
            eprintln!("hint: few adapters do; move a plug from segment to segment instead");
            ExitCode::from(NOT_TESTED)
        }
        Err(error) => {
            let status = if error.is_wrong_use() { USAGE } else { NOT_TESTED };
            complain(&error, error.hint());
            ExitCode::from(status)
        }
    }
}

fn render(name: &str, found: &CableTest) -> String {
    let mut text = format!("{name}, cable test\n\n");
    for result in &found.pairs {
        let distance = result.fault_distance_m.map_or_else(String::new, |m| format!(", {m:.1} m from the port"));
        text.push_str(&format!("pair {}  {}{distance}\n", result.pair, result.status));
    }
    if found.pairs.is_empty() {
        text.push_str("the adapter told of no pair\n");
    }
    text.push_str(match read(found) {
        Reading::Alike(Some(_)) => {
            "\nall pairs end alike: a bare far end reads open; if the cable is longer than that, it is cut there\n"
        }
        Reading::Alike(None) => "\nno fault found on any pair that was told of\n",
        Reading::Broken(_) => {
            "\na pair that ends or touches nearer than the others is at fault there; with a plug \
            fitted, shorts and crosses are the plug's own: take it off and repeat\n"
        }
        Reading::Unclear => "\nthis cannot be read: take whatever is at the far end off, a plug too, and repeat\n",
    });
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use turnback_core::kind::ethernet::cable_test::{Pair, PairResult, PairStatus};

    #[test]
    fn a_fault_is_told_with_its_place_and_how_a_plug_may_explain_it() {
        let found = CableTest {
            pairs: vec![
                PairResult { pair: Pair::A, status: PairStatus::Ok, fault_distance_m: None },
                PairResult { pair: Pair::B, status: PairStatus::Open, fault_distance_m: Some(31.52) },
            ],
        };
        let text = render("quay7", &found);
        assert!(text.contains("pair A (1-2)  ok\n"), "{text}");
        assert!(text.contains("pair B (3-6)  open, 31.5 m from the port\n"), "{text}");
        assert!(text.contains("plug"), "{text}");
    }
}
