//! What is answered: the status, the fields, the content.

use crate::moment::Moment;
use std::fmt::Write;
use std::sync::Arc;

/// What may come of the page: the style written into it, and nothing that is loaded, sent or
/// framed. The file that `report` writes says the same of itself, as far as a file can.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// Why a request is not answered with what it asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// It breaks the grammar.
    Malformed,
    /// Nothing lies under this path.
    NotFound,
    /// Neither GET nor HEAD.
    Method,
    /// It took too long to come.
    TooSlow,
    /// The first line is longer than a whole head may be.
    TargetTooLong,
    /// It is meant for another host.
    Elsewhere,
    /// Too many or too long fields.
    FieldsTooLarge,
    /// A defect of ours.
    Defect,
    /// As many as there may be are being answered.
    Full,
    /// What is asked for cannot be made just now: the sentence says why.
    NotNow(String),
    /// Not HTTP/1.
    Version,
}

impl Refusal {
    /// The status code and its phrase, and what a person is told.
    fn parts(&self) -> (u16, &'static str, &str) {
        match self {
            Refusal::Malformed => (400, "Bad Request", "This is no request of HTTP/1.1."),
            Refusal::NotFound => (
                404,
                "Not Found",
                "Nothing lies here. There are / and /status.json and /schedule.ics.",
            ),
            Refusal::Method => (
                405,
                "Method Not Allowed",
                "This is only to be looked at: GET and HEAD.",
            ),
            Refusal::TooSlow => (408, "Request Timeout", "The request took too long to come."),
            Refusal::TargetTooLong => (414, "URI Too Long", "The address asked for is too long."),
            Refusal::Elsewhere => (
                421,
                "Misdirected Request",
                "The page is not served under this name. Use the address that Poolward printed when it began to serve.",
            ),
            Refusal::FieldsTooLarge => (
                431,
                "Request Header Fields Too Large",
                "The request says more about itself than is read here.",
            ),
            Refusal::Defect => (
                500,
                "Internal Server Error",
                "This is a defect of Poolward. Nothing was changed; please report it with what it printed.",
            ),
            Refusal::Full => (
                503,
                "Service Unavailable",
                "Others are being answered. Try again in a moment.",
            ),
            Refusal::NotNow(why) => (503, "Service Unavailable", why),
            Refusal::Version => (505, "HTTP Version Not Supported", "HTTP/1.1 is spoken here."),
        }
    }

    /// The status code.
    pub fn code(&self) -> u16 {
        self.parts().0
    }

    /// What a person is told.
    pub fn sentence(&self) -> &str {
        self.parts().2
    }
}

/// Content, with what it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Body {
    /// HTML.
    Page(Arc<str>),
    /// JSON (RFC 8259).
    Json(Arc<str>),
    /// iCalendar (RFC 5545).
    Calendar(Arc<str>),
    /// Plain words.
    Words(Arc<str>),
}

impl Body {
    /// The bytes.
    pub fn text(&self) -> &str {
        match self {
            Body::Page(text) | Body::Json(text) | Body::Calendar(text) | Body::Words(text) => text,
        }
    }

    fn kind(&self) -> &'static str {
        match self {
            Body::Page(_) => "text/html; charset=utf-8",
            Body::Json(_) => "application/json",
            Body::Calendar(_) => "text/calendar; charset=utf-8",
            Body::Words(_) => "text/plain; charset=utf-8",
        }
    }
}

/// A whole answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// `None` where it is what was asked for.
    pub refusal: Option<Refusal>,
    /// The content.
    pub body: Body,
}

impl Answer {
    /// What was asked for.
    pub fn of(body: Body) -> Answer {
        Answer { refusal: None, body }
    }
}

impl From<Refusal> for Answer {
    fn from(refusal: Refusal) -> Answer {
        let words = format!("{}\n", refusal.sentence());
        Answer {
            refusal: Some(refusal),
            body: Body::Words(words.into()),
        }
    }
}

/// Status line and fields. A connection carries one answer (`Connection`, RFC 9110 section 7.6.1).
/// Nothing is to be kept on the way, guessed at, shown in a frame, or told to the next page.
pub fn head(answer: &Answer, now: Moment) -> String {
    let (code, phrase) = match &answer.refusal {
        Some(refusal) => (refusal.parts().0, refusal.parts().1),
        None => (200, "OK"),
    };
    let mut text = format!("HTTP/1.1 {code} {phrase}\r\n");
    let mut field = |name: &str, value: &str| {
        // A string takes whatever is written to it.
        let _ = write!(text, "{name}: {value}\r\n");
    };
    if let Some(date) = date(now) {
        field("Date", &date);
    }
    field("Content-Type", answer.body.kind());
    field("Content-Length", &answer.body.text().len().to_string());
    field("Connection", "close");
    field("Cache-Control", "no-store");
    field("Content-Security-Policy", POLICY);
    field("X-Content-Type-Options", "nosniff");
    field("Referrer-Policy", "no-referrer");
    field("Cross-Origin-Resource-Policy", "same-origin");
    match &answer.refusal {
        Some(Refusal::Method) => field("Allow", "GET, HEAD"),
        Some(Refusal::Full) => field("Retry-After", "1"),
        Some(Refusal::NotNow(_)) => field("Retry-After", "60"),
        _ => {}
    }
    text.push_str("\r\n");
    text
}

/// The fixed form of RFC 9110 section 5.6.7, `Sun, 06 Nov 1994 08:49:37 GMT`; none for a year
/// without four digits, since a clock that far off tells no time (section 6.6.1).
fn date(now: Moment) -> Option<String> {
    let year = now.year(chrono_tz::UTC)?;
    let time = now.utc().filter(|_| year.0 >= 1970)?;
    Some(time.format("%a, %d %b %Y %H:%M:%S GMT").to_string())
}
