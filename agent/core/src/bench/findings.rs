//! Facts held against the limits of a procedure. A [`Finding`] says what was measured, what was allowed, and whether
//! the limit was met; it blames nobody yet.

use serde::{Deserialize, Serialize};

use super::card::{Card, address_fault, address_number};
use super::claim::Claim;
use super::facts::{
    BusFacts, DataRun, Facts, LeftOut, LightFacts, LightSeen, LinkFacts, LoadFacts, LoadPort, ModuleFacts, Slower,
};
use super::procedure::{LoadLimits, Procedure};
use super::queues::PortQueues;
use crate::base::figure;
use crate::judge::{Outcome, RuleId};
use crate::kind::ethernet::link::FALLBACK_MBPS;
use crate::stats::mtbf::mtbf_at_least;

/// One thing measured, beside its limit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// The rule that holds it against its limit.
    pub rule: RuleId,
    /// The port, from 1; none where it is about the whole card.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub port: Option<u32>,
    /// What was measured, in words.
    pub measured: String,
    /// What is allowed, in words.
    pub limit: String,
    /// Whether the limit was met, or nothing says that it was not.
    pub met: bool,
    /// Nothing was measured that the limit could be held against: no link, or a run that was not decided.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub not_tested: bool,
}

impl Finding {
    fn not_tested_if(self, nothing_measured: bool) -> Self {
        Self { not_tested: nothing_measured, ..self }
    }

    /// What was measured, and at which port.
    pub fn measured_at(&self) -> String {
        self.port.map_or(String::new(), |port| format!("port {port}: ")) + &self.measured
    }

    /// The same, and what is allowed. The text of a run says that itself.
    pub fn in_words(&self) -> String {
        let measured = self.measured_at();
        match self.rule {
            RuleId::CardData | RuleId::CardAllPorts => measured.trim_end_matches('.').to_owned(),
            _ => format!("{measured}; allowed: {}", self.limit),
        }
    }

    /// How it ended, in a table.
    pub fn result(&self) -> &'static str {
        match (self.met, self.not_tested) {
            (false, _) => "FAILED",
            (true, true) => "not tested",
            (true, false) => "passed",
        }
    }
}

/// What else a failure can be due to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum RestsOn {
    /// Nothing: the card alone.
    Card,
    /// The plug in the port, or the transceiver that it is fitted to.
    Plug,
    /// The transceiver in the port.
    Transceiver,
    /// The slot that the card is in.
    Slot,
}

/// What else a failure by this rule can be due to.
pub fn rests_on(rule: &RuleId) -> RestsOn {
    match rule {
        RuleId::CardLink
        | RuleId::CardLinkDrops
        | RuleId::CardData
        | RuleId::CardAllPorts
        | RuleId::CardLoses
        | RuleId::CardReceivesWeak => RestsOn::Plug,
        RuleId::CardSendsWeak => RestsOn::Transceiver,
        RuleId::CardBus | RuleId::CardBusErrors | RuleId::CardSlow | RuleId::CardDamages => RestsOn::Slot,
        _ => RestsOn::Card,
    }
}

/// Whether a failure by this rule can be due to a plug, a transceiver or a slot. Whatever a plug can cause, the
/// transceiver that it is fitted to can cause too.
pub fn can_be_due_to(rule: &RuleId, on: RestsOn) -> bool {
    let rests_on = rests_on(rule);
    rests_on == on || (on == RestsOn::Transceiver && rests_on == RestsOn::Plug)
}

fn card_wide(rule: RuleId, measured: impl Into<String>, limit: impl Into<String>, met: bool) -> Finding {
    Finding { rule, port: None, measured: measured.into(), limit: limit.into(), met, not_tested: false }
}

fn of_port(rule: RuleId, port: u32, measured: impl Into<String>, limit: impl Into<String>, met: bool) -> Finding {
    Finding { port: Some(port), ..card_wide(rule, measured, limit, met) }
}

/// Everything that facts say against the limits of a procedure. `card` and `claim` are for `identity` alone.
pub fn findings(facts: &Facts, procedure: &Procedure, card: &Card, claim: &Claim) -> Vec<Finding> {
    match facts {
        Facts::Identity { sticker } => identity(card, claim, sticker.as_deref(), procedure),
        Facts::Light { ports } => ports.iter().map(blinked).collect(),
        Facts::SelfTest { items } => {
            // What may be the plug's is not the card's.
            let own = || items.iter().filter(|item| !item.excused);
            let wrong: Vec<&str> = own().filter(|item| !item.passed).map(|item| item.name.as_str()).collect();
            let excused = items.iter().filter(|item| item.excused && !item.passed).count();
            let items: Vec<_> = own().collect();
            let passed = items.len() - wrong.len();
            let measured = match (items.len(), wrong.is_empty()) {
                (0, _) if excused > 0 => "no item is judged".to_owned(),
                (0, _) => "the driver has none".to_owned(),
                (all, true) => format!("{all} of {all} items passed"),
                (all, false) => format!("{passed} of {all} items passed; not {}", wrong.join(", ")),
            };
            let more = if excused == 0 { String::new() } else { format!(" ({excused} more not judged)") };
            let measured = format!("{measured}{more}");
            vec![card_wide(RuleId::CardSelfTest, measured, "all items pass", wrong.is_empty())]
        }
        Facts::Links { ports } => ports.iter().flat_map(|port| link(port, procedure)).collect(),
        Facts::Data { runs, left_out } => runs.iter().flat_map(data).chain(left_out.iter().map(not_tested)).collect(),
        Facts::Offloads { items } => {
            let finding = |item: &super::facts::OffloadItem| {
                let measured = format!("{}: {} of {} frames wrong", item.name, item.wrong, item.frames);
                card_wide(RuleId::CardOffload, measured, "none wrong", item.wrong == 0)
            };
            items.iter().map(finding).collect()
        }
        Facts::Queues { ports } => ports.iter().flat_map(queues).collect(),
        Facts::Transceiver { modules } => modules.iter().flat_map(|module| light(module, procedure)).collect(),
        Facts::Load(load) => under_load(load, &procedure.load.clone().unwrap_or_default()),
        Facts::Bus(bus) => on_the_bus(bus, procedure),
        Facts::BurnIn { rounds } => burn_in(rounds, procedure),
    }
}

fn identity(card: &Card, claim: &Claim, sticker: Option<&str>, procedure: &Procedure) -> Vec<Finding> {
    let mut found = Vec::new();
    let speed_max = card.ports.iter().filter_map(|port| port.speed_max_mbps).min();
    let number = |n: Option<u32>| n.map(|n| n.to_string());
    let claims = [
        ("device", claim.device.clone(), Some(card.device.clone())),
        ("subsystem", claim.subsystem.clone(), card.subsystem.clone()),
        ("part", claim.part.clone(), card.part.clone()),
        ("ports", number(claim.ports), Some(card.ports.len().to_string())),
        ("speed", number(claim.speed), number(speed_max)),
    ];
    for (what, claimed, is) in claims {
        // What the host cannot read says nothing against a card.
        if let (Some(claimed), Some(is)) = (claimed, is) {
            let met = claimed == is;
            found.push(card_wide(RuleId::CardClaim, format!("{what} {is}"), format!("{what} {claimed}"), met));
        }
    }
    for (at, port) in (1..).zip(&card.ports) {
        let permanent = port.permanent_address.as_deref();
        if let Some(address) = permanent {
            let fault = address_fault(address);
            let measured = fault.map_or(address.to_owned(), |fault| format!("{address}: {fault}"));
            found.push(of_port(RuleId::CardAddress, at, measured, "a universal, individual address", fault.is_none()));
        }
        if let (Some(current), Some(permanent)) = (port.address.as_deref(), permanent) {
            let met = current == permanent;
            found.push(of_port(RuleId::CardAddress, at, format!("in use: {current}"), "as burnt in", met));
        }
    }
    let numbers: Vec<u64> = card.addresses().filter_map(address_number).collect();
    let in_a_row = procedure.identity.as_ref().is_some_and(|limits| limits.addresses_in_a_row);
    if in_a_row && numbers.len() > 1 && numbers.len() == card.ports.len() {
        let met = numbers.windows(2).all(|pair| pair[0] + 1 == pair[1]);
        let measured = card.addresses().collect::<Vec<_>>().join(", ");
        found.push(card_wide(RuleId::CardAddressRow, measured, "each one more than the one before", met));
    }
    if let (Some(sticker), Some(first)) = (sticker, card.addresses().next()) {
        let met = address_number(sticker) == address_number(first);
        found.push(card_wide(RuleId::CardSticker, first, format!("{sticker} on the sticker"), met));
    }
    if let Some(intact) = card.vpd_intact {
        let measured = if intact { "checksum right" } else { "checksum wrong" };
        found.push(card_wide(RuleId::CardVpd, measured, "checksum right", intact));
    }
    if let Some(right) = card.image.as_ref().and_then(|image| image.sum_right) {
        let measured = if right { "sum of the memory's words right" } else { "sum of the memory's words wrong" };
        found.push(card_wide(RuleId::CardImage, measured, "as its maker states", right));
    }
    found
}

/// What nobody saw says nothing against a card.
fn blinked(LightFacts { port, seen }: &LightFacts) -> Finding {
    let (measured, met) = match seen {
        LightSeen::At(at) if at == port => ("its light blinked".to_owned(), true),
        LightSeen::At(at) => (format!("the light of port {at} blinked"), false),
        LightSeen::Dark => ("no light blinked".to_owned(), false),
        LightSeen::NotLookedAt => ("nobody looked".to_owned(), true),
        LightSeen::CannotBlink => ("its driver cannot blink it".to_owned(), true),
    };
    of_port(RuleId::CardLight, *port, measured, "its own light blinks", met)
}

fn link(link: &LinkFacts, procedure: &Procedure) -> Vec<Finding> {
    let limits = procedure.links.clone().unwrap_or_default();
    let time_max_s = limits.time_max.as_secs_f64();
    let came = link.linked == link.rounds;
    let in_time = link.slowest_s.is_none_or(|slowest| slowest <= time_max_s);
    let slowest = link.slowest_s.map_or(String::new(), |s| format!(", the slowest in {s:.1} s"));
    let speed = link.speed_mbps.map_or(String::new(), |mbps| format!(" at {mbps} Mb/s"));
    let slower = match &link.slower {
        None => String::new(),
        Some(Slower::NotOffered) => "; its driver sets no other speed".to_owned(),
        Some(Slower::LinksAt(speeds)) if speeds.is_empty() => "; no link at a slower speed".to_owned(),
        Some(Slower::LinksAt(speeds)) => {
            let is_missing = |mbps: &u32| !speeds.contains(mbps) && link.speed_mbps.is_none_or(|own| *mbps < own);
            let missing: Vec<String> =
                FALLBACK_MBPS.iter().filter(|mbps| is_missing(mbps)).map(u32::to_string).collect();
            let found: Vec<String> = speeds.iter().map(u32::to_string).collect();
            let not = if missing.is_empty() { String::new() } else { format!(", not at {}", missing.join(" and ")) };
            format!("; also at {} Mb/s{not}", found.join(" and "))
        }
    };
    vec![
        of_port(
            RuleId::CardLink,
            link.port,
            format!("link {} of {} times{speed}{slowest}{slower}", link.linked, link.rounds),
            format!("each time, within {time_max_s} s"),
            came && in_time,
        ),
        drops(link),
    ]
}

fn drops(link: &LinkFacts) -> Finding {
    let never = link.linked == 0;
    let measured = if never { "no link to hold".to_owned() } else { figure::counted(u64::from(link.drops), "drop") };
    of_port(RuleId::CardLinkDrops, link.port, measured, "none while held", link.drops == 0).not_tested_if(never)
}

/// A run that was not decided meets no limit, but does not fail either: it is a test that is missing. So is a look at
/// frames of which none came through.
fn data(run: &DataRun) -> Vec<Finding> {
    let (line_met, in_host) = (!run.fails_on_line(), run.fails_in_host());
    let open = run.outcome != Outcome::Pass && line_met && !in_host;
    let measured = match run.proved_below {
        Some(ratio) if run.outcome == Outcome::Pass => {
            format!("bit error ratio proved below {}", figure::ratio_beside(ratio, run.limit))
        }
        _ => format!("{}: {}", run.outcome.name(), run.text),
    };
    let measured = format!("{}{measured}{}", run.in_words(), run.held_in_words());
    let limit = figure::limit(run.limit);
    let on_line = if run.all_ports.is_some() { RuleId::CardAllPorts } else { RuleId::CardData };
    vec![
        of_port(on_line, run.port, measured.clone(), limit, line_met).not_tested_if(open),
        of_port(
            RuleId::CardDamages,
            run.port,
            match in_host {
                true => measured,
                false if run.is_empty => format!("{}no frame came through", run.in_words()),
                false => format!("{}no frame damaged behind the frame check", run.in_words()),
            },
            "no frame",
            !in_host,
        )
        .not_tested_if(open || (run.is_empty && !in_host)),
    ]
}

/// Not every card, plug and driver can do every speed, so that one is missing is no fault.
fn not_tested(LeftOut { port, set_mbps, why }: &LeftOut) -> Finding {
    of_port(RuleId::CardData, *port, format!("at {set_mbps} Mb/s: {why}"), "where it links", true).not_tested_if(true)
}

/// What the reference card fails as well is the driver's or this computer's. A queue that no frame found is not tested.
fn queues(port: &PortQueues) -> Vec<Finding> {
    let (lost, silent) = (port.lost(), port.silent());
    let limit = "no flow is lost each time";
    let mut found = vec![of_port(RuleId::CardQueue, port.port, port.frames_in_words(), limit, lost.is_none())];
    if let Some(measured) = port.interrupts_in_words() {
        let limit = "each receive queue with frames raises some";
        found.push(of_port(RuleId::CardQueueInterrupt, port.port, measured, limit, silent.is_empty()));
    }
    found
}

fn light(module: &ModuleFacts, procedure: &Procedure) -> Vec<Finding> {
    let limits = procedure.transceiver.clone().unwrap_or_default();
    let (loss, loss_max) = (module.sent_dbm - module.received_dbm, limits.loss_max_db());
    vec![
        of_port(
            RuleId::CardSendsWeak,
            module.port,
            format!("sends {:.1} dBm", module.sent_dbm),
            format!("the transceiver's own alarm, {:.1} dBm", module.sent_alarm_dbm),
            module.sent_dbm >= module.sent_alarm_dbm,
        ),
        of_port(
            RuleId::CardReceivesWeak,
            module.port,
            format!("receives {:.1} dBm, {loss:.1} dB less than sent", module.received_dbm),
            format!("{:.1} dBm; {}", module.received_alarm_dbm, limits.in_words()),
            // What a weak transmitter sends cannot arrive: that is the transmitter's, not the receiver's.
            loss <= loss_max
                && (module.received_dbm >= module.received_alarm_dbm || module.sent_dbm < module.sent_alarm_dbm),
        ),
    ]
}

/// The throughput that is asked of a card, Mb/s: what this bench cannot do itself is not held against it.
pub fn least_mbps(load: &LoadFacts, limits: &LoadLimits) -> f64 {
    load.allowed_mbps * load.bench_share * limits.throughput_min.min(noise(load))
}

/// A computer that is the limit itself has more time for it at one moment and less at another.
fn noise(load: &LoadFacts) -> f64 {
    if load.bench_is_limit { HOST_NOISE } else { 1.0 }
}

fn under_load(load: &LoadFacts, limits: &LoadLimits) -> Vec<Finding> {
    let mut found = Vec::new();
    if let Some(hottest) = load.hottest_c() {
        let (max, met) = (limits.temperature_max_c, hottest <= limits.temperature_max_c);
        found.push(card_wide(RuleId::CardHot, format!("{hottest:.0} degrees C"), format!("{max:.0} degrees C"), met));
    }
    let lost_share = |port: &LoadPort| port.lost as f64 / port.sent.max(1) as f64;
    let is_steady = |port: &LoadPort| !port.without_link && lost_share(port) <= limits.loss_max;
    // What a loose plug loses is missing from the throughput. It says nothing of the card until the plug is settled.
    if let Some((first, last)) = load.first_and_last_mbps().filter(|_| load.ports.iter().all(is_steady)) {
        let (least, expected) = (least_mbps(load, limits), load.allowed_mbps * load.bench_share);
        let limit = format!("{least:.0} of {expected:.0} Mb/s");
        found.push(card_wide(RuleId::CardSlow, format!("{first:.0} Mb/s"), limit, first >= least));
        let held_min = limits.throughput_held_min.min(noise(load));
        let held = last >= first * held_min;
        let limit = format!("{:.0} % of the beginning", held_min * 100.0);
        found.push(card_wide(RuleId::CardSlows, format!("{last:.0} Mb/s at the end, {first:.0} before"), limit, held));
    }
    for port in &load.ports {
        let in_host = match port.lost_in_host {
            0 => String::new(),
            lost => format!(" ({} more lost in this computer)", figure::count(lost)),
        };
        let measured = match port.without_link {
            true => "no link, or not all the time".to_owned(),
            false => format!("{} of {} frames lost{in_host}", figure::count(port.lost), figure::count(port.sent)),
        };
        let limit = format!("a share of {}", figure::limit(limits.loss_max));
        found.push(of_port(RuleId::CardLoses, port.port, measured, limit, is_steady(port)));
    }
    found
}

/// What is left of the throughput at a bad moment of a computer that is the limit itself. Our own choice: a fifth was
/// seen on a busy one.
const HOST_NOISE: f64 = 0.1;

fn on_the_bus(bus: &BusFacts, procedure: &Procedure) -> Vec<Finding> {
    let limits = procedure.bus.clone().unwrap_or_default();
    let possible = bus.card.together(bus.slot);
    let met = bus.agreed.lanes >= possible.lanes && bus.agreed.gts >= possible.gts;
    let errors = format!(
        "{} corrected, {} not, {} fatal in {}",
        bus.correctable,
        bus.nonfatal,
        bus.fatal,
        figure::seconds(bus.watched_s)
    );
    let few = bus.correctable <= limits.correctable_max && bus.nonfatal == 0 && bus.fatal == 0;
    let mut found = Vec::new();
    // What no computer can read of a bus says nothing about it.
    if bus.card.lanes > 0 {
        found.push(card_wide(
            RuleId::CardBus,
            bus.agreed.to_string(),
            format!("{possible}, as card and slot can"),
            met,
        ));
    }
    if !bus.uncounted {
        let limit = format!("{} corrected, none else", limits.correctable_max);
        found.push(card_wide(RuleId::CardBusErrors, errors, limit, few));
    }
    found
}

fn burn_in(rounds: &[LoadFacts], procedure: &Procedure) -> Vec<Finding> {
    let limits = procedure.burn_in.clone().unwrap_or_default();
    let load = procedure.load.clone().unwrap_or_default();
    let hours = rounds.iter().filter_map(|round| round.samples.last()).map(|sample| sample.at_s).sum::<f64>() / 3600.0;
    // The worst of all rounds for each rule and port is what counts.
    let mut found: Vec<Finding> = Vec::new();
    for finding in rounds.iter().flat_map(|round| under_load(round, &load)) {
        match found.iter_mut().find(|known| known.rule == finding.rule && known.port == finding.port) {
            Some(known) if known.met && !finding.met => *known = finding,
            Some(_) => {}
            None => found.push(finding),
        }
    }
    let failures = u32::from(found.iter().any(|finding| !finding.met));
    let proved = mtbf_at_least(hours, failures, limits.confidence)
        .map_or(String::new(), |mtbf| format!(", which proves {mtbf:.0} h between failures"));
    let measured = format!("{hours:.1} h with {}{proved}", figure::counted(failures.into(), "failure"));
    let limit = format!("no failure; confidence {}", limits.confidence);
    found.push(card_wide(RuleId::CardBurnIn, measured, limit, true));
    found
}

#[cfg(test)]
mod tests;
