//! The tests `self-test`, `links` and `transceiver` on the ports of a card, one after the other.

use std::time::Duration;

use turnback_core::{
    bench::{
        facts::{Facts, LinkFacts, SelfTestItem, Slower},
        procedure::LinkLimits,
    },
    kind::ethernet::link::{FALLBACK_MBPS, Medium, PortSetting},
};

use super::{
    LINK_PATIENCE,
    halt::Halt,
    ready::{bring_up, frames, open_free, wait_for_link},
};
use crate::{
    engine::cancel::Cancel,
    ports::{
        Applied, FramePort,
        cards::{light, self_test as driver_self_test},
    },
};

/// The driver's own self-test of every port, item by item. Empty where the driver has none.
pub(super) fn self_test(names: &[String], cancel: &Cancel) -> Result<Facts, Halt> {
    let mut items = Vec::new();
    for (number, name) in (1..).zip(names) {
        if cancel.is_cancelled() {
            return Err(Halt::Ended);
        }
        let mut port = open_free(name)?;
        let port = frames(&mut *port)?;
        bring_up(port, LINK_PATIENCE, cancel)?;
        for (item, passed) in driver_self_test(name)? {
            let excused = item.to_ascii_lowercase().starts_with("link");
            let of_port = if names.len() > 1 { format!("port {number}: {item}") } else { item };
            items.push(SelfTestItem { name: of_port, passed, excused });
        }
        port.restore();
    }
    Ok(Facts::SelfTest { items })
}

/// What the transceiver of every port that has one sends and receives. A port that is off sends no light, and that is
/// no fault of its transceiver.
pub(super) fn transceivers(names: &[String], cancel: &Cancel) -> Result<Facts, Halt> {
    let mut modules = Vec::new();
    for (number, name) in (1..).zip(names) {
        if light(name, number).is_none() {
            continue;
        }
        let mut port = open_free(name)?;
        bring_up(frames(&mut *port)?, LINK_PATIENCE, cancel)?;
        port.pause(LIGHT_SETTLES);
        modules.extend(light(name, number));
        port.restore();
    }
    Ok(Facts::Transceiver { modules })
}

/// Takes the link of every port off and on, and finds at which slower speeds it comes if those are asked for.
pub(super) fn links(names: &[String], limits: &LinkLimits, each_speed: bool, cancel: &Cancel) -> Result<Facts, Halt> {
    let mut ports = Vec::new();
    for (number, name) in (1..).zip(names) {
        let mut port = open_free(name)?;
        let port = frames(&mut *port)?;
        // Which speed it can have with this plug is found first, so that each time counts for that speed.
        let link = bring_up(port, limits.time_max, cancel)?;
        let mut facts = LinkFacts { port: number, rounds: limits.rounds, ..LinkFacts::default() };
        // A port that got no link at any speed gets none by being asked again and again.
        if let Some(link) = link {
            for _ in 0..limits.rounds {
                round(port, limits, &mut facts, cancel)?;
            }
            if each_speed && link.medium == Medium::Copper {
                facts.slower = slower(port, link.speed_mbps, limits.time_max, cancel)?;
            }
        }
        ports.push(facts);
        port.restore();
    }
    Ok(Facts::Links { ports })
}

/// The slower speeds at which copper links; none where its own is the slowest.
fn slower(
    port: &mut dyn FramePort,
    own_mbps: Option<u32>,
    patience: Duration,
    cancel: &Cancel,
) -> Result<Option<Slower>, Halt> {
    let (mut found, mut is_offered) = (Vec::new(), None);
    for mbps in FALLBACK_MBPS.into_iter().filter(|mbps| own_mbps.is_none_or(|own| *mbps < own)) {
        let applied = port.apply(PortSetting::ForcedSpeed(mbps))? != Applied::NotOffered;
        is_offered = Some(is_offered.unwrap_or(false) || applied);
        if !applied {
            continue;
        }
        // The old link may be there for a moment still.
        let _ = port.apply(PortSetting::Up(false))?;
        port.pause(OFF);
        let _ = port.apply(PortSetting::Up(true))?;
        // A driver may take the setting and keep its speed all the same.
        let link = wait_for_link(port, patience, cancel)?.map(|(_, link)| link);
        if link.is_some_and(|link| link.speed_mbps == Some(mbps)) {
            found.push(mbps);
        }
    }
    Ok(is_offered.map(|is_offered| if is_offered { Slower::LinksAt(found) } else { Slower::NotOffered }))
}

fn round(port: &mut dyn FramePort, limits: &LinkLimits, facts: &mut LinkFacts, cancel: &Cancel) -> Result<(), Halt> {
    let _ = port.apply(PortSetting::Up(false))?;
    port.pause(OFF);
    let _ = port.apply(PortSetting::Up(true))?;
    let Some((took_s, link)) = wait_for_link(port, limits.time_max, cancel)? else { return Ok(()) };
    facts.linked += 1;
    facts.slowest_s = Some(facts.slowest_s.unwrap_or(0.0).max(took_s));
    facts.speed_mbps = link.speed_mbps.or(facts.speed_mbps);
    let until = port.now() + limits.hold.as_nanos() as u64;
    let mut is_down = false;
    let mut seen = 0;
    while port.now() < until {
        if cancel.is_cancelled() {
            return Err(Halt::Ended);
        }
        port.pause(LOOK);
        let up = port.link()?.up;
        seen += u32::from(!up && !is_down);
        is_down = !up;
    }
    // The link may go and come back between two looks. The kernel counts both changes.
    let changes = |link: &turnback_core::kind::ethernet::link::LinkState| link.carrier_changes.unwrap_or(0);
    let counted = changes(&port.link()?).saturating_sub(changes(&link)).div_ceil(2);
    facts.drops += seen.max(counted as u32);
    Ok(())
}

/// Long enough for a partner to notice.
const OFF: Duration = Duration::from_millis(200);
const LOOK: Duration = Duration::from_millis(50);
/// A transceiver measures its light anew about once a second (common practice, no source).
const LIGHT_SETTLES: Duration = Duration::from_secs(2);
