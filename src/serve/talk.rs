//! One connection: the head of a request in, an answer out, an end.

use super::{Answers, HEAD_MAX, LOOK};
use crate::web::{Answer, Reading, Refusal, Request, head, read};
use crate::world::{Clock, Stop};
use std::io::{ErrorKind, Read, Write};
use std::net::{Shutdown, TcpStream};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Duration;

/// Seconds that each part of a connection may take, all in all: a byte now and then buys no more.
#[derive(Clone, Copy)]
pub(super) struct Limits {
    /// Until the first byte. Browsers open connections in advance and send nothing on them.
    pub(super) first: f64,
    /// Until the head is whole, counted from the beginning.
    pub(super) head: f64,
    /// Until the answer is fetched. A page of a megabyte takes a minute at 140 kbit/s.
    pub(super) answer: f64,
    /// Until the client has closed its end too.
    pub(super) parting: f64,
}

impl Limits {
    /// For whoever is answered.
    pub(super) const USUAL: Limits = Limits {
        first: 4.0,
        head: 10.0,
        answer: 60.0,
        parting: 1.0,
    };
    /// For whoever is told that there are too many; these wait for one another.
    pub(super) const BRIEF: Limits = Limits {
        first: 0.5,
        head: 0.5,
        answer: 0.5,
        parting: 0.2,
    };
}

/// Most bytes that are taken in after an answer and thrown away.
const PARTING_BYTES: usize = 64 * 1024;

/// A connection with what bounds it.
struct Line<'a> {
    stream: &'a TcpStream,
    clock: &'a dyn Clock,
    stop: &'a Stop,
}

/// Reads one request, answers it, and parts. A client that is gone is no error of anybody's.
pub(super) fn talk(
    stream: &TcpStream,
    clock: &dyn Clock,
    stop: &Stop,
    limits: Limits,
    answers: &Answers<'_>,
) {
    let line = Line { stream, clock, stop };
    let (answer, head_only) = match line.hear(limits) {
        Some(Reading::Asked(request)) => (answered(answers, &request), request.head_only),
        Some(Reading::Refused(refusal)) => (refusal.into(), false),
        Some(Reading::Partly) => (Refusal::TooSlow.into(), false),
        None => return,
    };
    line.answer(&answer, head_only, limits);
}

/// Tells one that there are too many, whatever it asks for.
pub(super) fn turn_away(stream: &TcpStream, clock: &dyn Clock, stop: &Stop, limits: Limits) {
    let line = Line { stream, clock, stop };
    // What was not taken in before the end would cost the client the answer.
    let _ = line.hear(limits);
    line.answer(&Refusal::Full.into(), false, limits);
}

/// A defect of ours in the making of one page is that request's alone: it has been printed, and the
/// next is answered. What is held meanwhile is made anew or not at all.
fn answered(answers: &Answers<'_>, request: &Request) -> Answer {
    catch_unwind(AssertUnwindSafe(|| answers(request))).unwrap_or_else(|_| Refusal::Defect.into())
}

impl Line<'_> {
    fn answer(&self, answer: &Answer, head_only: bool, limits: Limits) {
        let mut bytes = head(answer, self.clock.now()).into_bytes();
        if !head_only {
            bytes.extend_from_slice(answer.body.text().as_bytes());
        }
        if self.say(&bytes, limits.answer).is_some() {
            self.part(limits.parting);
        }
    }

    /// What came; `Partly` where it took too long, `None` where nothing needs an answer.
    fn hear(&self, limits: Limits) -> Option<Reading> {
        let start = self.clock.ticks();
        let mut bytes = [0u8; HEAD_MAX];
        let mut filled = 0;
        loop {
            let end = if filled == 0 { limits.first } else { limits.head };
            let got = match self.wait(start + end, |mut stream| stream.read(&mut bytes[filled..])) {
                Waited::Did(got) => got,
                Waited::TooLong if filled > 0 => return Some(Reading::Partly),
                Waited::TooLong | Waited::Gone => return None,
            };
            if got == 0 {
                return None;
            }
            filled += got;
            match read(&bytes[..filled]) {
                Reading::Partly => {}
                whole => return Some(whole),
            }
        }
    }

    /// Sends all of it; `None` where it could not.
    fn say(&self, bytes: &[u8], seconds: f64) -> Option<()> {
        let end = self.clock.ticks() + seconds;
        let mut left = bytes;
        while !left.is_empty() {
            let Waited::Did(sent) = self.wait(end, |mut stream| stream.write(left)) else {
                return None;
            };
            left = left.get(sent..).filter(|_| sent > 0)?;
        }
        Some(())
    }

    /// Closes in two steps, so that what the client has still sent does not cost it the answer
    /// (RFC 9112 section 9.6).
    fn part(&self, seconds: f64) {
        if self.stream.shutdown(Shutdown::Write).is_err() {
            return;
        }
        let end = self.clock.ticks() + seconds;
        let (mut bytes, mut taken) = ([0u8; 4096], 0);
        while taken < PARTING_BYTES {
            match self.wait(end, |mut stream| stream.read(&mut bytes)) {
                Waited::Did(got) if got > 0 => taken += got,
                _ => return,
            }
        }
    }

    /// One read or write, until it was done, `end` is past, or somebody asks to end.
    fn wait(&self, end: f64, mut step: impl FnMut(&TcpStream) -> std::io::Result<usize>) -> Waited {
        loop {
            let left = end - self.clock.ticks();
            if left <= 0.0 {
                return Waited::TooLong;
            }
            // A time of zero would mean for ever.
            let slice = LOOK
                .min(Duration::from_secs_f64(left))
                .max(Duration::from_millis(1));
            let set = self
                .stream
                .set_read_timeout(Some(slice))
                .and_then(|()| self.stream.set_write_timeout(Some(slice)));
            if set.is_err() || self.stop.is_set() {
                return Waited::Gone;
            }
            match step(self.stream) {
                Ok(amount) => return Waited::Did(amount),
                Err(e)
                    if matches!(
                        e.kind(),
                        ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted
                    ) => {}
                Err(_) => return Waited::Gone,
            }
        }
    }
}

/// What came of waiting.
enum Waited {
    /// So many bytes went.
    Did(usize),
    /// The time is over.
    TooLong,
    /// The client is gone, or we are asked to end.
    Gone,
}
