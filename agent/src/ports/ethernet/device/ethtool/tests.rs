//! The calls against real virtual interfaces in a namespace of their own.

use super::{
    EthtoolError, Interface, Support,
    link::{Duplex, LinkSetting},
};
use crate::{ports::ethernet::device::netlink, testing};

#[test]
fn a_name_that_is_not_there_is_said() {
    for name in ["quay-none", "", "a-name-much-too-long-for-the-kernel", "a\0b"] {
        assert!(matches!(Interface::open(name), Err(EthtoolError::NoInterface { .. })), "{name:?}");
    }
}

#[test]
fn a_virtual_cable_answers_what_it_can_and_says_none_to_the_rest() {
    testing::in_namespace(|| {
        if !testing::ip("link add quay1 type veth peer name quay2") {
            return;
        }
        let interface = Interface::open("quay1").unwrap();
        assert_eq!(interface.driver().unwrap().unwrap().name, "veth");
        assert!(interface.address().unwrap().is_some());
        assert_eq!(interface.permanent_address().unwrap(), None);
        assert_eq!(interface.module_memory().unwrap(), None);
        assert_eq!(interface.timestamping().unwrap(), None);
        let forced = LinkSetting::Forced { speed_mbps: Some(100), duplex: Some(Duplex::Full) };
        assert_eq!(interface.set_link(&forced).unwrap(), Support::Unsupported);
        assert_eq!(interface.blink(std::time::Duration::from_secs(1)).unwrap(), Support::Unsupported);
        let stamps = interface.timestamp_capabilities().unwrap().expect("veth tells what it stamps");
        assert!(!stamps.stamps_all_in_hardware());
        assert!(!interface.statistics().unwrap().is_empty(), "veth counts by queue");
        let facts = netlink::link(interface.index().unwrap()).unwrap().unwrap();
        assert_eq!((facts.name.as_str(), facts.kind.as_deref()), ("quay1", Some("veth")));
        assert_eq!(facts.address, interface.address().unwrap());
        assert!(!netlink::phy::has_role_fault(facts.index).unwrap());
        assert_eq!(netlink::link(9999).unwrap(), None);
    });
}

#[test]
fn state_and_mtu_change_and_nonsense_is_refused() {
    testing::in_namespace(|| {
        if !testing::ip("link add quay1 type veth peer name quay2") {
            return;
        }
        let (near, far) = (Interface::open("quay1").unwrap(), Interface::open("quay2").unwrap());
        assert!(!near.is_up().unwrap() && !near.is_running().unwrap());
        assert_eq!(near.set_up(true).unwrap(), Support::Done);
        assert!(near.is_up().unwrap());
        assert_eq!(near.has_link().unwrap(), Some(false), "the far end is down");
        assert_eq!(far.set_up(true).unwrap(), Support::Done);
        assert_eq!(near.has_link().unwrap(), Some(true));
        assert!(near.is_running().unwrap());
        assert_eq!(near.set_mtu(9000).unwrap(), Support::Done);
        assert_eq!(near.mtu().unwrap(), 9000);
        assert!(matches!(near.set_mtu(10), Err(EthtoolError::Refused { .. })), "68 is the least");
        assert_eq!(near.mtu().unwrap(), 9000);
    });
}

#[test]
fn a_feature_is_switched_and_a_fixed_one_is_unsupported() {
    testing::in_namespace(|| {
        if !testing::ip("link add quay1 type veth peer name quay2") {
            return;
        }
        let interface = Interface::open("quay1").unwrap();
        for fixed in ["rx-all", "rx-fcs", "loopback"] {
            let feature = interface.feature(fixed).unwrap().expect("the kernel knows the name");
            assert!(!feature.changeable && !feature.on, "{feature:?}");
            assert_eq!(interface.set_feature(fixed, true).unwrap(), Support::Unsupported);
        }
        assert_eq!(interface.set_feature("no-such-feature", true).unwrap(), Support::Unsupported);
        let features = interface.features().unwrap();
        let feature =
            features.iter().find(|f| f.changeable && f.on && f.name.contains("checksum")).expect("an offload");
        assert_eq!(interface.set_feature(&feature.name, false).unwrap(), Support::Done);
        assert!(!interface.feature(&feature.name).unwrap().unwrap().on);
        assert_eq!(interface.set_feature(&feature.name, true).unwrap(), Support::Done);
        assert!(interface.feature(&feature.name).unwrap().unwrap().on);
    });
}

#[test]
fn speed_and_duplex_of_a_tap_are_set_and_read() {
    testing::in_namespace(|| {
        if !testing::ip("tuntap add quay1 mode tap") {
            return;
        }
        let interface = Interface::open("quay1").unwrap();
        let forced = LinkSetting::Forced { speed_mbps: Some(100), duplex: Some(Duplex::Half) };
        assert_eq!(interface.set_link(&forced).unwrap(), Support::Done);
        let link = interface.link().unwrap().unwrap();
        assert_eq!((link.speed_mbps, link.duplex, link.autonegotiation), (Some(100), Some(Duplex::Half), false));
        assert_eq!(link.setting(), forced);
    });
}

#[test]
fn a_missing_right_is_named() {
    testing::in_namespace(|| {
        if !testing::ip("link add quay1 type veth peer name quay2") {
            return;
        }
        let interface = Interface::open("quay1").unwrap();
        // Only of this thread, which ends with the test.
        caps::drop(None, caps::CapSet::Effective, caps::Capability::CAP_NET_ADMIN).unwrap();
        let error = interface.set_up(true).unwrap_err();
        assert!(error.to_string().contains("CAP_NET_ADMIN"), "{error}");
        assert!(error.hint().is_some());
        let error = interface.set_feature("rx-gro", false).unwrap_err();
        assert!(matches!(error, EthtoolError::NotPermitted { .. }), "{error}");
    });
}
