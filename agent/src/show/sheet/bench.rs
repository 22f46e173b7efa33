//! The certificate of a card, and the report of a lot.

use askama::Template;
use turnback_core::document::{
    card_test::{CANNOT_SHOW, CardTest, Grade},
    lot::Lot,
};

use super::layout::{Listed, Sheet, Trail};
use crate::show::{
    bench::{burn_in, decision, finding_row, headline, proof, tested},
    lines::{plainly, whole_seconds},
    plot::{self, Table},
};

/// The certificate of a card.
///
/// # Errors
/// When the template cannot be filled, which the compiler has all but ruled out.
pub fn certificate(test: &CardTest) -> Result<String, askama::Error> {
    certificate_in_book(test, Vec::new())
}

/// The certificate as part of a book, from where it leads back to other pages.
///
/// # Errors
/// As for [`certificate`].
pub fn certificate_in_book(test: &CardTest, trail: Vec<Trail>) -> Result<String, askama::Error> {
    Sheet {
        trail,
        subject: format!("{}, {}", test.label, test.card.words()),
        kind: "Certificate of a card",
        when: &whole_seconds(&test.changed_at),
        facts: identity(test),
        figures: circumstances(test),
        plots: plot::bench::card(test),
        prints_whole: true,
        tables: vec![("Tests", tests(test))],
        cannot_show: Listed::new(CANNOT_SHOW.map(str::to_owned)),
        origin: format!("{}, card test format {}, card test {}", test.program, test.format, test.test),
        ..Sheet::new(headline(test), &test.verdict, &[])
    }
    .render()
}

fn identity(test: &CardTest) -> Vec<(&'static str, String)> {
    let card = &test.card;
    let mut facts = vec![("card", test.label.clone()), ("device", card.device.clone())];
    let optional = [
        ("name", &card.name),
        ("subsystem", &card.subsystem),
        ("revision", &card.revision),
        ("part", &card.part),
        ("serial", &card.serial),
        ("driver", &card.driver),
        ("firmware", &card.firmware),
    ];
    facts.extend(optional.into_iter().filter_map(|(name, value)| Some((name, value.clone()?))));
    if let Some(image) = &card.image {
        // Enough to tell two cards of a lot apart by eye.
        facts.push((
            "memory",
            format!("{} without addresses", &image.masked_sha256.chars().take(16).collect::<String>()),
        ));
    }
    facts.push(("addresses", card.addresses().collect::<Vec<_>>().join(", ")));
    facts
}

fn circumstances(test: &CardTest) -> Vec<(&'static str, String)> {
    let attempts = test.attempts.len();
    let hours = test.attempts.iter().map(|attempt| attempt.took_s).sum::<f64>();
    let transceivers = test.transceivers.iter().flatten().cloned().collect::<Vec<_>>().join(", ");
    let mut all = vec![
        ("lot", test.lot.clone().unwrap_or_else(|| "none".into())),
        ("claim", test.claim.to_string()),
        ("procedure", test.procedure.name.clone()),
        ("bench", format!("{}, {}", test.bench, proof(test))),
        ("slot", test.slot.clone()),
        ("plugs", test.plugs.iter().flatten().cloned().collect::<Vec<_>>().join(", ")),
        ("tests done", format!("{attempts}, {} in all", crate::show::figure::seconds(hours))),
    ];
    if !transceivers.is_empty() {
        all.push(("transceivers", transceivers));
    }
    all
}

fn tests(test: &CardTest) -> Table {
    let rows = tested(test).flat_map(|(name, found)| found.into_iter().map(move |finding| finding_row(name, &finding)));
    Table::new(vec!["test", "result", "measured", "allowed"], rows)
}

/// The report of a lot.
///
/// # Errors
/// As for [`certificate`].
pub fn lot(lot: &Lot) -> Result<String, askama::Error> {
    lot_in_book(lot, Vec::new())
}

/// The report of a lot as part of a book, from where it leads back to other pages.
///
/// # Errors
/// As for [`certificate`].
pub fn lot_in_book(lot: &Lot, trail: Vec<Trail>) -> Result<String, askama::Error> {
    let summary = &lot.summary;
    let count = |grade| summary.graded(grade).to_string();
    let mut figures = vec![
        ("to test", format!("{} of {}", summary.to_test, lot.quantity)),
        ("accepted", count(Grade::Accepted)),
        ("limited", count(Grade::Limited)),
        ("rejected", count(Grade::Rejected)),
        ("unfinished", count(Grade::Unfinished)),
    ];
    figures.extend(burn_in(lot).map(|text| ("burn-in", text)));
    let cards = summary.cards.iter().map(|card| {
        vec![
            card.card.clone(),
            card.serial.clone().unwrap_or_default(),
            card.grade.name().to_owned(),
            plainly(&card.why).to_owned(),
        ]
    });
    let aside = summary.set_aside.iter().map(|aside| format!("set aside: {}: {}", aside.thing, aside.why));
    let notes =
        aside.chain(summary.oddities.iter().cloned()).chain(lot.closed.iter().map(|why| format!("closed: {why}")));
    Sheet {
        trail,
        subject: format!("lot {}, {}", lot.label, lot.source),
        kind: "Report of a lot",
        when: &whole_seconds(&lot.changed_at),
        facts: facts(lot),
        figures,
        plots: plot::bench::lot(lot),
        prints_whole: true,
        tables: vec![("Cards", Table::new(vec!["card", "serial", "grade", "why"], cards))],
        cannot_show: Listed::new(CANNOT_SHOW.map(str::to_owned)),
        notes: Listed::new(notes),
        origin: format!("{}, lot format {}, lot {}", lot.program, lot.format, lot.lot),
        ..Sheet::new(decision(lot).to_uppercase(), &lot.verdict, &[])
    }
    .render()
}

fn facts(lot: &Lot) -> Vec<(&'static str, String)> {
    let mut facts = vec![
        ("lot", lot.label.clone()),
        ("source", lot.source.clone()),
        ("claim", lot.claim.to_string()),
        ("procedure", lot.procedure.name.clone()),
        ("opened", whole_seconds(&lot.opened_at)),
        ("state", if lot.closed.is_some() { "closed" } else { "open" }.to_owned()),
    ];
    if let Some(sampling) = &lot.sampling {
        let plan = &sampling.plan;
        let text = format!(
            "AQL {} %, level {:?}, letter {}: {} drawn with seed {}, accept {}, reject {}",
            plan.aql_percent, plan.level, plan.plan_letter, plan.sample, sampling.seed, plan.accept, plan.reject
        );
        facts.push(("sampling", text));
    }
    facts
}
