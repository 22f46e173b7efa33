//! `turnback ports`: what this machine has, and whether it can be tested now.

use std::{io::Write, process::ExitCode};

use super::{NOT_TESTED, complain};
use crate::{
    output::table,
    ports::inventory::{PortEntry, ethernet_ports},
};

/// Lists the ports.
pub fn run(json: bool) -> ExitCode {
    let ports = match ethernet_ports() {
        Ok(ports) => ports,
        Err(error) => {
            complain(&error, None);
            return ExitCode::from(NOT_TESTED);
        }
    };
    let text = if json {
        serde_json::to_string_pretty(&ports).unwrap_or_default() + "\n"
    } else if ports.is_empty() {
        "no Ethernet interface here; `turnback check sim:good` needs none\n".into()
    } else {
        render(&ports)
    };
    let _ = std::io::stdout().write_all(text.as_bytes());
    ExitCode::SUCCESS
}

fn render(ports: &[PortEntry]) -> String {
    let mut rows = Vec::new();
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
        let can = if port.testable { "yes".to_owned() } else { format!("no: {}", port.why_not.join("; ")) };
        rows.push(vec![port.name.clone(), driver, link, can]);
    }
    table::render(&["port", "driver", "link", "can be tested now"], &rows)
}
