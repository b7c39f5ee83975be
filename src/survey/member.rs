//! Which project of a source something belongs to, and where it lies inside that project.

use crate::entry::{Entry, EntryKind, Named};
use crate::moment::{Moment, Year};
use crate::names::{RelPath, nearest, shown};
use crate::survey::ProjectKey;
use crate::survey::calendar::Calendar;
use crate::trouble::Trouble;
use chrono_tz::Tz;
use std::collections::BTreeSet;

/// To whom an entry belongs.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Owner {
    /// It is in this project, or is the project's folder itself.
    Project(ProjectKey),
    /// A folder above the project depth: it belongs to none.
    Above,
}

/// The rule of membership of one source.
#[derive(Debug, Clone)]
pub struct Membership {
    depth: usize,
    calendar: Calendar,
}

impl Membership {
    /// Folders at `depth` (1 or more; 0 counts as 1) are projects. `zone` and `now` decide the
    /// year of a loose file. Hand in the time of the scan, not of the day: a time that lies ahead
    /// becomes plausible later, and a file must not change its project in between.
    pub fn new(depth: usize, zone: Tz, now: Moment) -> Membership {
        Membership {
            depth: depth.max(1),
            calendar: Calendar::new(zone, now),
        }
    }

    /// The depth of project folders, 1 or more.
    pub fn depth(&self) -> usize {
        self.depth
    }

    /// The project all children of this folder belong to, where it lies at the project depth or
    /// below; the folder itself belongs to it too.
    pub fn project_of_folder(&self, folder: &RelPath) -> Option<ProjectKey> {
        folder.prefix(self.depth).map(ProjectKey::Folder)
    }

    /// To whom a child of `folder` belongs. A folder that could not be examined
    /// ([`EntryKind::Unknown`]) above or at the project depth counts as loose.
    pub fn owner(&self, folder: &RelPath, child: &Named) -> Owner {
        self.decide(folder, &child.entry, || folder.join(&child.name).ok())
    }

    /// The same of an entry by its whole path; the root belongs to none.
    pub fn owner_at(&self, path: &RelPath, entry: &Entry) -> Owner {
        match path.split() {
            Some((folder, _)) => self.decide(&folder, entry, || Some(path.clone())),
            None => Owner::Above,
        }
    }

    fn decide(&self, folder: &RelPath, entry: &Entry, path: impl FnOnce() -> Option<RelPath>) -> Owner {
        if let Some(key) = self.project_of_folder(folder) {
            return Owner::Project(key);
        }
        if entry.kind != EntryKind::Directory {
            return Owner::Project(self.loose(entry.mtime));
        }
        if folder.depth() + 1 < self.depth {
            return Owner::Above;
        }
        path().map_or(Owner::Above, |path| Owner::Project(ProjectKey::Folder(path)))
    }

    /// The loose project for a modification time.
    pub fn loose(&self, mtime: Moment) -> ProjectKey {
        ProjectKey::Loose(self.calendar.plausible_year(mtime))
    }
}

impl ProjectKey {
    /// The name shown and typed: the folder's path below the source, escaped; `loose-2017`.
    pub fn name(&self) -> String {
        match self {
            ProjectKey::Folder(path) => shown(path.as_bytes()),
            ProjectKey::Loose(Some(year)) => format!("loose-{year}"),
            ProjectKey::Loose(None) => "loose-undated".to_string(),
        }
    }

    /// What it is called at the destination, below the dataset's folder: the folder's path below
    /// the source; `loose-2017` for loose files, which keep their paths below that.
    pub fn folder_name(&self) -> RelPath {
        match self {
            ProjectKey::Folder(path) => path.clone(),
            // A fixed legal name: the fallback is never reached.
            loose => RelPath::new(loose.name()).unwrap_or_default(),
        }
    }

    /// The path inside the project of something at `path` on the source; the root for the
    /// project's own folder, `None` for what lies outside. Whether a loose file is of this year is
    /// [`Membership`]'s to say.
    pub fn inside(&self, path: &RelPath) -> Option<RelPath> {
        match self {
            ProjectKey::Folder(folder) => path.below(folder),
            ProjectKey::Loose(_) => Some(path.clone()),
        }
    }

    /// The path on the source of something inside the project: the inverse of
    /// [`ProjectKey::inside`].
    pub fn at_source(&self, inside: &RelPath) -> RelPath {
        match self {
            ProjectKey::Folder(folder) => folder.join_path(inside),
            ProjectKey::Loose(_) => inside.clone(),
        }
    }

    /// Reads [`ProjectKey::name`] of a loose project; any other text is `None`.
    pub fn parse_loose(text: &str) -> Option<ProjectKey> {
        let rest = text.strip_prefix("loose-")?;
        if rest == "undated" {
            return Some(ProjectKey::Loose(None));
        }
        if rest.len() != 4 || !rest.bytes().all(|b| b.is_ascii_digit()) {
            return None;
        }
        let year: u16 = rest.parse().ok()?;
        (year > 0).then_some(ProjectKey::Loose(Some(Year(year))))
    }

    /// The project of `known` that is meant by a typed name: as shown or as it is on disk, a slash
    /// at the end ignored. A folder goes before loose files of the same name.
    ///
    /// # Errors
    /// `no-such-project` with the nearest names.
    pub fn lookup<'a>(
        typed: &str,
        known: impl IntoIterator<Item = &'a ProjectKey>,
    ) -> Result<&'a ProjectKey, Trouble> {
        let wanted = typed.trim_end_matches('/');
        let known: Vec<&ProjectKey> = known.into_iter().collect();
        let raw =
            |key: &ProjectKey| matches!(key, ProjectKey::Folder(p) if p.as_bytes() == wanted.as_bytes());
        let by_bytes = known.iter().find(|key| raw(key));
        let mut by_name = known
            .iter()
            .filter(|key| key.name() == wanted)
            .collect::<Vec<_>>();
        by_name.sort();
        if let Some(found) = by_bytes.or(by_name.first().copied()) {
            return Ok(found);
        }
        // Two sources may hold projects of one name.
        let names: BTreeSet<String> = known.iter().map(|key| key.name()).collect();
        let near = nearest(wanted, names.iter().map(String::as_str), 3);
        let mend = if near.is_empty() {
            "This source has no projects; run scan first.".to_string()
        } else {
            format!("The nearest names are: {}.", near.join(", "))
        };
        Err(Trouble::usage(
            "no-such-project",
            format!("there is no project {}", shown(wanted.as_bytes())),
        )
        .mend(mend))
    }
}
