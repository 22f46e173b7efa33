//! A card test for the tests of this folder.

use turnback_core::{
    bench::{procedure::Procedure, sim},
    document::card_test::{CardTest, FORMAT, Grade},
    judge::Verdict,
};

pub(super) fn card_test(label: &str) -> CardTest {
    let rig = sim::builtin("bench").unwrap();
    CardTest {
        format: FORMAT,
        program: "turnback".into(),
        test: "t".into(),
        label: label.to_owned(),
        lot: Some("quay".into()),
        bench: "stores".into(),
        started_at: String::new(),
        changed_at: String::new(),
        is_reference: false,
        card: rig.card("HB-0001"),
        claim: rig.claim,
        procedure: Procedure::named("intake").unwrap(),
        slot: "slot-1".into(),
        plugs: Vec::new(),
        attempts: Vec::new(),
        proof: None,
        grade: Grade::Unfinished,
        verdict: Verdict::unjudged(),
        next: None,
    }
}
