//! Opens a port by its name, and restores what a killed run left changed first.

use super::{
    error::PortError,
    ethernet::port::EthernetPort,
    name::PortName,
    port::Port,
    restore,
    serial::{device::Device, port::SerialPort},
    simulated,
};

/// Opens a port. `seed` decides what a simulated one does.
///
/// Before a real port is opened, settings that killed runs left changed are restored; `tell` is given a description of
/// each.
///
/// # Errors
/// See the kinds of port.
pub fn open(name: &PortName, seed: u64, tell: &mut dyn FnMut(&str)) -> Result<Box<dyn Port>, PortError> {
    match name {
        PortName::BuiltinRig(rig) | PortName::RigFile(rig) => simulated::open(rig, seed),
        PortName::SerialDevice(path) => {
            SerialPort::wait_for_the_dying(path);
            restore::restore_left().iter().for_each(|told| tell(told));
            Ok(Box::new(SerialPort::find(path)?))
        }
        PortName::Interface(name) => {
            EthernetPort::wait_for_the_dying(name);
            restore::restore_left().iter().for_each(|told| tell(told));
            match EthernetPort::open(name) {
                Err(PortError::Unknown { name, .. }) if Device::find(&format!("/dev/{name}")).is_ok() => {
                    let known = format!("a serial line is named by its path, /dev/{name}");
                    Err(PortError::Unknown { name, known })
                }
                opened => Ok(Box::new(opened?)),
            }
        }
    }
}
