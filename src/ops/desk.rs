//! What every verb has before it: the move folder, its settings and its ledger.

use super::settings::Settings;
use crate::ledger::{Lease, Ledger};
use crate::moment::Moment;
use crate::trouble::Trouble;
use crate::world::{Clock, MountTable, Stop};
use std::path::{Path, PathBuf};

/// One move, opened.
pub struct Desk<'a> {
    /// The move folder.
    pub folder: PathBuf,
    /// What the user has settled.
    pub settings: Settings,
    /// What has happened.
    pub ledger: Ledger,
    /// Tells the time.
    pub clock: &'a dyn Clock,
    /// Whether to end.
    pub stop: &'a Stop,
    /// Set where this is the work of a waybill on another machine, not the move at home.
    pub elsewhere: Option<Elsewhere>,
}

/// How another machine sees the source of a waybill.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Elsewhere {
    /// Whether its inode numbers are those of the index.
    pub inodes: bool,
}

impl<'a> Desk<'a> {
    /// Opens the move in a folder.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger is missing, damaged, newer, or on a network mount.
    pub fn open(
        folder: &Path,
        settings: Settings,
        clock: &'a dyn Clock,
        stop: &'a Stop,
    ) -> Result<Desk<'a>, Trouble> {
        refuse_network(folder)?;
        let ledger = Ledger::open(&folder.join("ledger.db"))?;
        Ok(Desk {
            folder: folder.to_path_buf(),
            settings,
            ledger,
            clock,
            stop,
            elsewhere: None,
        })
    }

    /// Now.
    pub fn now(&self) -> Moment {
        self.clock.now()
    }

    /// Another connection to the same ledger, for reading while one writes.
    ///
    /// # Errors
    /// [`Trouble`] as for [`Ledger::open`].
    pub fn second_ledger(&self) -> Result<Ledger, Trouble> {
        Ledger::open(self.ledger.path())
    }

    /// Keeps a copy of the ledger, and of what it takes to go on with it, at each destination that
    /// is there.
    ///
    /// # Errors
    /// [`Trouble`] where it cannot be written.
    pub fn keep_ledger_copy(&self) -> Result<(), Trouble> {
        super::spare::keep(self)
    }
}

/// The ledger needs shared memory between processes; network mounts do not give that.
pub(super) fn refuse_network(folder: &Path) -> Result<(), Trouble> {
    let mount = MountTable::read().and_then(|table| table.of(folder));
    match mount {
        Ok(mount) if mount.is_network() => Err(Trouble::usage(
            "ledger-on-network",
            format!("the move folder {} is on a network mount ({})", folder.display(), mount.kind),
        )
        .mend("Keep the move folder on a disk of this machine; its ledger is copied to the destination by itself.")),
        _ => Ok(()),
    }
}

/// The name that this machine gives itself.
pub fn machine() -> String {
    read("/proc/sys/kernel/hostname")
}

/// This process, as the holder of a lease.
pub fn this_process(now: Moment) -> Lease {
    let host = read("/proc/sys/kernel/hostname");
    Lease {
        process: std::process::id(),
        started: started(std::process::id()),
        host,
        boot: boot(),
        since: now,
    }
}

/// Whether the holder of a lease still works. One on another machine cannot be seen: it counts as
/// alive.
pub fn is_alive(lease: &Lease) -> bool {
    let here = read("/proc/sys/kernel/hostname");
    if lease.host != here {
        return true;
    }
    let started = started(lease.process);
    lease.boot == boot() && !started.is_empty() && started == lease.started
}

fn boot() -> String {
    read("/proc/sys/kernel/random/boot_id")
}

/// Field 22 of proc_pid_stat(5): when the process started. The name in field 2 may hold blanks and
/// brackets, so fields are counted behind its last bracket. Empty where it works no more, though
/// nobody has asked for its end yet (state Z or X in field 3).
fn started(process: u32) -> String {
    let text = read(&format!("/proc/{process}/stat"));
    let rest = text.rsplit_once(')').map(|(_, rest)| rest).unwrap_or_default();
    let mut fields = rest.split_whitespace();
    match fields.next() {
        None | Some("Z" | "X" | "x") => String::new(),
        Some(_) => fields.nth(18).unwrap_or_default().to_string(),
    }
}

fn read(path: &str) -> String {
    std::fs::read_to_string(path)
        .unwrap_or_default()
        .trim()
        .to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Where nobody asks for the end of a killed process, as in a container without an init, it stays
    /// in the table for as long as that lasts.
    #[test]
    fn a_process_that_has_ended_holds_nothing_though_it_is_still_listed() {
        let mut child = std::process::Command::new("sleep")
            .arg("60")
            .spawn()
            .expect("sleep");
        let mut lease = this_process(Moment::default());
        lease.process = child.id();
        lease.started = started(child.id());
        assert!(is_alive(&lease));
        child.kill().expect("its end");
        let ended = (0..200).any(|_| {
            std::thread::sleep(std::time::Duration::from_millis(10));
            !is_alive(&lease)
        });
        assert!(ended && std::path::Path::new(&format!("/proc/{}/stat", child.id())).exists());
        child.wait().expect("asked for");
    }
}
