//! What `/sys` tells about a serial line: driver, chip, clock, USB adapter. Reading it disturbs nobody.

use std::{
    fmt, fs,
    path::{Path, PathBuf},
};

use serde::Serialize;

use super::number::Number;

/// What is known about a line without opening it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Facts {
    /// Its folder under `/sys`, all links followed; pseudo-terminals have none.
    pub folder: Option<PathBuf>,
    /// Name of the driver.
    pub driver: Option<String>,
    /// Number of the chip's type (`linux/serial_core.h`), where the kernel drives the chip itself.
    pub chip: Option<u32>,
    /// Clock of the chip, Hz.
    pub clock_hz: Option<u32>,
    /// The USB adapter it is part of.
    pub usb: Option<UsbAdapter>,
    /// The adapter's latency setting, a file that holds milliseconds.
    pub latency_timer: Option<PathBuf>,
}

/// What a USB adapter says of itself.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct UsbAdapter {
    /// Number of its maker, as in `1d6b`.
    pub vendor_id: String,
    /// Number of the product.
    pub product_id: String,
    /// Name of the maker.
    pub manufacturer: Option<String>,
    /// Name of the product.
    pub product: Option<String>,
    /// Number of this one piece; many have none.
    pub serial_number: Option<String>,
    /// Which of the adapter's interfaces the line is, from 0.
    pub interface: Option<u32>,
    /// Where it is plugged in, as in `1-1.4`.
    pub socket: String,
}

impl fmt::Display for UsbAdapter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.vendor_id, self.product_id)?;
        for part in [&self.manufacturer, &self.product, &self.serial_number].into_iter().flatten() {
            write!(f, " {part}")?;
        }
        Ok(())
    }
}

impl Facts {
    /// Reads what there is under `sys`, the root of sysfs. What is missing stays unknown.
    pub fn read(sys: &Path, number: Number) -> Self {
        let class = sys.join(format!("dev/char/{}:{}", number.major, number.minor));
        let Ok(folder) = fs::canonicalize(&class) else { return Self::default() };
        let device = fs::canonicalize(folder.join("device")).ok();
        let text = |name: &str| read(&folder.join(name));
        let latency_timer = device.as_ref().map(|device| device.join("latency_timer")).filter(|file| file.exists());
        Self {
            driver: device.as_ref().and_then(|device| driver(device)),
            chip: text("type").and_then(|text| text.parse().ok()),
            clock_hz: text("uartclk").and_then(|text| text.parse().ok()).filter(|&hz| hz > 0),
            usb: device.as_deref().and_then(usb),
            latency_timer,
            folder: Some(folder),
        }
    }

    /// The kernel makes device files for chips that are not there; those have type 0, `PORT_UNKNOWN`.
    pub fn has_hardware(&self) -> bool {
        self.chip != Some(0)
    }

    /// The chip in words.
    pub fn chip_name(&self) -> Option<String> {
        let chip = self.chip.filter(|&chip| chip > 0)?;
        let known = CHIPS.iter().find(|(number, _)| *number == chip).map(|(_, name)| (*name).to_owned());
        Some(known.unwrap_or_else(|| format!("type {chip}")))
    }

    /// Whether the chip is of the 8250 family, whose driver turns its loop on and whose loop joins the modem lines
    /// inside (types 1 to 30 of `linux/serial_core.h`, but for 23, an infrared receiver).
    pub fn is_8250(&self) -> bool {
        self.chip.is_some_and(|chip| (1..=30).contains(&chip) && chip != 23)
    }

    /// Whether its speed is its clock over sixteen times a whole number: the plain chips, without a finer divider.
    pub fn divides_plainly(&self) -> bool {
        self.chip.is_some_and(|chip| (1..=4).contains(&chip))
    }
}

/// The driver of the nearest device above the line that names one. Lines of newer kernels hang below a port and a
/// controller of the serial core's own, whose drivers ("port", "ctrl") say nothing.
fn driver(device: &Path) -> Option<String> {
    device.ancestors().take(4).find_map(|folder| {
        let name = fs::read_link(folder.join("driver")).ok()?.file_name()?.to_string_lossy().into_owned();
        (!["port", "ctrl"].contains(&name.as_str())).then_some(name)
    })
}

/// The USB device above the line: the nearest folder with the numbers of maker and product.
fn usb(device: &Path) -> Option<UsbAdapter> {
    let interface = device.ancestors().find_map(|folder| read(&folder.join("bInterfaceNumber")));
    let folder = device.ancestors().find(|folder| folder.join("idVendor").exists())?;
    let text = |name: &str| read(&folder.join(name)).filter(|text| !text.is_empty());
    Some(UsbAdapter {
        vendor_id: text("idVendor")?,
        product_id: text("idProduct")?,
        manufacturer: text("manufacturer"),
        product: text("product"),
        serial_number: text("serial"),
        interface: interface.and_then(|text| u32::from_str_radix(&text, 16).ok()),
        socket: folder.file_name()?.to_string_lossy().into_owned(),
    })
}

fn read(file: &Path) -> Option<String> {
    fs::read_to_string(file).ok().map(|text| text.trim().to_owned())
}

/// Types of chip, `linux/serial.h` and `linux/serial_core.h`.
const CHIPS: [(u32, &str); 16] = [
    (1, "8250"),
    (2, "16450"),
    (3, "16550"),
    (4, "16550A"),
    (5, "Cirrus"),
    (6, "16650"),
    (7, "16650V2"),
    (8, "16750"),
    (9, "Startech"),
    (10, "16C950"),
    (11, "16654"),
    (12, "16850"),
    (13, "RSA"),
    (14, "NS16550A"),
    (32, "AMBA"),
    (62, "i.MX"),
];

#[cfg(test)]
mod tests {
    use std::os::unix::fs::symlink;

    use super::*;

    const NUMBER: Number = Number { major: 188, minor: 0 };

    fn write(root: &Path, file: &str, text: &str) {
        let path = root.join(file);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    /// A tree as the kernel lays it out for the first line of a USB adapter.
    fn usb_tree(root: &Path) {
        let usb = "devices/pci0000:00/usb1/1-2";
        for (name, text) in [
            ("idVendor", "1d6b\n"),
            ("idProduct", "0104\n"),
            ("manufacturer", "Quay Works\n"),
            ("product", "Lock gate line\n"),
            ("serial", "Q12\n"),
            ("1-2:1.0/bInterfaceNumber", "00\n"),
            ("1-2:1.0/ttyUSB0/latency_timer", "16\n"),
            ("1-2:1.0/ttyUSB0/tty/ttyUSB0/dev", "188:0\n"),
        ] {
            write(root, &format!("{usb}/{name}"), text);
        }
        fs::create_dir_all(root.join("bus/usb-serial/drivers/quay_sio")).unwrap();
        let line = root.join(usb).join("1-2:1.0/ttyUSB0");
        symlink(root.join("bus/usb-serial/drivers/quay_sio"), line.join("driver")).unwrap();
        symlink(&line, line.join("tty/ttyUSB0/device")).unwrap();
        fs::create_dir_all(root.join("dev/char")).unwrap();
        symlink(line.join("tty/ttyUSB0"), root.join("dev/char/188:0")).unwrap();
    }

    #[test]
    fn a_usb_adapter_says_who_it_is() {
        let root = tempfile::tempdir().unwrap();
        usb_tree(root.path());
        let facts = Facts::read(root.path(), NUMBER);
        let usb = facts.usb.clone().unwrap();
        assert_eq!(usb.to_string(), "1d6b:0104 Quay Works Lock gate line Q12");
        assert_eq!((usb.interface, usb.socket.as_str()), (Some(0), "1-2"));
        assert_eq!(facts.driver.as_deref(), Some("quay_sio"));
        assert!(facts.latency_timer.as_ref().unwrap().ends_with("ttyUSB0/latency_timer"));
        assert!(facts.has_hardware() && facts.chip_name().is_none() && !facts.is_8250());
    }

    #[test]
    fn a_chip_has_type_clock_and_the_driver_above_the_serial_core() {
        let root = tempfile::tempdir().unwrap();
        let line = root.path().join("devices/pnp0/00:00/00:00:0/00:00:0.0/tty/ttyS1");
        write(&line, "type", "4\n");
        write(&line, "uartclk", "1843200\n");
        for (folder, driver) in [("", "serial"), ("00:00:0", "ctrl"), ("00:00:0/00:00:0.0", "port")] {
            let drivers = root.path().join("bus/drivers").join(driver);
            fs::create_dir_all(&drivers).unwrap();
            symlink(drivers, root.path().join("devices/pnp0/00:00").join(folder).join("driver")).unwrap();
        }
        symlink(line.parent().unwrap().parent().unwrap(), line.join("device")).unwrap();
        fs::create_dir_all(root.path().join("dev/char")).unwrap();
        symlink(&line, root.path().join("dev/char/4:65")).unwrap();
        let facts = Facts::read(root.path(), Number { major: 4, minor: 65 });
        assert_eq!(facts.driver.as_deref(), Some("serial"));
        assert_eq!((facts.chip_name().as_deref(), facts.clock_hz), (Some("16550A"), Some(1_843_200)));
        assert!(facts.is_8250() && facts.divides_plainly() && facts.usb.is_none());
        write(&line, "type", "0\n");
        assert!(!Facts::read(root.path(), Number { major: 4, minor: 65 }).has_hardware());
    }

    #[test]
    fn nothing_is_known_of_what_sysfs_does_not_show() {
        let root = tempfile::tempdir().unwrap();
        assert_eq!(Facts::read(root.path(), NUMBER), Facts::default());
    }
}
