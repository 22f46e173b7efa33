//! `turnback ports`: what this machine has, and whether it can be tested now.

use std::{path::Path, process::ExitCode};

use super::{NOT_TESTED, check, complain};
use crate::{
    guard::{
        journal::{Change, Target},
        state,
    },
    ports::{
        inventory::{PortEntry, SerialEntry, ethernet_ports, serial_ports},
        restore::{left, told_of_left},
    },
    show::{
        lines::{output_width, tell, wrapped},
        table,
    },
};

/// Lists the ports, and what a killed run of this user left changed on them.
pub fn run(json: bool, restore: bool) -> ExitCode {
    if restore {
        check::restore_and_tell();
    }
    let ports = match ethernet_ports() {
        Ok(ports) => ports,
        Err(error) => {
            complain(&error, None);
            return ExitCode::from(NOT_TESTED);
        }
    };
    let serial = serial_ports();
    let left = left();
    let text = if json {
        let all = ports.iter().map(Entry::Ethernet).chain(serial.iter().map(Entry::Serial));
        let all: Vec<Listed> = all.map(|entry| Listed { left_changed: entry.left_changed(&left), entry }).collect();
        serde_json::to_string_pretty(&all).unwrap_or_default() + "\n"
    } else if ports.is_empty() && serial.is_empty() {
        "no port here; `turnback check sim:good` needs none\n".into()
    } else {
        render(&ports, &serial)
    };
    let written = super::print(&text, ExitCode::SUCCESS);
    for change in &left {
        tell!("left by a run that was cut off, still to be restored: {}", told_of_left(change));
    }
    if !left.is_empty() {
        let how = if restore { "see above why it could not be" } else { "`turnback ports --restore` does it" };
        tell("hint: ", format_args!("{how}; so does the next check of any real port"));
    }
    written
}

/// Entries of both kinds in one list.
#[derive(serde::Serialize)]
#[serde(untagged)]
enum Entry<'a> {
    Ethernet(&'a PortEntry),
    Serial(&'a SerialEntry),
}

#[derive(serde::Serialize)]
struct Listed<'a> {
    #[serde(flatten)]
    entry: Entry<'a>,
    /// Settings that a killed run of this user left changed, in words.
    left_changed: Vec<String>,
}

impl Entry<'_> {
    fn left_changed(&self, left: &[Change]) -> Vec<String> {
        let namespace = state::network_namespace();
        let is_of = |target: &Target| match (self, target) {
            (Self::Ethernet(port), Target::Interface { namespace: n, name, .. }) => {
                *n == namespace && *name == port.name
            }
            (Self::Serial(line), Target::Device { path, .. }) => {
                std::fs::canonicalize(&line.name).unwrap_or_else(|_| line.name.clone().into()) == Path::new(path)
            }
            _ => false,
        };
        left.iter().filter(|change| is_of(&change.target)).map(told_of_left).collect()
    }
}

/// A table, and below it what is too long for a column: why a port cannot be tested, and the lasting names of a line.
fn render(ports: &[PortEntry], serial: &[SerialEntry]) -> String {
    let (mut rows, mut notes) = (Vec::new(), Vec::new());
    for port in ports {
        let link = match (port.is_up, port.has_link, port.speed_mbps) {
            (false, ..) => "off".into(),
            (true, Some(true), Some(mbps)) => format!("{mbps} Mb/s"),
            (true, Some(true), None) => "up".into(),
            (true, ..) => "none".into(),
        };
        let driver = match (&port.driver, port.is_virtual) {
            (Some(driver), true) => format!("{driver} (virtual)"),
            (Some(driver), false) => driver.clone(),
            (None, _) => port.virtual_kind.clone().unwrap_or_default(),
        };
        rows.push(vec![port.name.clone(), driver, link, state(port.testable, port.under_test)]);
        notes.extend(port.why_not.iter().map(|why| why_not(&port.name, why)));
    }
    for line in serial {
        let parts = [line.driver.clone(), line.chip.clone(), line.usb.as_ref().map(ToString::to_string)];
        let driver = parts.into_iter().flatten().collect::<Vec<_>>().join(", ");
        let speed = line.bits_per_second_max.map(|speed| format!("to {speed} b/s")).unwrap_or_default();
        rows.push(vec![line.name.clone(), driver, speed, state(line.testable, line.under_test)]);
        notes.extend(line.stable_names.iter().map(|name| format!("{} is also {name}\n", line.name)));
        notes.extend(line.why_not.iter().map(|why| why_not(&line.name, why)));
    }
    let table = table::render(&["port", "driver", "link", "can be tested now"], &rows, output_width());
    if notes.is_empty() { table } else { format!("{table}\n{}", notes.concat()) }
}

fn state(testable: bool, under_test: bool) -> String {
    match (testable, under_test) {
        (_, true) => "under test".into(),
        (true, false) => "yes".into(),
        (false, false) => "no".into(),
    }
}

/// `quay3: carries the default route`. A reason that is about the port itself begins with its name; one about what
/// stands on it does not.
fn why_not(port: &str, why: &str) -> String {
    let why = why.strip_prefix(port).and_then(|rest| rest.strip_prefix(' ')).unwrap_or(why);
    format!("{}\n", wrapped(&format!("{port}: "), why, output_width()))
}
