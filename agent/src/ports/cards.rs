//! The network cards of this machine: who each is, where it sits, and whether it can be tested now.
//!
//! Everything is read from the kernel's open interfaces. What the kernel shows only to an administrator (vital product
//! data, the card's memory) is left out without the right.

use data_encoding::HEXLOWER;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use turnback_core::{
    bench::{
        card::{Card, CardPort},
        facts::ModuleFacts,
        image::{ImageFacts, masked, word_sum_right},
    },
    kind::ethernet::{counters::BusErrors, link::Medium, transceiver::dbm},
};

use super::{
    error::PortError,
    ethernet::device::{
        card::{
            names::Names,
            tree::{Seat, Tree},
        },
        ethtool::{
            EthtoolError, Interface,
            basic::MacAddress,
            link::{Connector, Link},
            module::ModuleIdentity,
        },
    },
    ethernet::port::device_error,
    inventory::{InventoryError, PortEntry, ethernet_ports},
};

pub use super::ethernet::device::card::tree::{BusCounts, CardBus, ON_A_CABLE, SOLDERED_IN};

/// A card of this machine.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CardEntry {
    /// Who it is.
    #[serde(flatten)]
    pub card: Card,
    /// Label of its slot.
    pub slot: String,
    /// Where it is on its bus: `0000:01:00`, or the name of a USB device.
    pub at: String,
    /// Width and speed of its bus; none where it is no PCI Express.
    pub bus: Option<CardBus>,
    /// Errors that card and slot saw on the bus since the machine started; none where nobody counts.
    pub bus_errors: Option<BusErrors>,
    /// Temperature, degrees Celsius; none where it has no sensor.
    pub temperature_c: Option<f64>,
    /// What each port can do and what is plugged into it, in the order of the ports.
    pub lines: Vec<CardLine>,
    /// A test could start now.
    pub testable: bool,
    /// If not, why not, each with its way out where there is one.
    pub why_not: Vec<String>,
}

/// What a port can do, and what is plugged into it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CardLine {
    /// Interface name.
    pub port: String,
    /// Link modes that it supports.
    pub supported: Vec<String>,
    /// Link modes that it offers its partner.
    pub advertised: Vec<String>,
    /// Its plug-in transceiver.
    pub transceiver: Option<ModuleIdentity>,
}

/// A card's place, from which its bus and its sensors are read while it is tested.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CardPlace(Seat);

impl CardPlace {
    /// Errors that card and slot saw on the bus since the machine started.
    pub fn bus_counts(&self) -> BusCounts {
        self.0.counts()
    }

    /// Width and speed of its bus.
    pub fn bus(&self) -> Option<CardBus> {
        self.0.link()
    }

    /// Temperature, degrees Celsius.
    pub fn temperature_c(&self) -> Option<f64> {
        self.0.temperature_c()
    }

    /// It is still there.
    pub fn is_there(&self) -> bool {
        self.0.is_there()
    }
}

/// Every network card of this machine, by its place on the bus, with that place.
///
/// # Errors
/// When the kernel does not list its interfaces at all.
pub fn cards() -> Result<Vec<(CardEntry, CardPlace)>, InventoryError> {
    let (tree, names) = (Tree::of_this_machine(), Names::of_this_machine());
    let mut seats = tree.seats();
    let mut ports: Vec<(String, PortEntry)> = Vec::new();
    for entry in ethernet_ports()? {
        let Some(bus) = &entry.bus else { continue };
        if let Some(seat) = tree.seat_of(&bus.kind, &bus.address, &seats) {
            ports.push((seat.at.clone(), entry));
            if !seats.contains(&seat) {
                seats.push(seat);
            }
        }
    }
    let of = |seat: Seat| {
        let mut own: Vec<PortEntry> = ports.iter().filter(|(at, _)| *at == seat.at).map(|(_, p)| p.clone()).collect();
        own.sort_by(|a, b| (place_of(a), &a.name).cmp(&(place_of(b), &b.name)));
        (entry(&seat, &own, &names), CardPlace(seat))
    };
    Ok(seats.into_iter().map(of).collect())
}

/// Runs the driver's own offline self-test of a port: the name of each item, and whether it passed. Empty where the
/// driver has none. Link and settings are as before when it returns.
///
/// # Errors
/// Missing rights, a port that vanished, or a driver that cannot run it now.
pub fn self_test(port: &str) -> Result<Vec<(String, bool)>, PortError> {
    let failed = |error: EthtoolError| device_error(port, "run the self-test", error);
    let interface = Interface::open(port).map_err(failed)?;
    let setting = interface.link().map_err(failed)?.map(|link| link.setting());
    let items = interface.self_test().map_err(failed)?;
    if let Some(setting) = setting
        && interface.link().map_err(failed)?.is_some_and(|link| !link.setting().same_as(&setting))
    {
        let _ = interface.set_link(&setting).map_err(failed)?;
    }
    Ok(items.into_iter().map(|item| (item.name, item.value == 0)).collect())
}

/// Light that a port's transceiver sends and receives, beside its own alarm limits; `number` is the port's. None where
/// there is none, or where it does not tell all four.
pub fn light(port: &str, number: u32) -> Option<ModuleFacts> {
    let memory = Interface::open(port).ok()?.module_memory().ok().flatten()?;
    let module = memory.figures()?;
    let [lane] = &module.lanes[..] else { return None };
    let (sent_alarm_dbm, received_alarm_dbm) = memory.light_alarms_dbm()?;
    // No light at all has no level: it is far below any alarm.
    let level = |mw: f64| dbm(mw).unwrap_or(DARK_DBM);
    let (sent_dbm, received_dbm) = (level(lane.sent_mw?), level(lane.received_mw?));
    Some(ModuleFacts { port: number, sent_dbm, received_dbm, sent_alarm_dbm, received_alarm_dbm })
}

/// Labels of slots that hold nothing, where the machine numbers its slots.
pub fn empty_slots() -> Vec<String> {
    Tree::of_this_machine().empty_slots()
}

/// The least that SFF-8472 can express is 0.1 microwatt, -40 dBm; a transceiver that sees nothing says 0.
const DARK_DBM: f64 = -40.0;

fn place_of(port: &PortEntry) -> Option<&str> {
    port.bus.as_ref().map(|bus| bus.address.as_str())
}

fn entry(seat: &Seat, ports: &[PortEntry], names: &Names) -> CardEntry {
    let (device, subsystem) = (seat.device().unwrap_or_default(), seat.subsystem());
    let (product, usb_serial) = seat.of_usb();
    let vpd = seat.vpd().unwrap_or_default();
    let lines: Vec<(CardPort, CardLine)> = ports.iter().map(line).collect();
    let first = ports.first().and_then(|port| Interface::open(&port.name).ok());
    let told = first.as_ref().and_then(|interface| interface.driver().ok().flatten()).unwrap_or_default();
    let driver = seat.driver().or_else(|| ports.first().and_then(|port| port.driver.clone()));
    let image = first.and_then(|interface| image(&interface, driver.as_deref().unwrap_or_default(), ports));
    let mut why_not: Vec<String> = Vec::new();
    match (ports.is_empty(), &driver) {
        (true, None) => {
            why_not.push("no driver of this kernel drives it (load one: modprobe, or a newer kernel)".into())
        }
        (true, Some(driver)) => {
            why_not
                .push(format!("its driver {driver} has made no interface here; another network namespace may hold it"));
        }
        _ => {}
    }
    for port in ports {
        why_not.extend(port.why_not.iter().map(|why| format!("{}: {why}", port.name)));
    }
    CardEntry {
        card: Card {
            // The list of names is of PCI; a USB device says its own.
            name: product.or_else(|| names.of_device(&device, subsystem.as_deref())).or(vpd.product),
            device,
            subsystem,
            revision: seat.text("revision"),
            class: seat.text("class"),
            part: vpd.part,
            serial: vpd.serial.or(usb_serial),
            vpd_intact: vpd.intact,
            firmware: Some(told.firmware).filter(|firmware| !firmware.is_empty()),
            driver,
            image,
            ports: lines.iter().map(|(port, _)| port.clone()).collect(),
        },
        slot: seat.slot.clone(),
        at: seat.at.clone(),
        bus: CardPlace(seat.clone()).bus(),
        bus_errors: seat.errors(),
        temperature_c: seat.temperature_c(),
        lines: lines.into_iter().map(|(_, line)| line).collect(),
        testable: why_not.is_empty(),
        why_not,
    }
}

fn line(port: &PortEntry) -> (CardPort, CardLine) {
    let interface = Interface::open(&port.name).ok();
    let link = interface.as_ref().and_then(|interface| interface.link().ok().flatten());
    let address = |address: Option<MacAddress>| address.map(|address| address.to_string());
    let card = CardPort {
        name: port.name.clone(),
        address: address(port.address),
        permanent_address: address(port.permanent_address),
        speed_max_mbps: link.as_ref().and_then(|link| link.supported.speed_max_mbps()),
        medium: link.as_ref().map_or(Medium::Unknown, medium),
        transceiver: None,
    };
    let names = |of: fn(&Link) -> Vec<String>| link.as_ref().map_or_else(Vec::new, of);
    let transceiver = interface.as_ref().and_then(identity);
    // A cable with its ends is no transceiver: it is what is plugged in.
    let serial = transceiver.as_ref().filter(|_| card.medium == Medium::Fibre).and_then(serial);
    let card = CardPort { transceiver: serial, ..card };
    let line = CardLine {
        port: port.name.clone(),
        supported: names(|link| link.supported.names()),
        advertised: names(|link| link.advertised.names()),
        transceiver,
    };
    (card, line)
}

fn identity(interface: &Interface) -> Option<ModuleIdentity> {
    interface.module_memory().ok().flatten()?.identity()
}

fn serial(transceiver: &ModuleIdentity) -> Option<String> {
    Some(transceiver.serial.trim().to_owned()).filter(|serial| !serial.is_empty())
}

/// Serial number of the transceiver that is in a port now; none where there is none, or none that can be read.
pub fn transceiver(port: &str) -> Option<String> {
    let interface = Interface::open(port).ok()?;
    let has_light = interface.link().ok().flatten().is_some_and(|link| medium(&link) == Medium::Fibre);
    identity(&interface).filter(|_| has_light).as_ref().and_then(serial)
}

fn medium(link: &Link) -> Medium {
    match link.connector {
        Connector::TwistedPair => Medium::Copper,
        Connector::Fibre => Medium::Fibre,
        Connector::DirectAttach => Medium::DirectAttach,
        Connector::None | Connector::Other => Medium::Unknown,
    }
}

fn image(interface: &Interface, driver: &str, ports: &[PortEntry]) -> Option<ImageFacts> {
    let image = interface.image().map_err(|error| tracing::info!("no image of its memory: {error}")).ok().flatten()?;
    let addresses: Vec<[u8; 6]> = ports.iter().filter_map(|port| port.permanent_address).map(|a| a.0).collect();
    let hash = |bytes: &[u8]| HEXLOWER.encode(&Sha256::digest(bytes));
    Some(ImageFacts {
        bytes: image.len() as u32,
        sha256: hash(&image),
        masked_sha256: hash(&masked(&image, driver, &addresses)),
        sum_right: word_sum_right(&image, driver),
    })
}
