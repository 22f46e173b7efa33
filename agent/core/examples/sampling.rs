//! Sampling plans and what they prove, as JSON, for `scripts/cross_check.py`.

use serde_json::json;
use turnback_core::stats::{
    mtbf::mtbf_at_least,
    sampling::{Level, QUALITIES, SamplingPlan},
};

fn main() {
    let quantities = [2, 20, 51, 120, 400, 1000, 3000, 9000];
    let plans = quantities.into_iter().flat_map(|quantity| QUALITIES.map(|aql| (quantity, aql)));
    let plans: Vec<_> = plans
        .map(|(quantity, aql)| {
            let plan = SamplingPlan::new(quantity, aql, Level::II).expect("an AQL of the tables");
            let faulty = [0, 1, quantity / 50, quantity / 10, quantity / 2, quantity];
            let accepts = faulty.map(|faulty| (faulty, plan.accepts(faulty)));
            json!({ "quantity": quantity, "sample": plan.sample, "accept": plan.accept, "accepts": accepts })
        })
        .collect();
    let confidences = [0.5, 0.6, 0.9, 0.95, 0.99];
    let mtbf = confidences.into_iter().flat_map(|confidence| {
        [0, 1, 2, 5, 20].map(|failures| json!([failures, confidence, mtbf_at_least(1000.0, failures, confidence).ok()]))
    });
    println!("{}", json!({ "plans": plans, "mtbf": mtbf.collect::<Vec<_>>() }));
}
