//! Frames on all ports of a card at once. Ports that pass alone and fail then share something that fails: memory or a
//! bus in the card, but also its driver or this computer. The reference card tells these apart.

use super::card::Card;
use super::facts::{AllPorts, DataRun, Facts};
use crate::judge::Outcome;

/// In which way a run failed.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Way {
    Not,
    Undecided,
    OnTheLine,
    BehindTheCheck,
}

impl Way {
    fn of(run: &DataRun) -> Self {
        match run.outcome {
            Outcome::Pass => Self::Not,
            Outcome::Fault if run.is_damaged_in_host() => Self::BehindTheCheck,
            Outcome::Fault => Self::OnTheLine,
            Outcome::Undecided | Outcome::NotTested => Self::Undecided,
        }
    }

    /// Whether what did this to the reference card can be what did `other` to a card. A computer that has not time
    /// enough leaves one run undecided and fails the next; what it has damaged, it damages again.
    fn explains(self, other: Self) -> bool {
        match other {
            Self::Not => false,
            Self::Undecided => self != Self::Not,
            Self::OnTheLine => matches!(self, Self::OnTheLine | Self::Undecided),
            Self::BehindTheCheck => self == Self::BehindTheCheck,
        }
    }
}

/// Holds the runs with all ports of `card` on against those of the reference card.
pub fn hold_against_reference(runs: &mut [DataRun], card: &Card, reference: Option<(&Card, &Facts)>) {
    let all = match reference {
        Some((_, Facts::Data { runs, .. })) => &runs[..],
        _ => &[],
    };
    let known: Vec<&DataRun> = all.iter().filter(|run| run.all_ports.is_some()).collect();
    let count = runs.iter().filter(|run| run.all_ports.is_some()).count();
    let is_like = known.len() >= count && reference.is_some_and(|(reference, _)| reference.is_kind_of(card));
    for run in runs.iter_mut().filter(|run| run.all_ports.is_some()) {
        let way = Way::of(run);
        run.all_ports = Some(match known.iter().any(|known| Way::of(known).explains(way)) {
            true => AllPorts::Excused,
            false if is_like => AllPorts::Counts,
            false => AllPorts::Unproved,
        });
    }
}

/// Holds nothing against the reference card that is tested so for the first time: it is known to be good.
pub fn excuse_reference(runs: &mut [DataRun]) {
    for all_ports in runs.iter_mut().filter_map(|run| run.all_ports.as_mut()) {
        *all_ports = AllPorts::Excused;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::Location;

    fn run(port: u32, outcome: Outcome, location: &[Location]) -> DataRun {
        DataRun {
            port,
            run: String::new(),
            set_mbps: None,
            all_ports: Some(AllPorts::Unproved),
            is_slower: false,
            is_empty: false,
            outcome,
            location: location.to_vec(),
            rule: None,
            text: String::new(),
            proved_below: None,
            limit: 1e-7,
        }
    }

    const WAYS: [(Outcome, &[Location]); 4] = [
        (Outcome::Pass, &[]),
        (Outcome::Undecided, &[]),
        (Outcome::Fault, &[Location::Port, Location::Plug]),
        (Outcome::Fault, &[Location::Host]),
    ];

    #[test]
    fn a_failure_with_all_ports_on_counts_only_if_the_reference_card_of_its_kind_does_not_fail_alike() {
        use AllPorts::{Counts, Excused, Unproved};
        let kind = |device: &str| Card { device: device.to_owned(), ..Card::default() };
        let (card, other) = (kind("f1a7:0b02"), kind("f1a7:0b03"));
        let held = |reference: Option<(&Card, usize, usize)>, way: usize| {
            let of = |port, way: usize| run(port, WAYS[way].0, WAYS[way].1);
            let known = reference.map(|(card, way, ports)| {
                let mut runs: Vec<DataRun> = (1..=ports as u32).map(|port| of(port, 0)).collect();
                runs[0] = of(1, way);
                // What a port does alone tells nothing of this.
                runs.push(DataRun { all_ports: None, ..of(1, 2) });
                (card, Facts::Data { runs, left_out: Vec::new() })
            });
            let mut runs = vec![of(1, way), of(2, 0)];
            hold_against_reference(&mut runs, &card, known.as_ref().map(|(card, facts)| (*card, facts)));
            runs[0].all_ports.unwrap()
        };
        let (undecided, line, damaged) = (1, 2, 3);
        for way in [undecided, line, damaged] {
            assert_eq!(held(Some((&card, 0, 2)), way), Counts, "the reference card passes");
            assert_eq!(held(Some((&other, 0, 2)), way), Unproved, "another kind, with another driver");
            assert_eq!(held(None, way), Unproved);
            assert_eq!(held(Some((&card, way, 2)), way), Excused, "the same way");
            assert_eq!(held(Some((&other, way, 2)), way), Excused, "the computer is the same");
        }
        // A computer without time loses frames, and damages none.
        assert_eq!((held(Some((&card, 1, 2)), line), held(Some((&card, 1, 2)), damaged)), (Excused, Counts));
        assert_eq!((held(Some((&card, 2, 2)), damaged), held(Some((&card, 3, 2)), line)), (Counts, Counts));
        // One port less of the reference card shows less than was asked of the computer here.
        assert_eq!(held(Some((&card, 0, 1)), line), Unproved);
    }

    #[test]
    fn what_does_not_count_fails_nothing_and_only_what_nobody_proved_stays_open() {
        for (at, (outcome, location)) in WAYS.into_iter().enumerate() {
            let all_on = |all_ports| DataRun { all_ports: Some(all_ports), ..run(1, outcome, location) };
            let of = |run: &DataRun| (run.fails_on_line(), run.fails_in_host(), run.is_open());
            assert_eq!(of(&all_on(AllPorts::Counts)), (at == 2, at == 3, at == 1));
            assert_eq!(of(&all_on(AllPorts::Excused)), (false, false, false));
            assert_eq!(of(&all_on(AllPorts::Unproved)), (false, false, at != 0));
            let alone = DataRun { all_ports: None, ..run(1, outcome, location) };
            assert_eq!(of(&alone), (at == 2, at == 3, at == 1));
            let mut first = [all_on(AllPorts::Unproved), alone.clone()];
            excuse_reference(&mut first);
            assert_eq!((first[0].all_ports, first[1].all_ports), (Some(AllPorts::Excused), None));
        }
    }
}
