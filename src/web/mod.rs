//! What a browser asks of the page that is served, and how it is answered, as values: bytes of a
//! request in, bytes of an answer out. Sockets and threads are `serve`'s, content is made in `ops`.
//!
//! One page is served, read-only, one request a connection. Of HTTP that takes the head of a
//! request (RFC 9112 sections 2 to 5), two methods (RFC 9110 sections 9.3.1 and 9.3.2), and the
//! status codes that say why something is refused (RFC 9110 section 15, RFC 6585 section 5).

mod address;
mod answer;
mod door;
mod request;
#[cfg(test)]
mod tests;

pub use address::{address, is_open, url};
pub use answer::{Answer, Body, Refusal, head};
pub use door::{Door, Host};
pub use request::{HEAD_MAX, Reading, Request, read};

/// What there is to be had.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wanted {
    /// The page; one that does not make itself anew where `still` is set.
    Page {
        /// Whether it stays as it is.
        still: bool,
    },
    /// The object of `status --json`.
    Status,
    /// The schedule as a calendar.
    Calendar,
}

/// What a request is to be answered with.
///
/// # Errors
/// The [`Refusal`] for a host that this is not, and for a path under which nothing lies.
pub fn wanted(request: &Request, door: &Door) -> Result<Wanted, Refusal> {
    if !door.admits(request.host.as_ref()) {
        return Err(Refusal::Elsewhere);
    }
    match request.path.as_str() {
        "/" => Ok(Wanted::Page {
            still: request.query.as_deref() == Some("still"),
        }),
        "/status.json" => Ok(Wanted::Status),
        "/schedule.ics" => Ok(Wanted::Calendar),
        _ => Err(Refusal::NotFound),
    }
}
