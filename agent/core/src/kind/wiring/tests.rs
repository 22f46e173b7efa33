//! The plugs against the sheets they were taken from, and each drawing against its plug.

use std::collections::{BTreeMap, BTreeSet};

use super::drawing::{Colours, Contact};
use super::*;
use crate::base::caution::Caution;

/// Contacts tied together, in no order.
type Joins = BTreeSet<BTreeSet<String>>;

fn joins(groups: &[&[&str]]) -> Joins {
    groups.iter().map(|group| group.iter().map(|label| (*label).to_owned()).collect()).collect()
}

#[test]
fn joins_are_those_of_the_published_plugs() {
    let sheet: [(WiringKind, &[&[&str]]); 7] = [
        // Published: router maker's interface manual, "create a loopback plug for an RJ-45 Ethernet interface".
        (WiringKind::EightPinTwoPair, &[&["1", "3"], &["2", "6"]]),
        // The same, and 4-7, 5-8: published, second hand (one wiring page).
        (WiringKind::EightPinFourPair, &[&["1", "3"], &["2", "6"], &["4", "7"], &["5", "8"]]),
        // Published: T1 CSU manual.
        (WiringKind::Rj48c, &[&["1", "5"], &["2", "4"]]),
        // Published: serial hardware maker's support note, "RS-232 loopback plug".
        (WiringKind::De9, &[&["2", "3"], &["7", "8", "9"], &["4", "6", "1"]]),
        (WiringKind::Db25, &[&["2", "3"], &["4", "5", "22"], &["20", "6", "8"]]),
        // From memory.
        (WiringKind::Rs422, &[&["TX+", "RX+"], &["TX-", "RX-"]]),
        // Published: router maker's interface manual, as above.
        (WiringKind::Fibre, &[&["Tx", "Rx"]]),
    ];
    assert_eq!(sheet.map(|(kind, _)| kind), WiringKind::ALL);
    for (kind, groups) in sheet {
        assert_eq!(joins(kind.wiring().joins), joins(groups), "{kind}");
    }
}

#[test]
fn ring_indicator_is_the_one_contact_that_may_stay_open() {
    // Published: the same support note, RI joined to RTS/CTS (9 on DE-9, 22 on DB-25) or left open.
    for kind in WiringKind::ALL {
        let wiring = kind.wiring();
        let ring: Vec<_> = wiring.contacts.iter().filter(|c| c.signal == "ring indicator").map(|c| c.label).collect();
        assert_eq!(wiring.optional, ring, "{kind}");
    }
    assert_eq!(WiringKind::De9.wiring().optional, ["9"]);
    assert_eq!(WiringKind::Db25.wiring().optional, ["22"]);
}

#[test]
fn each_contact_is_listed_once_and_joined_once() {
    for kind in WiringKind::ALL {
        let wiring = kind.wiring();
        let mut listed: Vec<_> = wiring.contacts.iter().map(|contact| contact.label).collect();
        let mut joined = wiring.joins.concat();
        listed.sort_unstable();
        joined.sort_unstable();
        assert_eq!(listed, joined, "{kind}");
        joined.dedup();
        assert_eq!(joined.len(), listed.len(), "{kind} uses a contact twice");
        let wires = wiring.joins.iter().map(|join| join.len() - 1).sum::<usize>();
        assert_eq!(wiring.wires().count(), wires, "{kind} has a wire too few or too many");
    }
}

#[test]
fn each_join_is_driven_by_an_output_and_read_by_inputs() {
    // Direction of RS-232 circuits at the terminal end: TIA-232 and TIA-574, from memory.
    let drives = ["transmit", "request to send", "data terminal ready", "light out"];
    let driven = |contact: &Contact| drives.iter().any(|start| contact.signal.starts_with(start));
    // A gigabit pair carries both directions, so the four-pair plug has no driven end.
    for kind in WiringKind::ALL.into_iter().filter(|kind| *kind != WiringKind::EightPinFourPair) {
        for (from, to) in kind.wiring().wires() {
            assert!(driven(from) && !driven(to), "{kind}: {} to {}", from.signal, to.signal);
        }
    }
}

#[test]
fn plus_goes_to_plus_on_every_balanced_pair() {
    // Balanced pairs name their wires + and -; a swapped pair would invert the data of RS-422.
    for kind in [WiringKind::EightPinTwoPair, WiringKind::EightPinFourPair, WiringKind::Rs422] {
        for (from, to) in kind.wiring().wires() {
            assert_eq!(from.signal.chars().last(), to.signal.chars().last(), "{kind}: {from:?} to {to:?}");
        }
    }
}

#[test]
fn colours_are_those_of_the_two_cable_codes() {
    // Published, second hand: wiring notes. T568B swaps green and orange.
    let t568a = ["W-G", "G", "W-O", "Bl", "W-Bl", "O", "W-Br", "Br"];
    let t568b = ["W-O", "O", "W-G", "Bl", "W-Bl", "G", "W-Br", "Br"];
    for kind in [WiringKind::EightPinTwoPair, WiringKind::EightPinFourPair] {
        for contact in kind.wiring().contacts {
            let pin: usize = contact.label.parse().unwrap();
            let expected = Colours { t568a: t568a[pin - 1], t568b: t568b[pin - 1] };
            assert_eq!(contact.colours, Some(expected), "{kind} pin {pin}");
        }
    }
}

#[test]
fn each_drawing_joins_exactly_the_contacts_of_its_plug() {
    for kind in WiringKind::ALL {
        let wiring = kind.wiring();
        assert_eq!(Drawing::of(wiring.drawing).joins(), joins(wiring.joins), "{kind}");
    }
}

#[test]
fn a_drawing_with_a_wire_astray_is_noticed() {
    let drawing = WiringKind::EightPinTwoPair.wiring().drawing;
    let touching = drawing.replace("+---|---+", "+---+---+");
    assert_ne!(touching, drawing);
    assert_eq!(Drawing::of(&touching).joins(), joins(&[&["1", "2", "3", "6"]]));
    let cut = drawing.replace("+---|---+ ", "+---|---  ");
    assert_ne!(cut, drawing);
    assert_eq!(Drawing::of(&cut).joins(), joins(&[&["1"], &["3"], &["2", "6"]]));
}

#[test]
fn numbered_plugs_mark_their_first_pin() {
    for kind in WiringKind::ALL {
        let wiring = kind.wiring();
        let numbered = wiring.contacts.iter().all(|contact| contact.label.parse::<u8>().is_ok());
        assert_eq!(wiring.drawing.contains("pin 1\n"), numbered, "{kind}");
        assert_eq!(wiring.view.contains("pin 1"), numbered, "{kind}");
    }
}

#[test]
fn each_page_is_ascii_and_fits_its_width() {
    for (kind, width) in WiringKind::ALL.into_iter().flat_map(|kind| [60, 80].map(|width| (kind, width))) {
        let page = kind.page(width);
        assert!(page.is_ascii() && page.ends_with('\n') && !page.ends_with("\n\n"), "{kind}");
        assert_eq!(kind.page(80), kind.page(120), "longer lines are hard to read");
        for line in page.lines() {
            assert!(line.len() <= width, "{kind}: {} columns: {line}", line.len());
            assert_eq!(line, line.trim_end(), "{kind}: blanks at the end of a line");
        }
    }
}

#[test]
fn each_page_says_uses_limits_and_cautions_and_local_codes_once() {
    for kind in WiringKind::ALL {
        let wiring = kind.wiring();
        assert_eq!(wiring.name, kind.name());
        // The page breaks lines anywhere, so compare word by word.
        let words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
        let page = words(&kind.page(80));
        assert!(!wiring.tests.is_empty() && !wiring.cannot_show.is_empty() && !wiring.cautions.is_empty(), "{kind}");
        for text in wiring.tests.iter().chain(wiring.cannot_show).chain([&wiring.view, &wiring.title]) {
            assert!(page.contains(&words(text)), "{kind} lacks: {text}");
        }
        for caution in wiring.cautions {
            assert!(page.contains(&words(&caution.to_string())), "{kind} lacks {caution:?}");
        }
        assert_eq!(page.matches("Local codes and licensed practice").count(), 1, "{kind}");
    }
}

#[test]
fn the_kinds_that_can_hurt_carry_their_cautions() {
    let needed: [(WiringKind, &[Caution]); 7] = [
        (WiringKind::EightPinTwoPair, &[Caution::PowerOverEthernet, Caution::RingingVoltage]),
        (WiringKind::EightPinFourPair, &[Caution::PowerOverEthernet, Caution::RingingVoltage]),
        (WiringKind::Rj48c, &[Caution::SpanPower, Caution::RingingVoltage]),
        (WiringKind::De9, &[Caution::SerialLevels, Caution::GroundPotential]),
        (WiringKind::Db25, &[Caution::SerialLevels, Caution::GroundPotential]),
        (WiringKind::Rs422, &[Caution::SerialLevels, Caution::GroundPotential]),
        (WiringKind::Fibre, &[Caution::LaserLight, Caution::ReceiverOverload]),
    ];
    for (kind, cautions) in needed {
        for caution in cautions {
            assert!(kind.wiring().cautions.contains(caution), "{kind} needs {caution:?}");
        }
    }
}

#[test]
fn the_limits_that_mislead_most_are_said() {
    let says = |kind: WiringKind, text: &str| kind.wiring().cannot_show.iter().any(|limit| limit.contains(text));
    for kind in [WiringKind::EightPinTwoPair, WiringKind::EightPinFourPair] {
        // Common practice, no source: force 100 Mb/s full duplex where a port cannot link to itself.
        assert!(says(kind, "force 100 Mb/s full duplex") && says(kind, "return port"), "{kind}");
        assert!(says(kind, "Crosstalk margin") && says(kind, "Clock accuracy"), "{kind}");
    }
    for kind in [WiringKind::De9, WiringKind::Db25, WiringKind::Rs422] {
        // Computed: transmitter and receiver use the same clock.
        assert!(says(kind, "wrong baud rate"), "{kind}");
    }
    for kind in WiringKind::ALL.into_iter().filter(|kind| *kind != WiringKind::Fibre) {
        assert!(says(kind, "Transmit level"), "{kind}");
    }
    // An optical port measures its own level; what remains unsaid by a short loop is its reach.
    assert!(says(WiringKind::Fibre, "Reach"));
}

#[test]
fn names_read_back_and_unknown_ones_are_answered_with_the_allowed() {
    for kind in WiringKind::ALL {
        assert_eq!(kind.to_string().parse(), Ok(kind));
        assert_eq!(kind.name().to_uppercase().parse(), Ok(kind));
    }
    assert_eq!("DB-9".parse(), Ok(WiringKind::De9), "what the trade often calls it");
    let refused = "de15".parse::<WiringKind>().unwrap_err().to_string();
    assert_eq!(refused, "unknown plug `de15`: allowed are 8p8c-2pair, 8p8c-4pair, rj48c, de9, db25, rs422, fibre");
}

#[test]
fn a_page_reads_well() {
    insta::assert_snapshot!(WiringKind::De9.page(80));
}

/// A drawing as a grid, whose wires can be followed with a finger.
struct Drawing {
    rows: Vec<Vec<char>>,
    /// Contact labels by (row, first column).
    labels: BTreeMap<(usize, usize), String>,
}

impl Drawing {
    /// Reads a drawing; a number or a terminal name standing alone is the label of a contact.
    fn of(text: &str) -> Self {
        let text = text.replace("pin 1\n", "     \n");
        let rows: Vec<Vec<char>> = text.lines().map(|line| line.chars().collect()).collect();
        let mut labels = BTreeMap::new();
        for (row, line) in text.lines().enumerate() {
            let mut column = 0;
            for word in line.split(' ') {
                let terminal = ["TX+", "TX-", "RX+", "RX-", "Tx", "Rx"].contains(&word);
                if terminal || word.parse::<u8>().is_ok() {
                    labels.insert((row, column), word.to_owned());
                }
                column += word.len() + 1;
            }
        }
        Self { rows, labels }
    }

    fn at(&self, row: isize, column: isize) -> char {
        let cell = |row: usize, column: usize| self.rows.get(row)?.get(column).copied();
        usize::try_from(row).ok().zip(usize::try_from(column).ok()).and_then(|(r, c)| cell(r, c)).unwrap_or(' ')
    }

    /// The contacts that the drawn wires tie together.
    fn joins(&self) -> Joins {
        let mut groups: Joins = BTreeSet::new();
        for (&(row, column), label) in &self.labels {
            let mut group = BTreeSet::from([label.clone()]);
            let mut seen = BTreeSet::new();
            let (row, column, width) = (row as isize, column as isize, label.len() as isize);
            // A wire leaves a label to the side, after one blank, or downwards from its first character.
            for (start, step) in
                [((row, column - 2), (0, -1)), ((row, column + width + 1), (0, 1)), ((row + 1, column), (1, 0))]
            {
                let wires: &[char] = if step.0 == 0 { &['-', '+', '|'] } else { &['|', '+'] };
                if wires.contains(&self.at(start.0, start.1)) {
                    self.follow(start.0, start.1, step, &mut seen, &mut group);
                }
            }
            let (touched, apart): (Vec<_>, Vec<_>) = groups.into_iter().partition(|other| !other.is_disjoint(&group));
            group.extend(touched.into_iter().flatten());
            groups = apart.into_iter().chain([group]).collect();
        }
        groups
    }

    /// Walks straight on over crossings, turns at joints only, and notes every label that it runs into.
    fn follow(
        &self,
        mut row: isize,
        mut column: isize,
        (down, right): (isize, isize),
        seen: &mut BTreeSet<(isize, isize, isize)>,
        group: &mut BTreeSet<String>,
    ) {
        while seen.insert((row, column, down)) {
            match self.at(row, column) {
                '+' => {
                    for (turn_down, turn_right) in [(0, -1), (0, 1), (-1, 0), (1, 0)] {
                        let next = (row + turn_down, column + turn_right);
                        let wire = if turn_down == 0 { '-' } else { '|' };
                        let fits = [wire, '+'].contains(&self.at(next.0, next.1)) || self.label(next).is_some();
                        if fits && !seen.contains(&(next.0, next.1, turn_down)) {
                            self.follow(next.0, next.1, (turn_down, turn_right), seen, group);
                        }
                    }
                    return;
                }
                '-' | '|' => (row, column) = (row + down, column + right),
                // One blank may part a wire from its label.
                _ => {
                    let met = self.label((row, column)).or_else(|| self.label((row + down, column + right)));
                    group.extend(met);
                    return;
                }
            }
        }
    }

    /// The label that covers a cell.
    fn label(&self, (row, column): (isize, isize)) -> Option<String> {
        self.labels.iter().find_map(|(&(at, from), label)| {
            let covered = from as isize..from as isize + label.len() as isize;
            (at as isize == row && covered.contains(&column)).then(|| label.clone())
        })
    }
}
