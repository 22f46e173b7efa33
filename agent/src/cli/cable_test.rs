//! `turnback cable-test`: what the transceiver itself finds on each pair.

use std::{process::ExitCode, time::Duration};

use turnback_core::{
    cable_test::CableTest,
    caution::{Caution, LOCAL_CODES_FIRST},
    link::PortSetting,
};

use super::{NOT_TESTED, USAGE, check, complain, show::print};
use crate::ports::{
    Applied, FramePort, Port, PortError,
    ethernet::{
        netlink::cable::{CableTestError, cable_test},
        port::EthernetPort,
    },
};

/// Runs the test; exit status 0 no fault, 1 a fault on a pair, 3 not found out, 4 not tested.
pub fn run(name: &str, json: bool) -> ExitCode {
    if name.starts_with("sim:") {
        eprintln!("error: {name} is simulated: a cable test needs a real adapter");
        return ExitCode::from(USAGE);
    }
    eprintln!("caution: {}", Caution::PowerOverEthernet);
    eprintln!("{LOCAL_CODES_FIRST}");
    match try_run(name) {
        Ok(Ok(found)) => {
            let code = match found.has_fault() {
                Some(false) => 0,
                Some(true) => 1,
                None => 3,
            };
            print(&if json {
                serde_json::to_string_pretty(&found).unwrap_or_default() + "\n"
            } else {
                render(name, &found)
            });
            ExitCode::from(code)
        }
        Ok(Err(error)) => {
            complain(&error, hint(&error).map(str::to_owned));
            ExitCode::from(NOT_TESTED)
        }
        Err(error) => {
            let status = if matches!(error, PortError::Unknown { .. }) { USAGE } else { NOT_TESTED };
            complain(&error, error.hint());
            ExitCode::from(status)
        }
    }
}

fn try_run(name: &str) -> Result<Result<CableTest, CableTestError>, PortError> {
    check::put_back_what_was_left();
    let mut port = EthernetPort::open(name)?;
    let reasons = port.in_service()?;
    if !reasons.is_empty() {
        let reasons: Vec<_> = reasons.into_iter().map(|reason| reason.text).collect();
        return Err(PortError::Host {
            port: name.to_owned(),
            action: "run a cable test, which takes the link down,".into(),
            cause: format!("it is in service: {}", reasons.join("; ")),
        });
    }
    if port.apply(PortSetting::Up(true))? == Applied::NotOffered {
        return Ok(Err(CableTestError::Busy));
    }
    let index = port.interface().map_or(0, |interface| interface.index);
    let found = cable_test(index, LIMIT);
    for told in port.put_back() {
        eprintln!("put back: {told}");
    }
    Ok(found)
}

fn render(name: &str, found: &CableTest) -> String {
    let mut text = format!("{name}, cable test\n\n");
    for result in &found.pairs {
        let distance = result.fault_distance_m.map_or_else(String::new, |m| format!(", {m:.1} m from the port"));
        text.push_str(&format!("pair {}  {}{distance}\n", result.pair, result.status));
    }
    if found.pairs.is_empty() {
        text.push_str("the adapter told of no pair\n");
    }
    text.push_str(match found.has_fault() {
        Some(false) => "\nno fault found on any pair that was told of\n",
        Some(true) => "\nwith a plug fitted, shorts and crosses are the plug's own: take it off and repeat\n",
        None => "\nnot all pairs were found out: take whatever is at the far end off and repeat\n",
    });
    text
}

fn hint(error: &CableTestError) -> Option<&'static str> {
    match error {
        CableTestError::NotOffered => Some("few adapters do; move a plug from segment to segment instead"),
        CableTestError::NotPermitted => Some("run it as root, or grant CAP_NET_ADMIN"),
        CableTestError::Busy | CableTestError::NotInTime(_) => Some("repeat in some seconds"),
        CableTestError::Gone | CableTestError::Socket(_) => None,
    }
}

/// Transceivers take up to some seconds (ethtool-netlink.rst); longer than any is taken for none.
const LIMIT: Duration = Duration::from_secs(20);

#[cfg(test)]
mod tests {
    use super::*;
    use turnback_core::cable_test::{Pair, PairResult, PairStatus};

    #[test]
    fn a_fault_is_told_with_its_place_and_how_a_plug_may_explain_it() {
        let found = CableTest {
            pairs: vec![
                PairResult { pair: Pair::A, status: PairStatus::Ok, fault_distance_m: None },
                PairResult { pair: Pair::B, status: PairStatus::Open, fault_distance_m: Some(31.52) },
            ],
        };
        let text = render("quay7", &found);
        assert!(text.contains("pair A (1-2)  ok\n"), "{text}");
        assert!(text.contains("pair B (3-6)  open, 31.5 m from the port\n"), "{text}");
        assert!(text.contains("plug"), "{text}");
    }
}
