//! `turnback locate`: blinks a port's light.

use std::process::ExitCode;

use turnback_core::plan::parse_duration;

use super::{NOT_TESTED, USAGE, complain};
use crate::ports::{
    locate::{EthtoolError, Support, blink},
    name::PortName,
};
use crate::show::lines::tell;

/// Blinks the light of `port` for `time`.
pub fn run(port: &str, time: &str) -> ExitCode {
    let time = match parse_duration(time) {
        Ok(time) => time,
        Err(error) => {
            complain(&error, None);
            return ExitCode::from(USAGE);
        }
    };
    match PortName::parse(port) {
        PortName::BuiltinRig(_) | PortName::RigFile(_) => {
            tell("error: ", format_args!("{port} is simulated: it has no light to blink"));
            return ExitCode::from(NOT_TESTED);
        }
        // A serial line has no light either; the interface that is not there says so below.
        PortName::Interface(_) | PortName::SerialDevice(_) => {}
    }
    let begun = || tell!("{port}: its light blinks for {} s; Ctrl-C ends it", time.as_secs().max(1));
    match blink(port, time, begun) {
        Ok(Support::Done) => ExitCode::SUCCESS,
        Ok(Support::Unsupported) => {
            tell("error: ", format_args!("the driver of {port} cannot blink its light"));
            tell("hint: ", "watch the link light instead while somebody pulls and seats the cable");
            ExitCode::from(NOT_TESTED)
        }
        Err(EthtoolError::NoInterface { .. }) => {
            tell("error: ", format_args!("there is no Ethernet port `{port}`"));
            tell("hint: ", "`turnback ports` lists the ports of this machine");
            ExitCode::from(USAGE)
        }
        Err(error) => {
            let hint = error.hint().map(str::to_owned);
            complain(&error, hint);
            ExitCode::from(NOT_TESTED)
        }
    }
}
