//! Trees as machines have them, recorded in a temporary folder. File names and forms: Linux, Documentation/ABI/testing,
//! sysfs-bus-pci, sysfs-bus-pci-devices-aer_stats, sysfs-bus-usb; Documentation/hwmon/sysfs-interface.rst.

use std::os::unix::fs::symlink;

use super::*;

struct Recorded(tempfile::TempDir);

impl Recorded {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn file(&self, path: &str, text: &str) {
        let path = self.0.path().join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    /// A device below `/sys/devices`, listed in its bus.
    fn device(&self, kind: &str, path: &str, files: &[(&str, &str)]) {
        for (name, text) in files {
            self.file(&format!("devices/{path}/{name}"), text);
        }
        let list = self.0.path().join("bus").join(kind).join("devices");
        fs::create_dir_all(&list).unwrap();
        symlink(self.0.path().join("devices").join(path), list.join(path.rsplit('/').next().unwrap())).unwrap();
    }

    fn tree(&self) -> Tree {
        Tree::recorded(self.0.path())
    }
}

const CARD: [(&str, &str); 8] = [
    ("class", "0x020000\n"),
    ("vendor", "0xf1a7\n"),
    ("device", "0x0b02\n"),
    ("subsystem_vendor", "0xf1a7\n"),
    ("subsystem_device", "0x1002\n"),
    ("revision", "0x03\n"),
    ("current_link_speed", "2.5 GT/s PCIe\n"),
    ("current_link_width", "1\n"),
];
const BRIDGE: [(&str, &str); 5] = [
    ("class", "0x060400\n"),
    ("max_link_speed", "8.0 GT/s PCIe\n"),
    ("max_link_width", "16\n"),
    ("current_link_speed", "2.5 GT/s PCIe\n"),
    ("current_link_width", "1\n"),
];

#[test]
fn two_functions_of_a_device_are_one_card_with_its_slot_and_bus() {
    let recorded = Recorded::new();
    let port = "pci0000:00/0000:00:1c.0";
    recorded.device("pci", port, &BRIDGE);
    recorded.file(&format!("devices/{port}/aer_dev_correctable"), "RxErr 2\nTOTAL_ERR_COR 2\n");
    for function in ["0000:01:00.0", "0000:01:00.1"] {
        recorded.device("pci", &format!("{port}/{function}"), &CARD);
        let file = |name: &str, text| recorded.file(&format!("devices/{port}/{function}/{name}"), text);
        file("max_link_speed", "5.0 GT/s PCIe\n");
        file("max_link_width", "4\n");
        file("aer_dev_correctable", "BadTLP 3\nTOTAL_ERR_COR 3\n");
        file("aer_dev_nonfatal", "TOTAL_ERR_NONFATAL 1\n");
        file("hwmon/hwmon3/temp1_input", "48500\n");
        file("hwmon/hwmon3/temp1_max", "99000\n");
    }
    recorded.file(&format!("devices/{port}/0000:01:00.1/net/quay1/hwmon4/temp2_input"), "51000\n");
    // A sound card, and a virtual function, are no cards of ours.
    recorded.device("pci", "pci0000:00/0000:00:1f.3", &[("class", "0x040300\n")]);
    recorded.device("pci", &format!("{port}/0000:01:10.0"), &CARD);
    recorded.file(&format!("devices/{port}/0000:01:10.0/physfn"), "");

    let seats = recorded.tree().seats();
    let [seat] = &seats[..] else { panic!("{seats:?}") };
    assert_eq!((seat.at.as_str(), seat.slot.as_str()), ("0000:01:00", "under-0000:00:1c.0"));
    assert_eq!(seat.functions.len(), 2);
    assert_eq!((seat.device().as_deref(), seat.subsystem().as_deref()), (Some("f1a7:0b02"), Some("f1a7:1002")));
    let link = seat.link().unwrap();
    assert_eq!(link.card, Link { gts: 5.0, lanes: 4 });
    assert_eq!(link.slot, Link { gts: 8.0, lanes: 16 });
    assert_eq!(link.agreed, Link { gts: 2.5, lanes: 1 });
    assert_eq!(seat.errors(), Some(BusErrors { corrected: 8, nonfatal: 2, fatal: 0 }));
    assert_eq!(seat.temperature_c(), Some(51.0));
    assert!(seat.is_there() && seat.driver().is_none() && seat.vpd().is_none());
    assert_eq!(recorded.tree().seat_of("pci", "0000:01:00.1", &seats).as_ref(), Some(seat));
    assert_eq!(recorded.tree().seat_of("pci", "0000:09:00.0", &seats), None);
    fs::remove_dir_all(recorded.0.path().join(format!("devices/{port}/0000:01:00.1"))).unwrap();
    assert!(!seat.is_there());
}

/// A second card on a bus of the conventional kind is in another slot, and takes none of the first one's label.
#[test]
fn slots_below_one_bridge_have_labels_of_their_own() {
    let recorded = Recorded::new();
    recorded.device("pci", "pci0000:00/0000:00:1e.0", &BRIDGE[..1]);
    let slots = |recorded: &Recorded| recorded.tree().seats().into_iter().map(|seat| seat.slot).collect::<Vec<_>>();
    recorded.device("pci", "pci0000:00/0000:00:1e.0/0000:05:00.0", &CARD);
    assert_eq!(slots(&recorded), ["under-0000:00:1e.0"]);
    recorded.device("pci", "pci0000:00/0000:00:1e.0/0000:05:02.0", &CARD);
    assert_eq!(slots(&recorded), ["under-0000:00:1e.0", "under-0000:00:1e.0-0000:05:02"]);
}

#[test]
fn a_numbered_slot_holds_one_card_whatever_hangs_below_it() {
    let recorded = Recorded::new();
    let port = "pci0000:00/0000:00:01.0";
    recorded.device("pci", port, &BRIDGE);
    recorded.device("pci", &format!("{port}/0000:01:00.0"), &BRIDGE);
    for (bus, number) in [(2, 3), (4, 4)] {
        let below = format!("{port}/0000:01:00.0/0000:02:0{bus}.0");
        recorded.device("pci", &below, &BRIDGE);
        recorded.device("pci", &format!("{below}/0000:0{number}:00.0"), &CARD);
    }
    assert_eq!(recorded.tree().seats().len(), 2, "nothing says that they are one card");
    recorded.file("bus/pci/slots/3/address", "0000:01:00\n");
    recorded.file("bus/pci/slots/4/address", "0000:07:00\n");
    let seats = recorded.tree().seats();
    assert_eq!(seats.iter().map(|seat| seat.slot.as_str()).collect::<Vec<_>>(), ["slot-3"]);
    assert_eq!(seats[0].functions.len(), 2);
    assert!(seats[0].bridge.as_ref().is_some_and(|bridge| bridge.ends_with("0000:00:01.0")));
    assert_eq!(recorded.tree().empty_slots(), ["slot-4"]);
    // The bus of the card is the one between its own bridge and the slot.
    assert!(seats[0].top.ends_with("0000:01:00.0"));
    assert_eq!(seats[0].link().unwrap().card, Link { gts: 8.0, lanes: 16 });
}

#[test]
fn adapters_behind_other_buses_are_found() {
    let recorded = Recorded::new();
    // A virtual machine's card hangs below its PCI function; a USB adapter below a controller that is no card.
    recorded.device("pci", "pci0000:00/0000:00:03.0", &CARD);
    recorded.device("virtio", "pci0000:00/0000:00:03.0/virtio0", &[("status", "7\n")]);
    recorded.device("pci", "pci0000:00/0000:00:14.0", &[("class", "0x0c0330\n")]);
    let adapter = "pci0000:00/0000:00:14.0/usb1/1-2";
    let files = [("idVendor", "f1a7\n"), ("idProduct", "0c01\n"), ("product", "Quay adapter\n"), ("serial", "Q7\n")];
    recorded.device("usb", adapter, &files);
    recorded.device("usb", &format!("{adapter}/1-2:1.0"), &[("bInterfaceNumber", "00\n")]);
    let (tree, seats) = (recorded.tree(), recorded.tree().seats());
    assert_eq!(tree.seat_of("virtio", "virtio0", &seats).unwrap().slot, "board-0000:00:03");
    let usb = tree.seat_of("usb", "1-2:1.0", &seats).unwrap();
    assert_eq!((usb.slot.as_str(), usb.device().as_deref()), ("usb-1-2", Some("f1a7:0c01")));
    assert_eq!(usb.of_usb(), (Some("Quay adapter".into()), Some("Q7".into())));
    assert_eq!((usb.link(), usb.errors(), usb.subsystem()), (None, None, None));
    assert!(Tree::recorded(Path::new("/nowhere")).seats().is_empty());
}
