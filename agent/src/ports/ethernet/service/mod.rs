//! Is an interface in service? A pure decision over what the kernel lists, with a way out for every reason.
//!
//! IPv6 link-local addresses and the routes the kernel adds by itself are no service: every interface that is switched
//! on has them. Limits: what stands on the interface from *another* network namespace (a container's macvlan) is not
//! listed here, nor are programs that read it raw; listening before sending is what finds those.

use std::net::IpAddr;

use serde::{Deserialize, Serialize};

use super::device::netlink::{
    self, NetlinkError,
    link::LinkFacts,
    route::{Address, Route},
};

pub mod caller;

#[cfg(test)]
mod tests;

use caller::Caller;

/// Why an interface must not be tested as it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// There is no such interface, or it is not an Ethernet port.
    NotEthernet,
    /// It, or what stands on it or under it, carries the default route.
    DefaultRoute,
    /// It, or what stands on it or under it, carries the connection the caller works over.
    CallersConnection,
    /// It has an address.
    Address,
    /// A route leads out of it.
    Route,
    /// It belongs to a bond, bridge, team or VRF.
    Master,
    /// It is a bond, bridge or team with members.
    Members,
    /// Other interfaces stand on it (VLAN, macvlan).
    Upper,
    /// A program in the kernel (XDP) takes what arrives at it.
    Program,
    /// It stands on an interface that is in service.
    Lower,
}

/// One reason, in words.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct InService {
    /// Which.
    pub reason: Reason,
    /// What was found, naming it.
    pub text: String,
    /// How to free the interface; empty where that is not for this tool to say.
    pub way_out: String,
}

impl InService {
    /// Whether an explicit override may pass over it. Never for the default route, the caller's own connection, or
    /// what is no Ethernet port.
    pub fn may_be_overridden(&self) -> bool {
        !matches!(self.reason, Reason::NotEthernet | Reason::DefaultRoute | Reason::CallersConnection)
    }
}

/// Everything around the interfaces of one network namespace that the decision needs.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Surroundings {
    /// Every interface.
    pub links: Vec<LinkFacts>,
    /// Every address.
    pub addresses: Vec<Address>,
    /// Every unicast route of every table.
    pub routes: Vec<Route>,
    /// The remote connection the caller works over.
    pub caller: Option<Caller>,
}

impl Surroundings {
    /// Reads them in the network namespace of the calling thread.
    ///
    /// # Errors
    ///
    /// When the kernel does not answer. The interface must then count as in service.
    pub fn gather() -> Result<Self, NetlinkError> {
        Ok(Self {
            links: netlink::links()?,
            addresses: netlink::addresses()?,
            routes: netlink::routes()?,
            caller: caller::find(),
        })
    }

    /// Every reason not to test the interface of this name; none means it is free.
    pub fn reasons(&self, name: &str) -> Vec<InService> {
        let Some(link) = self.links.iter().find(|link| link.name == name) else {
            return vec![not_ethernet(format!("there is no interface named {name:?} here"))];
        };
        if !link.is_ethernet() {
            return vec![not_ethernet(format!("{name} is not an Ethernet port (hardware type {})", link.hardware))];
        }
        if let Some(kind) = link.kind.as_deref().filter(|kind| NO_PORT.contains(kind))
            && self.members(link).next().is_none()
        {
            return vec![not_ethernet(format!(
                "{name} is a device of the kernel's own ({kind}) with no port behind it"
            ))];
        }
        let mut reasons = self.protected(link);
        let is_protected = !reasons.is_empty();
        reasons.extend(self.own(link));
        reasons.extend(self.uppers(link).map(|upper| InService {
            reason: Reason::Upper,
            text: format!("{} ({}) stands on {name}", upper.name, upper.kind.as_deref().unwrap_or("interface")),
            way_out: format!("ip link delete {}", upper.name),
        }));
        if let Some(lower) = self.lower(link) {
            // That something stands on it is no news: we do.
            if let Some(first) = self.own(lower).into_iter().next() {
                let text = format!("{name} stands on {}, which is in service: {}", lower.name, first.text);
                reasons.push(InService { reason: Reason::Lower, text, way_out: first.way_out });
            }
        }
        if is_protected {
            // Freeing it would cut the very connection that must not be cut: no advice to do so.
            reasons.iter_mut().for_each(|reason| reason.way_out.clear());
        }
        reasons
    }

    /// The default route and the caller's connection, through whatever is stacked with the interface.
    fn protected(&self, link: &LinkFacts) -> Vec<InService> {
        let mut reasons = Vec::new();
        for index in self.stack(link) {
            let of = self.link(index).map_or("?", |link| link.name.as_str());
            let through = if index == link.index { String::new() } else { format!(" through {of}") };
            if self.routes.iter().any(|route| route.interface == index && route.is_default()) {
                reasons.push(InService {
                    reason: Reason::DefaultRoute,
                    text: format!("{} carries the default route{through}", link.name),
                    way_out: String::new(),
                });
            }
            if let Some(caller) = self.caller.as_ref().filter(|caller| self.carries(index, caller)) {
                reasons.push(InService {
                    reason: Reason::CallersConnection,
                    text: format!("{} carries your own connection from {}{through}", link.name, caller.remote),
                    way_out: String::new(),
                });
            }
        }
        reasons
    }

    /// Addresses, routes, membership and members of the interface itself.
    fn own(&self, link: &LinkFacts) -> Vec<InService> {
        let name = &link.name;
        let mut reasons = Vec::new();
        let addresses: Vec<String> = self
            .addresses
            .iter()
            .filter(|a| a.interface == link.index && is_service(a.ip))
            .map(|address| format!("{}/{}", address.ip, address.prefix))
            .collect();
        if !addresses.is_empty() {
            reasons.push(InService {
                reason: Reason::Address,
                text: format!("{name} has the address {}", some_of(&addresses)),
                way_out: format!("ip address flush dev {name}"),
            });
        }
        let routes: Vec<String> = self
            .routes
            .iter()
            .filter(|route| route.interface == link.index && !route.is_automatic() && !route.is_default())
            .map(|route| format!("{}/{}", route.destination, route.prefix))
            .collect();
        if !routes.is_empty() {
            reasons.push(InService {
                reason: Reason::Route,
                text: format!("a route leads out of {name}, to {}", some_of(&routes)),
                way_out: format!("ip route flush dev {name}; ip -6 route flush dev {name}"),
            });
        }
        if let Some(master) = link.master {
            let master = self.link(master).map_or_else(|| format!("interface {master}"), |link| link.name.clone());
            reasons.push(InService {
                reason: Reason::Master,
                text: format!("{name} belongs to {master}"),
                way_out: format!("ip link set {name} nomaster"),
            });
        }
        if link.xdp {
            reasons.push(InService {
                reason: Reason::Program,
                text: format!("a program in the kernel (XDP) takes what arrives at {name} before this one can"),
                way_out: format!("ip link set {name} xdp off"),
            });
        }
        let members: Vec<String> = self.members(link).map(|member| member.name.clone()).collect();
        if !members.is_empty() {
            reasons.push(InService {
                reason: Reason::Members,
                text: format!("{name} is made of {}; test those, one by one", some_of(&members)),
                way_out: format!("ip link set {} nomaster", members[0]),
            });
        }
        reasons
    }

    /// The interface and all that stands on it or under it, over any number of steps.
    fn stack(&self, link: &LinkFacts) -> Vec<u32> {
        let mut up = vec![link.index];
        let mut at = 0;
        while let Some(link) = up.get(at).and_then(|&index| self.link(index)) {
            let next = self.uppers(link).map(|upper| upper.index).chain(link.master);
            let next: Vec<u32> = next.filter(|index| self.link(*index).is_some() && !up.contains(index)).collect();
            up.extend(next);
            at += 1;
        }
        let mut down = vec![link.index];
        let mut at = 0;
        while let Some(link) = down.get(at).and_then(|&index| self.link(index)) {
            let next = self.members(link).chain(self.lower(link)).map(|lower| lower.index);
            let next: Vec<u32> = next.filter(|index| !down.contains(index)).collect();
            down.extend(next);
            at += 1;
        }
        up.extend(down.into_iter().skip(1));
        up
    }

    fn carries(&self, index: u32, caller: &Caller) -> bool {
        let ours = self.addresses.iter().filter(|address| address.ip == caller.local);
        let here: Vec<u32> = ours.map(|address| address.interface).filter(|&i| self.is_zone(i, caller)).collect();
        // Without the address here, the connection ends in another namespace. With it, answers may still leave by
        // another interface than the one with the address: the one the best route names.
        !here.is_empty() && (here.contains(&index) || self.best_routes(caller.remote).contains(&index))
    }

    fn is_zone(&self, index: u32, caller: &Caller) -> bool {
        caller.zone.as_ref().is_none_or(|zone| self.link(index).is_some_and(|link| link.name == *zone))
    }

    /// The interfaces of the longest-prefix routes to an address.
    fn best_routes(&self, to: IpAddr) -> Vec<u32> {
        let fits: Vec<&Route> = self.routes.iter().filter(|r| !r.is_automatic() && leads_to(r, to)).collect();
        let longest = fits.iter().map(|route| route.prefix).max();
        fits.iter().filter(|route| Some(route.prefix) == longest).map(|route| route.interface).collect()
    }

    fn link(&self, index: u32) -> Option<&LinkFacts> {
        self.links.iter().find(|link| link.index == index)
    }

    fn members(&self, link: &LinkFacts) -> impl Iterator<Item = &LinkFacts> {
        self.links.iter().filter(move |member| member.master == Some(link.index))
    }

    fn uppers(&self, link: &LinkFacts) -> impl Iterator<Item = &LinkFacts> {
        self.links.iter().filter(move |upper| stands_on(upper) == Some(link.index))
    }

    fn lower(&self, link: &LinkFacts) -> Option<&LinkFacts> {
        stands_on(link).and_then(|index| self.link(index))
    }
}

/// What an interface stands on. The two ends of a virtual cable name each other in the same field and stand on nothing.
fn stands_on(link: &LinkFacts) -> Option<u32> {
    link.lower.filter(|_| !matches!(link.kind.as_deref(), Some("veth" | "netkit" | "vxcan")))
}

fn is_service(ip: IpAddr) -> bool {
    match ip {
        IpAddr::V4(_) => true,
        IpAddr::V6(ip) => !ip.is_unicast_link_local(),
    }
}

fn leads_to(route: &Route, to: IpAddr) -> bool {
    match (route.destination, to) {
        (IpAddr::V4(network), IpAddr::V4(to)) => {
            u32::from(network) ^ u32::from(to)
                < 1u32.checked_shl(32 - u32::from(route.prefix.min(32))).unwrap_or(u32::MAX)
                || route.prefix == 0
        }
        (IpAddr::V6(network), IpAddr::V6(to)) => {
            u128::from(network) ^ u128::from(to)
                < 1u128.checked_shl(128 - u32::from(route.prefix.min(128))).unwrap_or(u128::MAX)
                || route.prefix == 0
        }
        _ => false,
    }
}

fn not_ethernet(text: String) -> InService {
    InService { reason: Reason::NotEthernet, text, way_out: "turnback ports lists what can be tested".to_owned() }
}

/// Kinds of virtual interface that look like Ethernet and send nowhere, unless they have members to send through.
const NO_PORT: [&str; 8] = ["bond", "bridge", "dummy", "ifb", "nlmon", "openvswitch", "team", "vrf"];

/// A list cut to what a person reads.
fn some_of(items: &[String]) -> String {
    const SHOWN: usize = 3;
    let mut text = items[..items.len().min(SHOWN)].join(", ");
    if items.len() > SHOWN {
        text.push_str(&format!(" and {} more", items.len() - SHOWN));
    }
    text
}
