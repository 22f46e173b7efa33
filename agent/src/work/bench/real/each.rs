//! A test on one port of a card after the other.

use super::{halt::Halt, load::ready_to_send, ready::frames};
use crate::{
    engine::cancel::Cancel,
    ports::{FramePort, PortError},
};

/// Does a test on each port whose probes come back, and restores the port; what is found, with the number of the port.
/// `test` is given the port and what says that it is to end. It finds nothing where frames of the Internet protocols do
/// not come back.
pub(super) fn on_each<Found>(
    names: &[String],
    cancel: &Cancel,
    mut test: impl FnMut(&mut dyn FramePort, &mut dyn FnMut() -> bool) -> Result<Option<Found>, PortError>,
) -> Result<Vec<(u32, Found)>, Halt> {
    let mut all = Vec::new();
    for mut port in ready_to_send(names, cancel)? {
        if port.runner.take().is_none() {
            continue;
        }
        let found = test(frames(&mut *port.port)?, &mut || cancel.is_cancelled())?;
        if cancel.is_cancelled() {
            return Err(Halt::Ended);
        }
        let Some(found) = found else {
            let why = "frames of the Internet protocols do not come back, though probes do";
            return Err(Halt::CutOff(format!("{}: {why}", port.name)));
        };
        all.push((port.number, found));
        port.port.restore();
    }
    Ok(all)
}
