//! Metrics of the bench: what is tested, what waits for hands, and how far the lot is.

use turnback_core::document::card_test::Grade;

use super::{Kind, Metric, Sample, Snapshot, Values};
use crate::daemon::agent::{LotView, SlotState, SlotView};

/// What a bench counts; all are absent where the machine is none.
pub(super) const BENCH: &[Metric] = &[
    Metric {
        name: "bench_works",
        kind: Kind::Gauge,
        unit: None,
        labels: &[],
        help: "Nothing keeps the bench from its work; absent where this machine is no bench, like the next five",
        values: Values::Daemon(|s| s.bench.iter().map(|b| (Vec::new(), b.trouble.is_none().into())).collect()),
    },
    Metric {
        name: "bench_slots",
        kind: Kind::Gauge,
        unit: None,
        labels: &["state"],
        help: "Slots of the bench by what goes on in them; `hands`: somebody has to do something there",
        values: Values::Daemon(|s| {
            let slots =
                |state: SlotState| s.bench.iter().flat_map(|b| &b.slots).filter(move |slot| slot.state == state);
            let known = SlotState::ALL.into_iter().filter(|_| s.bench.is_some());
            known.map(|state| (vec![("state", state.name().to_owned())], slots(state).count() as f64)).collect()
        }),
    },
    Metric {
        name: "bench_test_began_timestamp",
        kind: Kind::Gauge,
        unit: Some("seconds"),
        labels: &["slot", "card", "test"],
        help: "When the test began that is on in a slot, Unix time",
        values: Values::Daemon(|s| {
            by_slot(s, |slot| {
                let testing = slot.testing.as_ref()?;
                Some((vec![("test", testing.test.name().to_owned())], testing.began_ms as f64 / 1e3))
            })
        }),
    },
    Metric {
        name: "bench_hands_since_timestamp",
        kind: Kind::Gauge,
        unit: Some("seconds"),
        labels: &["slot", "card"],
        help: "Since when hands are needed at a slot, Unix time",
        values: Values::Daemon(|s| by_slot(s, |slot| Some((Vec::new(), slot.hands.as_ref()?.since_ms as f64 / 1e3)))),
    },
    Metric {
        name: "bench_lot_cards",
        kind: Kind::Gauge,
        unit: None,
        labels: &["lot", "grade"],
        help: "Cards of the lot by grade; `unfinished`: begun, without a grade yet",
        values: Values::Daemon(|s| {
            of_lot(s, |lot| {
                let grades = [lot.accepted, lot.limited, lot.rejected, lot.unfinished];
                let grades = Grade::ALL.into_iter().zip(grades);
                grades.map(|(grade, cards)| (vec![("grade", grade.name().to_owned())], f64::from(cards))).collect()
            })
        }),
    },
    Metric {
        name: "bench_lot_cards_to_test",
        kind: Kind::Gauge,
        unit: None,
        labels: &["lot"],
        help: "Cards of the lot that are to be tested in all",
        values: Values::Daemon(|s| of_lot(s, |lot| vec![(Vec::new(), f64::from(lot.to_test))])),
    },
];

/// Values of the slots of the bench, each with labels of its own beside those of the slot.
fn by_slot(s: &Snapshot, value: impl Fn(&SlotView) -> Option<Sample>) -> Vec<Sample> {
    let slots = s.bench.iter().flat_map(|bench| &bench.slots);
    let sample = |slot: &SlotView| {
        let (own, value) = value(slot)?;
        let card = slot.card.clone().unwrap_or_default();
        let labels = [("slot", slot.slot.clone()), ("card", card)].into_iter().chain(own);
        Some((labels.collect(), value))
    };
    slots.filter_map(sample).collect()
}

/// Values of the lot whose cards are tested, beside its label.
fn of_lot(s: &Snapshot, values: fn(&LotView) -> Vec<Sample>) -> Vec<Sample> {
    let lots = s.bench.iter().filter_map(|bench| bench.lot.as_ref());
    let named = |lot: &LotView, (own, value): Sample| {
        ([("lot", lot.label.clone())].into_iter().chain(own).collect::<Vec<_>>(), value)
    };
    lots.flat_map(|lot| values(lot).into_iter().map(|sample| named(lot, sample))).collect()
}

/// A bench with a card under test, one that waits for hands, and an empty slot.
#[cfg(test)]
pub(super) fn a_bench(card: &str) -> crate::daemon::agent::BenchView {
    use turnback_core::bench::procedure::TestName;

    use crate::daemon::agent::{BenchView, HandsView, Testing};

    let hands = HandsView { since_ms: 3000, ..HandsView::default() };
    let testing = Testing { test: TestName::Links, number: 3, of: 7, began_ms: 2000, takes_s: None, then_s: 0.0 };
    let slot = |slot: &str| SlotView { slot: slot.into(), card: Some(card.to_owned()), ..SlotView::default() };
    BenchView {
        lot: Some(LotView { label: "stores".into(), to_test: 16, rejected: 2, ..LotView::default() }),
        slots: vec![
            SlotView { state: SlotState::Testing, testing: Some(testing), ..slot("slot-1") },
            SlotView { state: SlotState::Hands, hands: Some(hands), ..slot("slot-2") },
            slot("slot-3"),
        ],
        ..BenchView::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        daemon::agent::{Figures, Health},
        metrics::exposition,
    };

    fn told(bench: Option<crate::daemon::agent::BenchView>) -> String {
        let (ports, queue) = (Vec::new(), Vec::new());
        exposition(Snapshot { ports, figures: Figures::default(), health: Health::default(), queue, bench })
    }

    #[test]
    fn a_bench_tells_what_is_tested_and_what_waits_for_hands() {
        let text = told(Some(a_bench("quay-01")));
        for line in [
            "turnback_bench_works 1.0",
            r#"turnback_bench_slots{state="hands"} 1.0"#,
            r#"turnback_bench_slots{state="left-alone"} 0.0"#,
            r#"turnback_bench_test_began_timestamp_seconds{slot="slot-1",card="quay-01",test="links"} 2.0"#,
            r#"turnback_bench_hands_since_timestamp_seconds{slot="slot-2",card="quay-01"} 3.0"#,
            r#"turnback_bench_lot_cards{lot="stores",grade="rejected"} 2.0"#,
            r#"turnback_bench_lot_cards_to_test{lot="stores"} 16.0"#,
        ] {
            assert!(text.contains(line), "{line} in {text}");
        }
        let none = told(None);
        assert!(!none.lines().any(|line| line.starts_with("turnback_bench_")), "{none}");
    }
}
