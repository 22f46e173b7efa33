//! A card test for the tests of this folder.

use turnback_core::{
    bench::{procedure::Procedure, sim},
    document::card_test::CardTest,
};

pub(super) fn card_test(label: &str) -> CardTest {
    let rig = sim::builtin("bench").unwrap();
    let procedure = Procedure::named("intake").unwrap();
    CardTest {
        program: "turnback".into(),
        test: "t".into(),
        lot: Some("quay".into()),
        bench: "stores".into(),
        slot: "slot-1".into(),
        ..CardTest::of(label.to_owned(), rig.card("HB-0001"), rig.claim, procedure)
    }
}
