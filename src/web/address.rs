//! The address to listen at: as it is typed, and as a browser is given it.

use crate::trouble::Trouble;
use core::net::{IpAddr, Ipv4Addr, SocketAddr};

/// Reads `127.0.0.1:8137`, `[::1]:0`, `localhost:8137` or a port alone, which means this machine
/// only. Names are not looked up: which of a machine's addresses one leads to is not ours to guess.
///
/// # Errors
/// `bad-address` for anything else.
pub fn address(typed: &str) -> Result<SocketAddr, Trouble> {
    let here = IpAddr::V4(Ipv4Addr::LOCALHOST);
    let port = typed.strip_prefix("localhost:").unwrap_or(typed);
    let digits = !port.is_empty() && port.bytes().all(|b| b.is_ascii_digit());
    let found = match digits {
        true => port.parse().ok().map(|port| SocketAddr::new(here, port)),
        false => typed.parse().ok(),
    };
    found.ok_or_else(|| {
        Trouble::usage("bad-address", format!("`{}` is no address to listen at", typed.escape_debug()))
            .mend("Give an IP address and a port, like 127.0.0.1:8137 or [::1]:8137, or a port alone; port 0 takes a free one.")
    })
}

/// Whether other machines reach it.
pub fn is_open(address: &SocketAddr) -> bool {
    !is_loopback(address.ip())
}

/// IPv6 has the loopback addresses of IPv4 too (RFC 4291 section 2.5.5.2).
pub(super) fn is_loopback(ip: IpAddr) -> bool {
    ip.to_canonical().is_loopback()
}

/// What to type into a browser; `machine` is the name this machine gives itself, which stands for
/// all of its addresses where all are listened at.
pub fn url(address: &SocketAddr, machine: &str) -> String {
    match address.ip().is_unspecified() && !machine.is_empty() {
        true => format!("http://{machine}:{}/", address.port()),
        false => format!("http://{address}/"),
    }
}
