//! Tables of surroundings and the reasons they give, and one real namespace.

use super::*;
use crate::testing;

const ETHER: u16 = 1;
const UP: u32 = 1;

fn link(index: u32, name: &str) -> LinkFacts {
    LinkFacts { index, name: name.to_owned(), hardware: ETHER, flags: UP, ..LinkFacts::default() }
}

fn address(interface: u32, text: &str) -> Address {
    let (ip, prefix) = text.split_once('/').unwrap();
    Address { interface, ip: ip.parse().unwrap(), prefix: prefix.parse().unwrap() }
}

fn route(interface: u32, text: &str) -> Route {
    let (ip, prefix) = text.split_once('/').unwrap();
    Route { interface, destination: ip.parse().unwrap(), prefix: prefix.parse().unwrap(), table: 254 }
}

fn found(around: &Surroundings, name: &str) -> Vec<Reason> {
    around.reasons(name).into_iter().map(|reason| reason.reason).collect()
}

fn caller(remote: &str, local: &str) -> Option<Caller> {
    Some(Caller { remote: remote.parse().unwrap(), local: local.parse().unwrap(), zone: None })
}

#[test]
fn each_fact_gives_its_reason() {
    let base = || Surroundings { links: vec![link(2, "quay1"), link(3, "quay2")], ..Surroundings::default() };
    let with = |change: fn(&mut Surroundings)| {
        let mut around = base();
        change(&mut around);
        around
    };
    let table: [(&str, Surroundings, Vec<Reason>); 16] = [
        ("free", base(), vec![]),
        ("link-local only", with(|a| a.addresses.push(address(2, "fe80::1/64"))), vec![]),
        ("automatic routes", with(|a| a.routes.extend([route(2, "fe80::/64"), route(2, "ff00::/8")])), vec![]),
        ("IPv4", with(|a| a.addresses.push(address(2, "192.0.2.1/24"))), vec![Reason::Address]),
        ("IPv4 link-local", with(|a| a.addresses.push(address(2, "169.254.3.4/16"))), vec![Reason::Address]),
        ("IPv6", with(|a| a.addresses.push(address(2, "2001:db8::1/64"))), vec![Reason::Address]),
        ("other's address", with(|a| a.addresses.push(address(3, "192.0.2.1/24"))), vec![]),
        ("route", with(|a| a.routes.push(route(2, "198.51.100.0/24"))), vec![Reason::Route]),
        ("default route", with(|a| a.routes.push(route(2, "0.0.0.0/0"))), vec![Reason::DefaultRoute]),
        ("IPv6 default route", with(|a| a.routes.push(route(2, "::/0"))), vec![Reason::DefaultRoute]),
        ("master", with(|a| a.links[0].master = Some(3)), vec![Reason::Master]),
        ("master elsewhere", with(|a| a.links[0].master = Some(77)), vec![Reason::Master]),
        ("program", with(|a| a.links[0].xdp = true), vec![Reason::Program]),
        ("members", with(|a| a.links[1].master = Some(2)), vec![Reason::Members]),
        (
            "VLAN",
            with(|a| a.links.push(LinkFacts { lower: Some(2), kind: Some("vlan".into()), ..link(9, "quay1.7") })),
            vec![Reason::Upper],
        ),
        (
            "ends of a virtual cable",
            with(|a| {
                for (at, lower) in [(0, 3), (1, 2)] {
                    a.links[at].lower = Some(lower);
                    a.links[at].kind = Some("veth".into());
                }
            }),
            vec![],
        ),
    ];
    for (case, around, expected) in table {
        assert_eq!(found(&around, "quay1"), expected, "{case}");
    }
}

#[test]
fn the_default_route_is_found_through_a_bridge_and_a_vlan_on_it() {
    let mut around = Surroundings { links: vec![link(2, "quay1"), link(3, "br0")], ..Surroundings::default() };
    around.links[0].master = Some(3);
    around.links.push(LinkFacts { lower: Some(3), kind: Some("vlan".into()), ..link(4, "br0.7") });
    around.routes.push(route(4, "0.0.0.0/0"));
    assert_eq!(found(&around, "quay1"), [Reason::DefaultRoute, Reason::Master]);
    assert!(around.reasons("quay1")[0].text.contains("through br0.7"));
    assert!(around.reasons("quay1").iter().any(|reason| !reason.may_be_overridden()));
}

#[test]
fn a_vlan_of_an_interface_in_service_is_in_service() {
    let mut around = Surroundings { links: vec![link(2, "quay1")], ..Surroundings::default() };
    around.links.push(LinkFacts { lower: Some(2), kind: Some("vlan".into()), ..link(4, "quay1.7") });
    assert_eq!(found(&around, "quay1.7"), []);
    around.addresses.push(address(2, "192.0.2.1/24"));
    assert_eq!(found(&around, "quay1.7"), [Reason::Lower]);
    around.routes.push(route(2, "0.0.0.0/0"));
    assert_eq!(found(&around, "quay1.7"), [Reason::DefaultRoute, Reason::Lower]);
}

#[test]
fn nobody_is_told_to_cut_their_own_connection() {
    let mut around = Surroundings { links: vec![link(2, "quay1")], ..Surroundings::default() };
    around.addresses.push(address(2, "192.0.2.2/24"));
    assert!(around.reasons("quay1").iter().all(|reason| !reason.way_out.is_empty()));
    around.caller = caller("192.0.2.77", "192.0.2.2");
    let reasons = around.reasons("quay1");
    assert_eq!(reasons.len(), 2);
    assert!(reasons.iter().all(|reason| reason.way_out.is_empty()), "{reasons:?}");
}

#[test]
fn a_device_without_a_port_is_refused_for_good() {
    for kind in NO_PORT {
        let device = LinkFacts { kind: Some(kind.to_owned()), ..link(2, "quay1") };
        let around = Surroundings { links: vec![device], ..Surroundings::default() };
        assert_eq!(found(&around, "quay1"), [Reason::NotEthernet], "{kind}");
    }
}

#[test]
fn interfaces_that_name_each_other_do_not_go_round_for_ever() {
    let mut around = Surroundings { links: vec![link(2, "quay1"), link(3, "quay2")], ..Surroundings::default() };
    for (at, other) in [(0, 3), (1, 2)] {
        around.links[at].master = Some(other);
        around.links[at].lower = Some(other);
    }
    around.routes.push(route(3, "0.0.0.0/0"));
    assert!(found(&around, "quay1").contains(&Reason::DefaultRoute));
}

#[test]
fn the_callers_connection_is_by_address_and_by_the_way_back() {
    let mut around = Surroundings { links: vec![link(2, "quay1"), link(3, "quay2")], ..Surroundings::default() };
    around.addresses.extend([address(2, "192.0.2.2/24")]);
    around.routes.extend([route(2, "192.0.2.0/24"), route(3, "198.51.100.0/24"), route(2, "198.51.0.0/16")]);
    around.caller = caller("198.51.100.7", "192.0.2.2");
    assert!(found(&around, "quay1").contains(&Reason::CallersConnection), "our end's address");
    assert!(found(&around, "quay2").contains(&Reason::CallersConnection), "the longest prefix leads back");
    around.caller = caller("198.51.100.7", "203.0.113.1");
    assert!(!found(&around, "quay1").contains(&Reason::CallersConnection), "a connection of another namespace");
    around.caller = caller("192.0.2.77", "192.0.2.2");
    assert!(!found(&around, "quay2").contains(&Reason::CallersConnection));
}

#[test]
fn prefixes_of_every_length_match_as_they_should() {
    let v4 = |text: &str, to: &str| leads_to(&route(1, text), to.parse().unwrap());
    assert!(v4("0.0.0.0/0", "203.0.113.9") && v4("192.0.2.9/32", "192.0.2.9") && v4("128.0.0.0/1", "200.0.0.1"));
    assert!(!v4("192.0.2.8/32", "192.0.2.9") && !v4("192.0.2.0/25", "192.0.2.128") && !v4("128.0.0.0/1", "1.0.0.1"));
    assert!(v4("::/0", "ff::1") && v4("2001:db8::/32", "2001:db8:ffff::1") && !v4("2001:db8::/32", "2001:db9::"));
    assert!(!v4("::/0", "192.0.2.1") && !v4("0.0.0.0/0", "2001:db8::1"));
}

#[test]
fn what_is_no_ethernet_port_is_refused_for_good() {
    let mut around = Surroundings { links: vec![link(1, "lo"), link(2, "tun0")], ..Surroundings::default() };
    // ARPHRD_LOOPBACK 772, ARPHRD_NONE 0xfffe: linux/if_arp.h.
    around.links[0].hardware = 772;
    around.links[1].hardware = 0xfffe;
    for name in ["lo", "tun0", "nowhere"] {
        assert_eq!(found(&around, name), [Reason::NotEthernet], "{name}");
        assert!(!around.reasons(name)[0].may_be_overridden());
    }
}

#[test]
fn a_real_namespace_is_judged() {
    testing::in_namespace(|| {
        let commands = [
            "link add quay1 type veth peer name quay2",
            "link add quay3 type veth peer name quay4",
            "link add br0 type bridge",
            "link set quay3 master br0",
            "link add link quay4 name upper type macvlan",
            "link set quay1 up",
            "link set quay2 up",
            "link set lo up",
        ];
        if !commands.into_iter().all(testing::ip) {
            return;
        }
        let judge = |name: &str| {
            let mut around = Surroundings::gather().unwrap();
            around.caller = None;
            found(&around, name)
        };
        assert_eq!(judge("quay1"), [], "IPv6 link-local alone is not service");
        assert_eq!(judge("quay3"), [Reason::Master]);
        assert_eq!(judge("br0"), [Reason::Members]);
        assert_eq!(judge("quay4"), [Reason::Upper]);
        assert_eq!(judge("lo"), [Reason::NotEthernet]);
        assert!(testing::ip("address add 192.0.2.1/24 dev quay1"));
        assert_eq!(judge("quay1"), [Reason::Address, Reason::Route]);
        assert!(testing::ip("route add default via 192.0.2.9 dev quay1 table 77"));
        assert_eq!(judge("quay1"), [Reason::DefaultRoute, Reason::Address, Reason::Route], "in any table");
    });
}
