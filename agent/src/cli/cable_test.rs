//! `turnback cable-test`: what the transceiver itself finds on each pair.

use std::process::ExitCode;

use turnback_core::{
    base::{
        caution::{Caution, LOCAL_CODES_FIRST},
        figure,
    },
    kind::{
        Kind,
        ethernet::cable_test::{CableTest, PairResult, PairStatus, Reading, read},
    },
};

use super::{NOT_TESTED, USAGE, check, complain, show::print};
use crate::{
    ports::{name::PortName, open::open},
    show::lines::{message_width, output_width, tell, wrapped},
};

/// Runs the test; exit status 0 no fault, 1 a fault on a pair, 3 not found out, 4 not tested.
pub fn run(name: &str, json: bool) -> ExitCode {
    check::restore_and_tell();
    let tested = open(&PortName::parse(name), 0, &mut check::tell_left).and_then(|mut port| {
        if port.identity().kind != Kind::Ethernet {
            return Ok(None);
        }
        // Only who is about to touch the cable is cautioned: what cannot be tested says so at once.
        if port.offers_cable_test() && port.in_service()?.is_empty() {
            let width = message_width();
            tell!("{}", wrapped("caution: ", &Caution::PowerOverEthernet.to_string(), width));
            tell!("{}", wrapped("", LOCAL_CODES_FIRST, width));
        }
        port.cable_test()
    });
    match tested {
        Ok(Some(found)) => {
            let code = match found.has_fault() {
                Some(false) => 0,
                Some(true) => 1,
                None => 3,
            };
            print(&if json {
                serde_json::to_string_pretty(&found).unwrap_or_default() + "\n"
            } else {
                render(name, &found, output_width())
            });
            ExitCode::from(code)
        }
        Ok(None) => {
            tell("error: ", format_args!("{name} offers no cable test"));
            tell("hint: ", "few adapters do; move a plug from segment to segment instead");
            ExitCode::from(NOT_TESTED)
        }
        Err(error) => {
            let status = if error.is_wrong_use() { USAGE } else { NOT_TESTED };
            complain(&error, error.hint());
            ExitCode::from(status)
        }
    }
}

/// The answer: verdict, what was tested, the other pairs, what to do now.
fn render(name: &str, found: &CableTest, width: usize) -> String {
    let reading = read(found);
    let (headline, next) = match &reading {
        Reading::Broken(pairs) => (
            format!("FAULT: {}", listed(pairs.iter())),
            "Look at the cable, the sockets and the connectors at that distance. If a plug was fitted, take it off and \
             repeat: it joins pairs."
                .to_owned(),
        ),
        Reading::Alike(Some(m)) => (
            format!("PASS: no pair is broken or shorted before its end at about {m:.0} m"),
            format!(
                "If the cable is longer than about {m:.0} m, it is cut there. This test cannot see noise or a loose \
                 contact: test the cable with a plug at its far end too."
            ),
        ),
        Reading::Alike(None) => (
            "PASS: no pair is broken or shorted".to_owned(),
            "This test cannot see noise or a loose contact: test the cable with a plug at its far end too.".to_owned(),
        ),
        Reading::Unclear => (
            "UNDECIDED: the adapter's results say nothing clear".to_owned(),
            "Take off whatever is at the far end, a plug too, and repeat.".to_owned(),
        ),
    };
    let broken: &[PairResult] = if let Reading::Broken(pairs) = &reading { pairs } else { &[] };
    let others: Vec<&PairResult> = found.pairs.iter().filter(|pair| !broken.contains(pair)).collect();
    let mut text = format!("{}\n", wrapped("", &headline, width));
    let mut say = |label: &str, words: &str| text.push_str(&format!("{}\n", wrapped(label, words, width)));
    say("tested: ", &format!("{name}, by the adapter's own cable test"));
    match (others.as_slice(), broken) {
        ([], []) => say("found: ", "The adapter reported no pair."),
        ([], _) => {}
        (others, []) => say("found: ", &ends(others)),
        (others, _) => say("others: ", &ends(others)),
    }
    say("next: ", &next);
    if broken.iter().any(|result| [2, 3].contains(&result.pair.number())) {
        say("", "Numbers and colours: T568B (T568A swaps pairs 2 and 3).");
    }
    text
}

/// Pairs with what was found on each.
fn listed<'a>(pairs: impl Iterator<Item = &'a PairResult>) -> String {
    pairs.map(ToString::to_string).collect::<Vec<_>>().join("; ")
}

/// Whole pairs in a sentence: where they end.
fn ends(pairs: &[&PairResult]) -> String {
    let is_open = |pair: &&&PairResult| pair.status == PairStatus::Open;
    let ends: Vec<f64> = pairs.iter().filter(is_open).filter_map(|pair| pair.fault_distance_m).collect();
    let (Some(least), Some(most)) = (ends.iter().copied().reduce(f64::min), ends.iter().copied().reduce(f64::max))
    else {
        return listed(pairs.iter().copied());
    };
    if ends.len() < pairs.len() {
        return listed(pairs.iter().copied());
    }
    let numbers: Vec<String> = pairs.iter().map(|pair| pair.pair.number().to_string()).collect();
    let at = if most - least < 1.0 { format!("{most:.0}") } else { format!("{least:.0} to {most:.0}") };
    format!(
        "An open end at about {at} m on pairs {}, as at a far end with nothing on it.",
        figure::listed(&sorted(numbers))
    )
}

fn sorted(mut numbers: Vec<String>) -> Vec<String> {
    numbers.sort_unstable();
    numbers
}

#[cfg(test)]
mod tests {
    use super::*;
    use turnback_core::kind::ethernet::cable_test::Pair;

    fn found(results: [(PairStatus, Option<f64>); 4]) -> CableTest {
        let pairs = [Pair::A, Pair::B, Pair::C, Pair::D].into_iter().zip(results);
        let result = |(pair, (status, fault_distance_m))| PairResult { pair, status, fault_distance_m };
        CableTest { pairs: pairs.map(result).collect() }
    }

    #[test]
    fn a_fault_is_the_first_line_with_its_place_and_how_a_plug_may_explain_it() {
        let end = (PairStatus::Open, Some(65.0));
        let text = render("quay7", &found([end, end, end, (PairStatus::Open, Some(36.2))]), 100);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[0], "FAULT: pair 4 (brown, pins 7 and 8) open at about 36 m from the port");
        assert_eq!(
            lines[2],
            "others: An open end at about 65 m on pairs 1, 2 and 3, as at a far end with nothing on it."
        );
        assert!(text.contains("plug"), "{text}");
    }

    #[test]
    fn every_reading_is_an_answer_of_ten_lines() {
        let (ok, open) = ((PairStatus::Ok, None), (PairStatus::Open, Some(65.0)));
        let (short, noisy) = ((PairStatus::ShortWithinPair, Some(2.0)), (PairStatus::Noisy, None));
        for (results, word) in
            [([ok; 4], "PASS"), ([open; 4], "PASS"), ([short; 4], "FAULT"), ([noisy, open, open, open], "UNDECIDED")]
        {
            let text = render("quay7", &found(results), 60);
            assert!(text.starts_with(word) && text.lines().count() <= 10, "{text}");
        }
        assert!(render("quay7", &CableTest::default(), 60).starts_with("UNDECIDED"));
    }
}
