//! Listens, and answers one request a connection, a thread each. What is asked and answered is read
//! and decided by `web`; here are the socket and the bounds.
//!
//! Whoever reaches the address can send anything, at any pace, so everything has an end: the bytes
//! of a head ([`HEAD_MAX`]), the time until it is whole, the time an answer may take to be fetched,
//! how many are answered at once, how many more are told so. A client that keeps to none of it
//! costs one of sixteen threads for that long, and the work that goes on beside is not touched.

mod talk;
#[cfg(test)]
mod tests;

use crate::trouble::Trouble;
use crate::web::{Answer, HEAD_MAX, Request};
use crate::world::{Clock, Stop};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use std::io::ErrorKind;
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;
use talk::{Limits, talk, turn_away};

/// Connections answered at once. Ten people who look, each with a browser that opens a second
/// connection in advance, wait for nothing.
const AT_ONCE: usize = 16;
/// Connections that wait to be told that there are too many; what comes beside them is closed.
const TURNED_AWAY: usize = 64;
/// Between two looks at whether to end.
const LOOK: Duration = Duration::from_millis(250);
/// After the system had no room for one more connection.
const BREATH: Duration = Duration::from_millis(200);

/// What answers a request. It may take its time: the thread is that connection's own.
pub type Answers<'a> = dyn Fn(&Request) -> Answer + Sync + 'a;

/// A socket that listens.
pub struct Listener {
    socket: TcpListener,
    address: SocketAddr,
}

impl Listener {
    /// Begins to listen; connections wait until [`serve`] takes them.
    ///
    /// # Errors
    /// [`Trouble`] where the address is taken, is none of this machine's, or may not be used.
    pub fn open(address: SocketAddr) -> Result<Listener, Trouble> {
        let failed = |e: std::io::Error| cannot_listen(address, &e);
        let socket = TcpListener::bind(address).map_err(failed)?;
        // A connection that is gone again before it is taken must not hold the loop up.
        socket.set_nonblocking(true).map_err(failed)?;
        let address = socket.local_addr().map_err(failed)?;
        Ok(Listener { socket, address })
    }

    /// Where it listens, with the port it got.
    pub fn address(&self) -> SocketAddr {
        self.address
    }
}

fn cannot_listen(address: SocketAddr, e: &std::io::Error) -> Trouble {
    let trouble = |code, why: &str, mend: &str| {
        Trouble::stopped(code, format!("cannot listen at {address}: {why}")).mend(mend)
    };
    match e.kind() {
        ErrorKind::AddrInUse => trouble(
            "address-in-use",
            "another program does",
            "Give another port, or 0 for a free one; `ss -ltnp` shows who has it.",
        ),
        ErrorKind::AddrNotAvailable => trouble(
            "address-absent",
            "this machine does not have that address",
            "Give one that `ip address` shows, or 127.0.0.1 for this machine alone.",
        ),
        ErrorKind::PermissionDenied => trouble(
            "address-denied",
            "this user may not",
            "Give a port above 1023; those below are for the system.",
        ),
        _ => trouble(
            "address-unusable",
            &e.to_string(),
            "Give another address, or 127.0.0.1 for this machine alone.",
        ),
    }
}

/// Answers whoever comes until `stop` is set. Then nobody new is taken, and answers under way are
/// cut where they are; nobody's data depends on them.
///
/// # Errors
/// [`Trouble`] where the system gives no thread to begin with, or the socket is no good any more.
pub fn serve(
    listener: &Listener,
    clock: &dyn Clock,
    stop: &Stop,
    answers: &Answers<'_>,
) -> Result<(), Trouble> {
    let busy = AtomicUsize::new(0);
    let (too_many, turned_away) = crossbeam_channel::bounded::<TcpStream>(TURNED_AWAY);
    let failed =
        |e: std::io::Error| Trouble::stopped("address-unusable", format!("cannot go on listening: {e}"));
    std::thread::scope(|threads| {
        let doorman = move || {
            for stream in turned_away {
                turn_away(&stream, clock, stop, Limits::BRIEF);
            }
        };
        std::thread::Builder::new()
            .spawn_scoped(threads, doorman)
            .map_err(failed)?;
        while !stop.is_set() {
            let stream = match next(listener, clock, stop).map_err(failed)? {
                Some(stream) => stream,
                None => continue,
            };
            let Some(place) = Place::take(&busy) else {
                // The doorman has enough to do: closing is an answer too.
                let _ = too_many.try_send(stream);
                continue;
            };
            let work = move || {
                let _place = place;
                talk(&stream, clock, stop, Limits::USUAL, answers);
            };
            // No thread to be had: the connection closes, the place is free again.
            let _ = std::thread::Builder::new().spawn_scoped(threads, work);
        }
        drop(too_many);
        Ok(())
    })
}

/// The next connection; none where it is time to look whether to end.
fn next(listener: &Listener, clock: &dyn Clock, stop: &Stop) -> std::io::Result<Option<TcpStream>> {
    let span = Timespec {
        tv_sec: 0,
        tv_nsec: i64::from(LOOK.subsec_nanos()),
    };
    let mut watched = [PollFd::new(&listener.socket, PollFlags::IN)];
    match poll(&mut watched, Some(&span)) {
        Ok(0) | Err(rustix::io::Errno::INTR) => return Ok(None),
        Ok(_) => {}
        Err(e) => return Err(e.into()),
    }
    match listener.socket.accept() {
        Ok((stream, _)) => Ok(Some(stream)),
        // Gone again already, or a signal came.
        Err(e)
            if matches!(
                e.kind(),
                ErrorKind::WouldBlock | ErrorKind::ConnectionAborted | ErrorKind::Interrupted
            ) =>
        {
            Ok(None)
        }
        // No descriptor or memory left for one more, or its network failed (accept(2)): others end.
        Err(_) => {
            clock.wait(BREATH, stop);
            Ok(None)
        }
    }
}

/// One of the places to be answered at, given back however the thread ends.
struct Place<'a>(&'a AtomicUsize);

impl<'a> Place<'a> {
    /// `None` where all are taken. Only one thread takes, so a look and a step do.
    fn take(busy: &'a AtomicUsize) -> Option<Place<'a>> {
        if busy.load(Ordering::SeqCst) >= AT_ONCE {
            return None;
        }
        busy.fetch_add(1, Ordering::SeqCst);
        Some(Place(busy))
    }
}

impl Drop for Place<'_> {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::SeqCst);
    }
}
