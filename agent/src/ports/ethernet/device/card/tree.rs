//! What sits in which slot, read from a tree like `/sys`.
//!
//! A card is what sits in one slot. Where the kernel numbers the slots (`/sys/bus/pci/slots`), that decides, also for a
//! card with a bridge of its own. Elsewhere a card is all functions of one device: two cards taken for one could drag
//! each other down, one taken for two only needs two labels. A USB adapter is a card too.

use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
};

use serde::{Deserialize, Serialize};
use turnback_core::{
    bench::{card::BusLink as Link, vpd::Vpd},
    kind::ethernet::counters::BusErrors,
};

use super::config;
use crate::ports::ethernet::device::bus;

/// A tree of the kernel's files.
#[derive(Clone, Debug)]
pub struct Tree(PathBuf);

/// What sits in one slot.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seat {
    /// Where it is: `0000:01:00`, or the name of a USB device.
    pub at: String,
    /// Label of the slot.
    pub slot: String,
    /// Directory of what stands in the slot itself: its first function, or the bridge on a card that has one.
    pub top: PathBuf,
    /// Directories of its network functions, in the order of their addresses.
    pub functions: Vec<PathBuf>,
    /// Directory of the bridge that it hangs under; none where it hangs on no link of its own.
    pub bridge: Option<PathBuf>,
}

/// Width and speed of a card's bus.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CardBus {
    /// The most that the card can do.
    pub card: Link,
    /// The most that the slot can do; as the card where the slot does not say.
    pub slot: Link,
    /// What they agreed on.
    pub agreed: Link,
}

/// Errors that card and slot saw on the bus since the machine started, each none where nobody says.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BusCounts {
    /// As the kernel counts them.
    pub counted: Option<BusErrors>,
    /// As the devices note them by themselves, until somebody takes a note back.
    pub noted: Option<BusErrors>,
}

impl Tree {
    /// The tree of this machine.
    pub fn of_this_machine() -> Self {
        Self(PathBuf::from("/sys"))
    }

    /// A tree that was recorded.
    #[cfg(test)]
    fn recorded(root: &Path) -> Self {
        Self(root.to_owned())
    }

    /// Every slot with a network card, by its place. USB adapters are not among them: [`Tree::seat_of`] finds those.
    pub fn seats(&self) -> Vec<Seat> {
        let slots = self.slots();
        let mut seats: BTreeMap<String, Seat> = BTreeMap::new();
        for function in self.devices("pci").filter(|path| is_network(path)) {
            let fresh = place(&function, &slots);
            seats.entry(fresh.at.clone()).or_insert(fresh).functions.push(function);
        }
        let mut seats: Vec<Seat> = seats.into_values().collect();
        seats.iter_mut().for_each(|seat| seat.functions.sort());
        seats
    }

    /// The slot that the device of an interface belongs to: `pci`, `usb` or `virtio`, and its name there.
    pub fn seat_of(&self, kind: &str, name: &str, seats: &[Seat]) -> Option<Seat> {
        let device = self.0.join("bus").join(kind).join("devices").join(name).canonicalize().ok()?;
        if let Some(adapter) = device.ancestors().find(|path| path.join("idVendor").exists()) {
            let at = file_name(adapter);
            let (slot, top, functions) = (format!("{ON_A_CABLE}{at}"), adapter.to_owned(), vec![adapter.to_owned()]);
            return Some(Seat { at, slot, top, functions, bridge: None });
        }
        seats.iter().find(|seat| seat.functions.iter().any(|function| device.starts_with(function))).cloned()
    }

    /// Labels of slots that hold nothing, where the machine numbers its slots.
    pub fn empty_slots(&self) -> Vec<String> {
        let devices: Vec<PathBuf> = self.devices("pci").collect();
        let taken = |at: &str| devices.iter().any(|path| file_name(path).starts_with(&format!("{at}.")));
        self.slots().into_iter().filter(|(at, _)| !taken(at)).map(|(_, name)| slot_label(&name)).collect()
    }

    fn devices(&self, kind: &str) -> impl Iterator<Item = PathBuf> + use<> {
        let entries = fs::read_dir(self.0.join("bus").join(kind).join("devices")).into_iter().flatten().flatten();
        entries.filter_map(|entry| entry.path().canonicalize().ok())
    }

    /// Slots that the machine numbers: place and name.
    fn slots(&self) -> BTreeMap<String, String> {
        let entries = fs::read_dir(self.0.join("bus/pci/slots")).into_iter().flatten().flatten();
        entries.filter_map(|slot| Some((text(&slot.path(), "address")?, file_name(&slot.path())))).collect()
    }
}

impl Seat {
    /// Numbers of vendor and device, as `f1a7:0b02`.
    pub fn device(&self) -> Option<String> {
        self.pair("vendor", "device").or_else(|| self.pair("idVendor", "idProduct"))
    }

    /// Numbers of the subsystem.
    pub fn subsystem(&self) -> Option<String> {
        self.pair("subsystem_vendor", "subsystem_device")
    }

    /// Words of a USB adapter about itself: product, and serial number.
    pub fn of_usb(&self) -> (Option<String>, Option<String>) {
        (self.text("product"), self.text("serial"))
    }

    /// One file of the first function.
    pub fn text(&self, name: &str) -> Option<String> {
        text(self.functions.first()?, name)
    }

    /// Name of the driver; none where none drives it.
    pub fn driver(&self) -> Option<String> {
        let driver = self.functions.first()?.join("driver");
        driver.canonicalize().ok().map(|path| file_name(&path))
    }

    /// The vital product data; none without them, or without the right to read them.
    pub fn vpd(&self) -> Option<Vpd> {
        Vpd::parse(&fs::read(self.functions.first()?.join("vpd")).ok()?)
    }

    /// Width and speed of its bus; none where it is no PCI Express.
    pub fn link(&self) -> Option<CardBus> {
        let own = bus::link(&self.top)?;
        let above = self.bridge.as_ref().and_then(|bridge| bus::link(bridge));
        let card = Link { gts: own.speed_max_gtps, lanes: own.width_max_lanes };
        let slot = above.map_or(card, |above| Link { gts: above.speed_max_gtps, lanes: above.width_max_lanes });
        Some(CardBus { card, slot, agreed: Link { gts: own.speed_gtps, lanes: own.width_lanes } })
    }

    /// Errors that card and slot saw on the bus, counted by the kernel or noted by themselves; none where neither says.
    pub fn errors(&self) -> Option<BusErrors> {
        let BusCounts { counted, noted } = self.counts();
        summed(counted.into_iter().chain(noted))
    }

    /// The same, the kernel's counts apart from the devices' notes.
    pub fn counts(&self) -> BusCounts {
        let above = (!self.functions.contains(&self.top)).then_some(&self.top);
        let ends = || self.functions.iter().chain(above).chain(&self.bridge);
        let noted = |end: &PathBuf| config::noted(&fs::read(end.join("config")).ok()?);
        BusCounts {
            counted: summed(ends().filter_map(|end| bus::errors(end))),
            noted: summed(ends().filter_map(noted)),
        }
    }

    /// The highest temperature that a sensor below the card shows, degrees Celsius.
    pub fn temperature_c(&self) -> Option<f64> {
        let mut hottest: Option<f64> = None;
        for function in &self.functions {
            sensors(function, SENSOR_DEPTH, &mut |celsius| hottest = Some(hottest.unwrap_or(celsius).max(celsius)));
        }
        hottest
    }

    /// It is still there.
    pub fn is_there(&self) -> bool {
        self.functions.iter().all(|function| function.exists())
    }

    fn pair(&self, first: &str, second: &str) -> Option<String> {
        let number = |name| self.text(name).map(|text| text.trim_start_matches("0x").to_ascii_lowercase());
        Some(format!("{}:{}", number(first)?, number(second)?))
    }
}

fn summed(mut told: impl Iterator<Item = BusErrors>) -> Option<BusErrors> {
    let mut sum = told.next()?;
    told.for_each(|more| sum.add(&more));
    Some(sum)
}

/// Where the function sits; no function is in it yet.
fn place(function: &Path, slots: &BTreeMap<String, String>) -> Seat {
    let in_path: Vec<&Path> = function.ancestors().filter(|path| without_function(path).is_some()).collect();
    let place_of = |path: &Path| without_function(path).unwrap_or_default();
    // From the root: the first that stands in a numbered slot is the card, whatever hangs below it.
    let numbered = in_path.iter().rev().find(|path| slots.contains_key(&place_of(path)));
    let card = numbered.copied().unwrap_or(function);
    let at = place_of(card);
    let bridge = card.parent().filter(|path| without_function(path).is_some()).map(Path::to_owned);
    let slot = match (slots.get(&at), &bridge) {
        (Some(name), _) => slot_label(name),
        (None, Some(bridge)) if at.ends_with(FIRST_PLACE) => format!("under-{}", file_name(bridge)),
        // A bus of the conventional kind has several slots below one bridge; an Express one has the first only.
        (None, Some(bridge)) => format!("under-{}-{at}", file_name(bridge)),
        (None, None) => format!("{SOLDERED_IN}{at}"),
    };
    Seat { at, slot, top: card.to_owned(), functions: Vec::new(), bridge }
}

/// How labels begin of what is no slot: what is soldered in goes nowhere, and what hangs on a cable goes anywhere.
pub const SOLDERED_IN: &str = "board-";
/// See [`SOLDERED_IN`].
pub const ON_A_CABLE: &str = "usb-";
/// The end of the address of the first device on a bus.
const FIRST_PLACE: &str = ":00";

fn slot_label(name: &str) -> String {
    format!("slot-{name}")
}

/// `0000:01:00` of `0000:01:00.0`; none of anything else.
fn without_function(path: &Path) -> Option<String> {
    let name = file_name(path);
    let (place, function) = name.rsplit_once('.')?;
    let parts: Vec<&str> = place.split(':').collect();
    let is_hex = |part: &&str| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_hexdigit());
    (parts.len() == 3 && parts.iter().all(is_hex) && is_hex(&function)).then(|| place.to_owned())
}

/// A network controller, and no virtual function of one.
fn is_network(function: &Path) -> bool {
    text(function, "class").is_some_and(|class| class.starts_with("0x02")) && !function.join("physfn").exists()
}

fn sensors(directory: &Path, depth: u32, each: &mut dyn FnMut(f64)) {
    for entry in fs::read_dir(directory).into_iter().flatten().flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        // Links lead out of the card.
        if depth > 0 && entry.file_type().is_ok_and(|kind| kind.is_dir()) {
            sensors(&entry.path(), depth - 1, each);
        } else if name.starts_with("temp")
            && name.ends_with("_input")
            && let Some(thousandths) = text(directory, &name).and_then(|text| text.parse::<f64>().ok())
        {
            each(thousandths / 1000.0);
        }
    }
}

fn text(directory: &Path, name: &str) -> Option<String> {
    fs::read_to_string(directory.join(name)).ok().map(|text| text.trim().to_owned()).filter(|text| !text.is_empty())
}

fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}

/// `hwmon/hwmon1/temp1_input`, also below an interface or its transceiver.
const SENSOR_DEPTH: u32 = 5;

#[cfg(test)]
mod tests;
