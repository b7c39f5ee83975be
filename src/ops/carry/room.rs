//! Where the work of a waybill lies: the receipt, and beside it the folder with its own ledger.

use super::bill::Bill;
use super::{Request, receipt};
use crate::forecast::link::RunsOn;
use crate::forecast::windows::Windows;
use crate::index::InodeClass;
use crate::ledger::Ledger;
use crate::names::SourceName;
use crate::ops::desk::{Desk, Elsewhere, refuse_network};
use crate::ops::settings::{DestinationSettings, PermissionWords, Settings, SourceSettings};
use crate::plan::{By, Order};
use crate::report::waybill::Owned;
use crate::survey::exclude::ExcludeRules;
use crate::trouble::Trouble;
use crate::units::{Bytes, Rate};
use crate::world::{Clock, OsFs, Stop};
use std::path::{Path, PathBuf};

/// The key of the ledger under which the waybill's hash stands once all of it is taken in.
pub(super) const TAKEN_IN: &str = "waybill";
/// The same from the beginning on: nothing of another waybill may be mixed in.
const BEGUN: &str = "waybill-begun";
/// Under which the time of the first run stands.
pub(super) const STARTED: &str = "carry-started";

/// The files of one piece of work.
#[derive(Debug, Clone)]
pub(super) struct Room {
    pub receipt: PathBuf,
    pub work: PathBuf,
}

impl Room {
    /// Where they are to lie. An older receipt is replaced only by one to the same waybill, and only
    /// while its work is still there.
    pub fn find(request: &Request, bill: &Bill) -> Result<Room, Trouble> {
        // Called like the waybill: a later one of the same task has a name of its own.
        let own = request.waybill.file_name().map(Path::new);
        let own = own.filter(|own| own.extension().is_some_and(|end| end == "waybill"));
        let name = match own.and_then(Path::file_stem) {
            Some(stem) => stem.to_os_string(),
            None => format!("{}.{}", bill.head.batch, bill.head.task.word()).into(),
        };
        let name = Path::new(&with_suffix(Path::new(&name), ".receipt")).to_path_buf();
        let receipt = match &request.out {
            None => request.waybill.with_file_name(name),
            Some(out) if out.is_dir() => out.join(name),
            Some(out) => out.clone(),
        };
        let work = match receipt.extension() {
            Some(end) if end == "receipt" => receipt.with_extension("carry"),
            _ => with_suffix(&receipt, ".carry"),
        };
        let room = Room { receipt, work };
        if room.receipt == request.waybill || !room.receipt.parent().is_some_and(Path::is_dir) {
            let text = format!("the receipt cannot lie at {}", room.receipt.display());
            return Err(Trouble::usage("bad-path", text).mend("Name a file or folder for it with --out."));
        }
        room.refuse_other_receipt(bill)?;
        Ok(room)
    }

    fn refuse_other_receipt(&self, bill: &Bill) -> Result<(), Trouble> {
        let shown = self.receipt.display();
        if self.receipt.symlink_metadata().is_err() {
            return Ok(());
        }
        match receipt::read(&self.receipt, bill) {
            Ok(_) if self.work.is_dir() => Ok(()),
            Ok(_) => Err(Trouble::usage(
                "already-carried",
                format!("the receipt {shown} answers this waybill already, and its work folder is gone"),
            )
            .mend("Absorb it at home. To do the work anew, move it away first.")),
            Err(trouble) => Err(Trouble::usage(
                "receipt-in-the-way",
                format!("{shown} is no receipt to this waybill: {}", trouble.text),
            )
            .mend("Move it away, or name another file or folder with --out.")),
        }
    }

    /// Opens the work, or what an earlier run has left of it.
    pub fn open<'a>(
        &self,
        request: &Request,
        bill: &Bill,
        clock: &'a dyn Clock,
        stop: &'a Stop,
    ) -> Result<Desk<'a>, Trouble> {
        let parent = self.work.parent().unwrap_or(Path::new("/"));
        refuse_network(parent)?;
        let denied = |e: std::io::Error| {
            let text = format!("cannot make the work folder {}: {e}", self.work.display());
            Trouble::stopped("folder-denied", text).mend("Name a folder you may write to with --out.")
        };
        std::fs::create_dir_all(self.work.join("indexes")).map_err(denied)?;
        let path = self.work.join("ledger.db");
        let now = clock.now();
        let ledger = match path.exists() {
            true => Ledger::open(&path)?,
            false => Ledger::create(&path, &bill.head.move_id, now)?,
        };
        // One that was killed at its very beginning has no number yet.
        ledger.set_meta("move-id", &bill.head.move_id)?;
        if ledger.meta(STARTED)?.is_none() {
            ledger.set_meta(STARTED, &now.seconds.to_string())?;
        }
        Ok(Desk {
            folder: self.work.clone(),
            settings: settings(request, bill),
            ledger,
            clock,
            stop,
            elsewhere: Some(Elsewhere {
                inodes: same_numbers(request, bill),
            }),
        })
    }

    /// Makes the work that of this waybill. Asked by its one writer, before anything is taken in.
    pub fn claim(&self, desk: &Desk<'_>, bill: &Bill) -> Result<(), Trouble> {
        let hash = bill.hash.to_string();
        if desk.ledger.meta(BEGUN)?.is_some_and(|begun| begun != hash) {
            let text = format!("{} holds the work of another waybill", self.work.display());
            return Err(Trouble::usage("receipt-in-the-way", text)
                .mend("Move it away once its receipt is absorbed, or name another place with --out."));
        }
        desk.ledger.set_meta(BEGUN, &hash)
    }
}

/// Whether inode numbers here are those of the index: a mount of another kind numbers by its own rule.
fn same_numbers(request: &Request, bill: &Bill) -> bool {
    let here = request.source.as_ref().and_then(|path| OsFs::open(path).ok());
    bill.inodes == InodeClass::Stable && here.is_some_and(|fs| fs.mount().kind == bill.head.source.mount)
}

fn with_suffix(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

/// What the waybill says is settled; what it does not say is at its usual value. When to work is for
/// the owner of this machine to decide, so that there are no windows.
fn settings(request: &Request, bill: &Bill) -> Settings {
    let head = &bill.head;
    Settings {
        sources: vec![source(request, bill)],
        destinations: vec![destination(request, bill)],
        link: None,
        mtu: 1500,
        runs_on: RunsOn::Between,
        windows: Windows::always(bill.zone),
        spanning: true,
        rescan: "never".into(),
        quiet_days: 0,
        by: By::Year,
        batch_max: Bytes(u64::MAX),
        batch_min: Bytes::ZERO,
        order: Order::OldestFirst,
        tags: Vec::new(),
        renames: bill.renames.clone(),
        permissions: permissions(&head.settings.permissions),
        // What is left out stands not in the slice.
        exclude: ExcludeRules {
            names: Vec::new(),
            snapshots: false,
            recycle: false,
            thumbnails: false,
        },
        streams: head
            .settings
            .streams
            .map(|streams| streams.clamp(1, 256) as usize),
        yield_to_others: false,
        streams_large_max: head.settings.streams_large_max.clamp(1, 256) as usize,
        second_copy: String::new(),
        waiting_days: 0,
        hold_days: 0,
        accept_read: bill.accept_read.clone(),
        notify: Vec::new(),
        view_flat: false,
    }
}

/// Numbers as they were looked up at home: names may mean others here.
fn permissions(owned: &Owned) -> PermissionWords {
    PermissionWords {
        user: owned.uid.map(|id| id.to_string()),
        group: owned.gid.map(|id| id.to_string()),
        directories: owned.directories,
        files: owned.files,
    }
}

fn source(request: &Request, bill: &Bill) -> SourceSettings {
    let origin = &bill.head.source;
    SourceSettings {
        name: SourceName(origin.name.clone()),
        path: request.source.clone().unwrap_or_default(),
        project_depth: origin.project_depth as usize,
        under: origin.under.clone(),
        cross: Vec::new(),
        link: None,
        read_rate: None::<Rate>,
        emulated_adapter: None,
        volume_limit: None,
    }
}

fn destination(request: &Request, bill: &Bill) -> DestinationSettings {
    let goal = &bill.head.destination;
    DestinationSettings {
        name: goal.name.clone(),
        path: request.destination.clone().unwrap_or_default(),
        dataset: goal.dataset.clone(),
        layout: None,
        disk_size: None,
        disk_sizes: Vec::new(),
        ashift: None,
        fill_limit: 100,
        reserve: goal.reserve.map(Bytes),
        free: None,
        accept: goal.accept.clone(),
        after: None,
        grows_to: None,
        root_disk: goal.root_disk,
    }
}
