//! A simulated bench behind the seam. Its cards and plugs go where they are told.

use turnback_core::{
    bench::{
        procedure::SideBySide,
        sim::{Setup, SimulatedBench, rig::REFERENCE},
    },
    document::card_test::CardTest,
    kind::rig::AnyRig,
};

use super::{
    BenchError,
    data::data,
    seam::{Bench, Came, Order, Place, Present},
};
use crate::{engine::cancel::Cancel, ports::simulated};

impl Bench for SimulatedBench {
    fn cards(&mut self) -> Result<Vec<Present>, BenchError> {
        let cards = (1..).zip(&self.rig.cards).map(|(number, card)| present(self, &card.serial, Some(number)));
        Ok(cards.collect())
    }

    fn reference(&mut self) -> Result<Option<Present>, BenchError> {
        Ok(Some(present(self, REFERENCE, None)))
    }

    fn place_of(&mut self, _: &CardTest) -> Result<Place, BenchError> {
        Ok(Place::AsTold)
    }

    fn slots(&self) -> Vec<String> {
        self.rig.slots.iter().map(|slot| slot.label.clone()).collect()
    }

    fn plugs(&self, _: &str, _: usize) -> Vec<String> {
        self.rig.plugs.iter().map(|plug| plug.label.clone()).collect()
    }

    fn transceivers(&self) -> Vec<String> {
        let spare = self.rig.transceivers.iter().map(|spare| spare.label.clone());
        // Those of the reference card last: somebody has to put them back.
        spare.chain(self.rig.card(REFERENCE).transceivers().into_iter().flatten()).collect()
    }

    fn second(&self) -> Option<Box<dyn Bench + Send>> {
        Some(Box::new(self.clone()))
    }

    fn together(&mut self, orders: &[Order<'_>], _: &Cancel) -> Result<usize, BenchError> {
        let (model, host_mbps) = (&self.rig.model, self.rig.host_mbps_max);
        let sends = orders.first().is_some_and(|order| order.name.side_by_side() != SideBySide::All);
        if host_mbps == 0 || !sends {
            return Ok(orders.len());
        }
        Ok((host_mbps / (model.speed_mbps * model.ports)).max(1) as usize)
    }

    fn measure(&mut self, order: &Order<'_>, cancel: &Cancel) -> Result<Came, BenchError> {
        let test = order.test;
        let serial = test.card.serial.clone().unwrap_or_default();
        let bench_share = order.reference.and_then(CardTest::throughput_share).unwrap_or(1.0);
        // Those that cannot be taken out are in the card all the same.
        let own = test.card.transceivers();
        let setup = Setup {
            serial: &serial,
            slot: &test.slot,
            plugs: &test.plugs,
            transceivers: if test.transceivers.is_empty() { &own } else { &test.transceivers },
            bench_share,
            attempt: order.attempt,
        };
        if let Some((facts, took_s)) = SimulatedBench::measure(self, &setup, order.name, &test.procedure) {
            let is_measure = test.is_reference && order.reference.is_none();
            return Ok(Came::measured(if is_measure { facts.measuring_the_bench() } else { facts }, took_s));
        }
        data(order, cancel, &|number, at_once| {
            let rig = AnyRig::Frames(Box::new(self.port(&setup, number, at_once)));
            let seed = self.seed(&setup, number, at_once);
            Ok((simulated::of(&rig, format!("sim:{}.{number}", test.label), seed), seed))
        })
    }
}

fn present(bench: &SimulatedBench, serial: &str, number: Option<u32>) -> Present {
    Present { card: bench.rig.card(serial), slot: None, number, names: Vec::new(), why_not: Vec::new() }
}
