//! What the technician does before a stage, what to look at, and the dangers.

use super::line::Line;
use super::name::{Spot, StageName};
use super::{Move, Who};
use crate::base::caution::Caution;
use crate::kind::Kind;
use crate::kind::ethernet::link::Medium;

/// The move that leads to a stage.
pub(super) fn to(line: &Line, stage: &StageName, why: &str) -> Move {
    let attempt = line.attempts(stage) + 1;
    Move {
        stage: stage.clone(),
        attempt,
        who: who(line, stage),
        hands: hands(line, stage, attempt),
        look: look(stage, line.case.port.kind).to_owned(),
        why: why.to_owned(),
        cautions: cautions(line, stage),
    }
}

fn who(line: &Line, stage: &StageName) -> Who {
    match stage {
        _ if line.case.capabilities.moves_plug => Who::Program,
        StageName::At(Spot::Internal) | StageName::Soak(Spot::Internal) => Who::Program,
        StageName::At(_) | StageName::Soak(_) | StageName::TwoPairs(_) => Who::Person,
        StageName::OtherPlug | StageName::KnownGoodPort | StageName::CableTest => Who::Person,
    }
}

fn hands(line: &Line, stage: &StageName, attempt: u32) -> String {
    let case = line.case;
    let plug = match &case.plug {
        Some(label) => format!("plug {label}"),
        None => "the plug".to_owned(),
    };
    let again = if attempt > 1 { "seat it again: take it out, look at the contacts, and " } else { "" };
    let port = &case.port.name;
    match stage {
        StageName::At(Spot::Internal) | StageName::Soak(Spot::Internal) => {
            format!("nothing: the loop inside the chip of {port} is used; a cable may stay where it is")
        }
        StageName::At(Spot::AtPort) => format!("{again}put {plug} into {port} itself"),
        StageName::Soak(Spot::AtPort) => format!("put {plug} into {port} itself and leave it alone; the run is long"),
        StageName::At(spot @ Spot::FarEnd(_)) => format!("{again}{}", far(line, spot, &plug)),
        StageName::Soak(spot @ Spot::FarEnd(_)) => format!(
            "{}; while the run goes on, move the cable and its connectors gently, one after the other, with pauses",
            far(line, spot, &plug)
        ),
        StageName::TwoPairs(spot) => {
            format!("{}, as before; the speed is set for you; move the cable gently meanwhile", far(line, spot, &plug))
        }
        StageName::OtherPlug => format!("take {plug} out of {port} and put another one in, best one that is proven"),
        StageName::KnownGoodPort => format!("put {plug} into a port of the same kind that is known to be good"),
        StageName::CableTest => format!("connect cable {} to {port}, and take the plug off its far end", case.cable),
    }
}

fn far(line: &Line, spot: &Spot, plug: &str) -> String {
    let case = line.case;
    let end = match spot.segment() {
        Some(label) => format!("the far end of segment {label}, and take off what follows it"),
        None => format!("the far end of cable {}", case.cable),
    };
    format!("connect cable {} to {} and put {plug} on {end}", case.cable, case.port.name)
}

fn look(stage: &StageName, kind: Kind) -> &'static str {
    let at_port = match kind {
        Kind::Ethernet => "the latch clicks, the light of the port comes on, no contact is bent or dull",
        Kind::Serial => "the plug is the kind that was named and its screws are tight; no contact is bent or dull",
    };
    let far_end = match kind {
        Kind::Ethernet => "the labels at both ends are those of this cable; the latches click",
        Kind::Serial => {
            "the labels at both ends are those of this cable; the screws are tight, and every wire that the plug needs \
             runs through"
        }
    };
    match stage {
        StageName::At(Spot::Internal) | StageName::Soak(Spot::Internal) => "nothing to look at",
        StageName::At(Spot::AtPort) | StageName::Soak(Spot::AtPort) | StageName::OtherPlug => at_port,
        StageName::KnownGoodPort => "it is a port that passed with another plug, and nothing else uses it",
        StageName::At(Spot::FarEnd(_)) | StageName::Soak(Spot::FarEnd(_)) | StageName::TwoPairs(_) => far_end,
        StageName::CableTest => "nothing is connected at the far end: a plug would look like a short",
    }
}

fn cautions(line: &Line, stage: &StageName) -> Vec<Caution> {
    let far = *stage == StageName::CableTest || matches!(stage.spot(), Some(Spot::FarEnd(_)));
    let inside = matches!(stage, StageName::At(Spot::Internal) | StageName::Soak(Spot::Internal));
    let medium = line.case.stages.iter().rev().find_map(|s| s.result.as_ref()).map(|r| r.link.medium);
    let kind = line.case.port.kind;
    if inside {
        return Vec::new();
    }
    let mut cautions = match (kind, medium) {
        (Kind::Serial, _) => vec![Caution::SerialLevels],
        (Kind::Ethernet, Some(Medium::Fibre)) => vec![Caution::LaserLight, Caution::ReceiverOverload],
        (Kind::Ethernet, Some(Medium::DirectAttach | Medium::Virtual)) => Vec::new(),
        // The medium is not known before the first run: copper is the likelier, light the more dangerous.
        (Kind::Ethernet, None | Some(Medium::Unknown)) => vec![Caution::PowerOverEthernet, Caution::LaserLight],
        (Kind::Ethernet, Some(Medium::Copper)) => vec![Caution::PowerOverEthernet],
    };
    if far && !matches!(medium, Some(Medium::Fibre | Medium::Virtual | Medium::DirectAttach)) {
        match kind {
            Kind::Ethernet => cautions.extend([Caution::RingingVoltage, Caution::GroundPotential]),
            // A serial cable does not fit a telephone socket.
            Kind::Serial => cautions.push(Caution::GroundPotential),
        }
    }
    cautions
}
