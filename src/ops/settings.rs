//! What `move.toml` says, as values. Reading and writing the file is `cli`'s.

use crate::forecast::link::RunsOn;
use crate::forecast::windows::Windows;
use crate::names::{RelPath, SourceName};
use crate::plan::{After, By, Order, Rename, Tag};
use crate::survey::exclude::ExcludeRules;
use crate::units::{Bytes, LinkSpeed, Rate};
use crate::world::ReadHow;
use std::path::PathBuf;

/// Everything the user has settled.
#[derive(Debug, Clone)]
pub struct Settings {
    /// At least one.
    pub sources: Vec<SourceSettings>,
    /// At least one; the first takes what no tag sends elsewhere.
    pub destinations: Vec<DestinationSettings>,
    /// Speed of the link; `None`: not told, measured or assumed.
    pub link: Option<LinkSpeed>,
    /// Largest frame on the link, in bytes.
    pub mtu: u32,
    /// Where Poolward runs.
    pub runs_on: RunsOn,
    /// Hours, dates and the zone they are told in.
    pub windows: Windows,
    /// Whether a batch may go on in the next window.
    pub spanning: bool,
    /// When `run` scans again: `daily` or `never`.
    pub rescan: String,
    /// A project with a file younger than this many days is in use.
    pub quiet_days: u32,
    /// What a dataset stands for.
    pub by: By,
    /// Largest batch.
    pub batch_max: Bytes,
    /// Smallest batch.
    pub batch_min: Bytes,
    /// Which batches come first.
    pub order: Order,
    /// The user's rules.
    pub tags: Vec<Tag>,
    /// Names to be changed on the way.
    pub renames: Vec<Rename>,
    /// Permissions to be set instead of carried.
    pub permissions: PermissionWords,
    /// What is left out.
    pub exclude: ExcludeRules,
    /// Copy streams; `None`: chosen by Poolward.
    pub streams: Option<usize>,
    /// Whether to slow down when the source is busy.
    pub yield_to_others: bool,
    /// Most streams for large files.
    pub streams_large_max: usize,
    /// Where the second copy is; empty: not declared.
    pub second_copy: String,
    /// Days between the release sheet and a removal.
    pub waiting_days: u32,
    /// Days that removed projects stay aside.
    pub hold_days: u32,
    /// Ways of reading back that count as proof.
    pub accept_read: Vec<ReadHow>,
    /// What is run on an event.
    pub notify: Vec<String>,
    /// Whether to keep a folder of links that looks like the old share.
    pub view_flat: bool,
}

/// Permissions that are set instead of carried, as written: names are looked up where they are set.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct PermissionWords {
    /// Name or number of the owner.
    pub user: Option<String>,
    /// Name or number of the group.
    pub group: Option<String>,
    /// Permission bits of directories (07777).
    pub directories: Option<u32>,
    /// Permission bits of files (07777).
    pub files: Option<u32>,
}

/// One source.
#[derive(Debug, Clone)]
pub struct SourceSettings {
    /// Its name.
    pub name: SourceName,
    /// Its root.
    pub path: PathBuf,
    /// Folders at this depth are projects.
    pub project_depth: usize,
    /// Extra folder at the destination.
    pub under: RelPath,
    /// Folders below which another file system may be entered.
    pub cross: Vec<RelPath>,
    /// Speed of its own port, where it differs from the link.
    pub link: Option<LinkSpeed>,
    /// How fast it reads, where the user knows.
    pub read_rate: Option<Rate>,
    /// Speed of an emulated network adapter on its side.
    pub emulated_adapter: Option<LinkSpeed>,
    /// Largest volume it can have.
    pub volume_limit: Option<Bytes>,
}

/// One destination.
#[derive(Debug, Clone)]
pub struct DestinationSettings {
    /// Its name.
    pub name: String,
    /// Its folder.
    pub path: PathBuf,
    /// Parent dataset; `None`: plain folders.
    pub dataset: Option<String>,
    /// Layout of its pool, as written.
    pub layout: Option<String>,
    /// Size of one disk; of the smallest where they differ.
    pub disk_size: Option<Bytes>,
    /// All sizes that were told.
    pub disk_sizes: Vec<Bytes>,
    /// Sector size as a power of two.
    pub ashift: Option<u8>,
    /// Percentage that is not to be passed.
    pub fill_limit: u8,
    /// Space that stays free; `None`: 200 GB, or a twentieth of a small destination.
    pub reserve: Option<Bytes>,
    /// Free space, where the client's view of it lies.
    pub free: Option<Bytes>,
    /// Facts this destination cannot keep: `owner`, `mode`, `time`, `xattr`, `acl`.
    pub accept: Vec<String>,
    /// What has to be over before it has its disks; `None`: it is there.
    pub after: Option<After>,
    /// Layout it then grows to, as written; `None`: all of it is there only then.
    pub grows_to: Option<String>,
    /// Whether it may lie on the disk the system runs from.
    pub root_disk: bool,
}

impl DestinationSettings {
    /// Whether there is nothing of it before other batches are over.
    pub fn is_late(&self) -> bool {
        self.after.is_some() && self.grows_to.is_none()
    }
}

impl Settings {
    /// A source by its name.
    pub fn source(&self, name: &str) -> Option<&SourceSettings> {
        self.sources.iter().find(|source| source.name.0 == name)
    }

    /// A destination by its name.
    pub fn destination(&self, name: &str) -> Option<&DestinationSettings> {
        self.destinations
            .iter()
            .find(|destination| destination.name == name)
    }
}
