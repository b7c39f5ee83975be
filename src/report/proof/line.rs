//! The lines of a proof as JSON, and back with strict checks.

use super::Proven;
use crate::digest::Digest;
use crate::entry::EntryKind;
use crate::names::RelPath;
use crate::report::manifest::hex;
use crate::report::model::ReadHow;
use crate::report::sealed::{decimal, hash, moment, when};
use crate::units::Bytes;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde::{Deserialize, Serialize};

/// What stands for all files of a proof.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// The version of the document, [`super::FORMAT`].
    pub format: u32,
    /// Version of the tool that made it.
    pub version: String,
    /// When it was made, RFC 3339.
    pub made: String,
    /// The move it belongs to.
    pub move_id: String,
    /// The batch.
    pub batch: String,
    /// The dataset it fills.
    pub dataset: String,
    /// The source's folder, lossy where it is not UTF-8.
    pub source: String,
    /// The dataset's folder; paths of files are relative to it. Lossy where it is not UTF-8.
    pub destination: String,
    /// How far "copied" could be believed at the destination.
    pub durability: String,
    /// When files last got other names after the source, by a rename at the destination; RFC 3339.
    /// Content that was read back before that was read under an earlier name. `None`: never.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub renamed: Option<String>,
    /// What the user had settled.
    pub settings: Settings,
}

/// Settings that say what a proof is worth.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Ways of reading back that count.
    pub accept_read: Vec<String>,
    /// Facts that were compared beside content, size, kind and links.
    pub compared: Vec<String>,
}

/// One line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Facts {
    path: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    path_b64: Option<String>,
    kind: String,
    size: u64,
    mtime: String,
    blake3: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    sha256: Option<String>,
    source: Source,
    destination: Destination,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Source {
    ctime: String,
    read: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    read_again: Option<String>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Destination {
    read: String,
    how: String,
}

impl Facts {
    /// The line of one file.
    pub fn of(file: &Proven) -> Facts {
        let bytes = file.place.as_bytes();
        let utf8 = std::str::from_utf8(bytes).is_ok();
        Facts {
            path: file.place.lossy(),
            path_b64: (!utf8).then(|| STANDARD.encode(bytes)),
            kind: kind_word(file.kind).to_string(),
            size: file.size.0,
            mtime: decimal(file.mtime),
            blake3: file.blake3.to_string(),
            sha256: file.sha256.map(|hash| hex(&hash)),
            source: Source {
                ctime: decimal(file.source_ctime),
                read: file.source_read.rfc3339(chrono_tz::UTC),
                read_again: file.source_again.map(|at| at.rfc3339(chrono_tz::UTC)),
            },
            destination: Destination {
                read: file.read_back.0.rfc3339(chrono_tz::UTC),
                how: file.read_back.1.word().to_string(),
            },
        }
    }

    /// The file of one line.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn proven(&self) -> Result<Proven, &'static str> {
        let kind = [EntryKind::File, EntryKind::Symlink];
        let kind = kind.into_iter().find(|kind| kind_word(*kind) == self.kind);
        let how = ReadHow::ALL
            .into_iter()
            .find(|how| how.word() == self.destination.how);
        let again = match &self.source.read_again {
            Some(text) => Some(when(text)?),
            None => None,
        };
        Ok(Proven {
            place: self.place()?,
            kind: kind.ok_or("a kind that is neither file nor symlink")?,
            size: Bytes(self.size),
            mtime: moment(&self.mtime)?,
            source_ctime: moment(&self.source.ctime)?,
            blake3: Digest(hash(&self.blake3)?),
            sha256: match &self.sha256 {
                Some(text) => Some(hash(text)?),
                None => None,
            },
            source_read: when(&self.source.read)?,
            source_again: again,
            read_back: (
                when(&self.destination.read)?,
                how.ok_or("an unknown way of reading")?,
            ),
        })
    }

    fn place(&self) -> Result<RelPath, &'static str> {
        let place = match &self.path_b64 {
            None => RelPath::new(self.path.as_bytes()),
            Some(text) => RelPath::new(STANDARD.decode(text).map_err(|_| "path_b64 is no base64")?),
        };
        let place = place.map_err(|_| "a path that no file below a folder can have")?;
        let needs = std::str::from_utf8(place.as_bytes()).is_err();
        match place.lossy() == self.path && needs == self.path_b64.is_some() && !place.is_root() {
            true => Ok(place),
            false => Err("path and path_b64 do not belong together"),
        }
    }
}

fn kind_word(kind: EntryKind) -> &'static str {
    match kind {
        EntryKind::Symlink => "symlink",
        _ => "file",
    }
}
