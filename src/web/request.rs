//! Reads the head of a request. `httparse` knows the grammar; what of it is refused is said here.

use super::{Host, Refusal};

/// Most bytes of a request's line and fields together. Browsers send under 2 KiB to a page that
/// sets no cookies; several times that is room for whatever stands in between.
pub const HEAD_MAX: usize = 8 * 1024;
/// Most fields of a request.
const FIELDS_MAX: usize = 64;

/// How far a request has come.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reading {
    /// Its head is not whole yet.
    Partly,
    /// It asks for this.
    Asked(Request),
    /// It is refused, whatever else comes.
    Refused(Refusal),
}

/// What a request asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Request {
    /// Only the head of the answer is wanted (RFC 9110 section 9.3.2).
    pub head_only: bool,
    /// Whom it is for; `None` only from a client of HTTP/1.0.
    pub host: Option<Host>,
    /// The path, as it came.
    pub path: String,
    /// What stands behind the question mark.
    pub query: Option<String>,
}

/// Reads what has come of a request so far: at most [`HEAD_MAX`] bytes of it. Whatever follows the
/// head is left alone: neither method gives content a meaning (RFC 9110 sections 9.3.1 and 9.3.2),
/// and no second request is read from a connection.
pub fn read(bytes: &[u8]) -> Reading {
    use httparse::{Error, Status};
    let mut fields = [httparse::EMPTY_HEADER; FIELDS_MAX];
    let mut parsed = httparse::Request::new(&mut fields);
    match parsed.parse(bytes) {
        Ok(Status::Complete(_)) => match asked(&parsed) {
            Ok(request) => Reading::Asked(request),
            Err(refusal) => Reading::Refused(refusal),
        },
        Ok(Status::Partial) if bytes.len() < HEAD_MAX => Reading::Partly,
        // The line alone is too long, or else the fields are.
        Ok(Status::Partial) => Reading::Refused(match line_ends(bytes) {
            true => Refusal::FieldsTooLarge,
            false => Refusal::TargetTooLong,
        }),
        Err(Error::TooManyHeaders) => Reading::Refused(Refusal::FieldsTooLarge),
        Err(Error::Version) => Reading::Refused(Refusal::Version),
        Err(_) => Reading::Refused(Refusal::Malformed),
    }
}

/// Empty lines before a request are passed over (RFC 9112 section 2.2).
fn line_ends(bytes: &[u8]) -> bool {
    let start = bytes.iter().position(|b| !matches!(b, b'\r' | b'\n'));
    start.is_some_and(|start| bytes.iter().skip(start).any(|b| *b == b'\n'))
}

fn asked(parsed: &httparse::Request<'_, '_>) -> Result<Request, Refusal> {
    let head_only = match parsed.method {
        Some("GET") => false,
        Some("HEAD") => true,
        _ => return Err(Refusal::Method),
    };
    let target = parsed.path.unwrap_or_default();
    let field = host_field(parsed)?;
    let (path, host) = match target.starts_with('/') {
        true => (target, field),
        // The whole address: its host counts, not the field's (RFC 9112 section 3.2.2).
        false => {
            let (authority, path) = absolute(target).ok_or(Refusal::Malformed)?;
            (path, Some(Host::parse(authority).ok_or(Refusal::Malformed)?))
        }
    };
    let (path, query) = match path.split_once('?') {
        Some((path, query)) => (path, Some(query.to_string())),
        None => (path, None),
    };
    Ok(Request {
        head_only,
        host,
        path: if path.is_empty() { "/" } else { path }.to_string(),
        query,
    })
}

/// The one `Host` field. None, two or a bad one are refused (RFC 9112 section 3.2); HTTP/1.0 did
/// not have it.
fn host_field(parsed: &httparse::Request<'_, '_>) -> Result<Option<Host>, Refusal> {
    let mut fields = parsed
        .headers
        .iter()
        .filter(|field| field.name.eq_ignore_ascii_case("host"));
    let Some(field) = fields.next() else {
        return match parsed.version {
            Some(0) => Ok(None),
            _ => Err(Refusal::Malformed),
        };
    };
    if fields.next().is_some() {
        return Err(Refusal::Malformed);
    }
    let text = std::str::from_utf8(field.value).map_err(|_| Refusal::Malformed)?;
    Host::parse(text.trim()).map(Some).ok_or(Refusal::Malformed)
}

/// Authority and the rest of `http://authority/path?query`.
fn absolute(target: &str) -> Option<(&str, &str)> {
    let (scheme, rest) = target.split_once("://")?;
    if !scheme.eq_ignore_ascii_case("http") {
        return None;
    }
    let end = rest.find(['/', '?']).unwrap_or(rest.len());
    Some(rest.split_at(end))
}
