//! For whom a request was meant. A page of a stranger can make a browser call any address by a
//! name of the stranger's own that leads there ("DNS rebinding"), and then read the answer as if it
//! were its own. What such a request cannot hide is that name, in its `Host` field.

use super::address::{is_loopback, is_open};
use core::net::{IpAddr, Ipv6Addr, SocketAddr};

/// Whom a request is for: the authority of its target, without the port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Host {
    /// An address. A browser sends one only where somebody typed it or a link names it.
    Ip(IpAddr),
    /// A name, in small letters, without the dot of the root.
    Name(String),
}

impl Host {
    /// Reads `host [ ":" port ]` (RFC 9110 section 7.2, RFC 3986 section 3.2.2); `None` for what is
    /// none, an empty host included (RFC 9110 section 4.2.1).
    pub fn parse(text: &str) -> Option<Host> {
        let (host, port) = match text.strip_prefix('[') {
            Some(rest) => {
                let (inside, after) = rest.split_once(']')?;
                let ip: Ipv6Addr = inside.parse().ok()?;
                (Host::Ip(IpAddr::V6(ip)), after)
            }
            None => {
                let end = text.find(':').unwrap_or(text.len());
                let (name, after) = text.split_at(end);
                (Host::named(name)?, after)
            }
        };
        let digits = port.is_empty() || port.strip_prefix(':')?.bytes().all(|b| b.is_ascii_digit());
        digits.then_some(host)
    }

    fn named(name: &str) -> Option<Host> {
        let part = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'.' | b'_');
        if name.is_empty() || !name.bytes().all(part) {
            return None;
        }
        if let Ok(ip) = name.parse::<IpAddr>() {
            return Some(Host::Ip(ip));
        }
        let name = name.strip_suffix('.').unwrap_or(name);
        Some(Host::Name(name.to_ascii_lowercase()))
    }
}

/// Which hosts are this one.
#[derive(Debug, Clone)]
pub struct Door {
    open: bool,
    machine: String,
}

impl Door {
    /// Of a listener at this address, on a machine that calls itself `machine`.
    pub fn new(address: &SocketAddr, machine: &str) -> Door {
        Door {
            open: is_open(address),
            machine: machine.to_ascii_lowercase(),
        }
    }

    /// Whether a request for this host may be answered. The port is not looked at: a tunnel to the
    /// loopback address has another at its far end, and a rebound name is told by its host.
    ///
    /// Where other machines reach it, names without a dot count as names of the house, and so do
    /// those that no public server gives out: `.local` (RFC 6762) and `.home.arpa` (RFC 8375). A
    /// request without any host was sent by no browser.
    pub fn admits(&self, host: Option<&Host>) -> bool {
        match host {
            None => true,
            Some(Host::Ip(ip)) => self.open || is_loopback(*ip),
            Some(Host::Name(name)) if name == "localhost" => true,
            Some(Host::Name(name)) => {
                let house = !name.contains('.') || name.ends_with(".local") || name.ends_with(".home.arpa");
                self.open && (house || *name == self.machine)
            }
        }
    }
}
