//! Extended attributes that were set and kept: which, and one hash over them. A file or folder
//! without any takes no row; the names, alike for most files, are kept once.

use super::codec;
use super::{Ledger, files};
use crate::digest::Digest;
use crate::names::RelPath;
use crate::trouble::Trouble;
use crate::world::Xattr;
use rusqlite::{Connection, OptionalExtension};

/// The attributes of one file or folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Attributes {
    /// Their names in byte order; at least one.
    pub names: Vec<Vec<u8>>,
    /// BLAKE3 over name, size and hash of each, in byte order of the names.
    pub hash: Digest,
}

impl Attributes {
    /// Of these attributes; `None` for none.
    pub fn of(xattrs: &[Xattr]) -> Option<Attributes> {
        let mut sorted: Vec<&Xattr> = xattrs.iter().collect();
        sorted.sort();
        let mut hasher = blake3::Hasher::new();
        for one in &sorted {
            // Lengths first, so that no two lists run together to the same bytes.
            hasher.update(&(one.name.len() as u64).to_le_bytes());
            hasher.update(&one.name);
            hasher.update(&(one.value.len() as u64).to_le_bytes());
            hasher.update(&Digest::of(&one.value).0);
        }
        let names: Vec<Vec<u8>> = sorted.iter().map(|one| one.name.clone()).collect();
        let hash = Digest(*hasher.finalize().as_bytes());
        (!names.is_empty()).then_some(Attributes { names, hash })
    }

    /// Whether these are still there as they were, whatever else has come: an end may add
    /// attributes of its own, a security label for one.
    pub fn hold_in(&self, found: &[Xattr]) -> bool {
        let mine: Vec<Xattr> = found
            .iter()
            .filter(|one| self.names.contains(&one.name))
            .cloned()
            .collect();
        Attributes::of(&mine).as_ref() == Some(self)
    }

    pub(super) fn names_bytes(&self) -> Vec<u8> {
        // A name of an attribute holds no NUL.
        self.names.join(&0)
    }

    pub(super) fn from_parts(names: &[u8], hash: Digest) -> Attributes {
        Attributes {
            names: names.split(|b| *b == 0).map(<[u8]>::to_vec).collect(),
            hash,
        }
    }
}

/// Writes, or with `None` removes, what is kept of one place, inside a transaction.
pub(super) fn put(
    db: &Connection,
    batch: i64,
    dataset: &str,
    place: &RelPath,
    attributes: Option<&Attributes>,
) -> rusqlite::Result<()> {
    let Some((folder, name)) = place.split() else {
        return Ok(());
    };
    let folder = files::folder_id(db, dataset, &folder)?;
    let Some(attributes) = attributes else {
        let sql = "DELETE FROM attributes WHERE batch = ?1 AND folder = ?2 AND name = ?3";
        return db.prepare_cached(sql)?.execute((batch, folder, name)).map(|_| ());
    };
    let names = attributes.names_bytes();
    let find = "SELECT id FROM attribute_names WHERE names = ?1";
    let known = db
        .prepare_cached(find)?
        .query_row([&names], |row| row.get::<_, i64>(0))
        .optional()?;
    let set = match known {
        Some(set) => set,
        None => db
            .prepare_cached("INSERT INTO attribute_names (names) VALUES (?1)")?
            .insert([&names])?,
    };
    let sql = "INSERT OR REPLACE INTO attributes VALUES (?1, ?2, ?3, ?4, ?5)";
    db.prepare_cached(sql)?
        .execute((batch, folder, name, set, attributes.hash.0))
        .map(|_| ())
}

impl Ledger {
    /// Whether any attributes are kept of a batch: most archives have none, and need no questions.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn has_attributes(&self, batch: i64) -> Result<bool, Trouble> {
        let sql = "SELECT 1 FROM attributes WHERE batch = ?1 LIMIT 1";
        Ok(!self.rows(sql, [batch], |row| row.get::<_, i64>(0))?.is_empty())
    }

    /// The attributes kept of one file or folder.
    ///
    /// # Errors
    /// [`Trouble`] where the ledger cannot be read.
    pub fn attributes_at(
        &self,
        batch: i64,
        dataset: &str,
        place: &RelPath,
    ) -> Result<Option<Attributes>, Trouble> {
        let Some((folder, name)) = place.split() else {
            return Ok(None);
        };
        let found = files::find_folder(&self.db, dataset, &folder).map_err(|e| self.trouble(&e))?;
        let Some(id) = found else {
            return Ok(None);
        };
        let sql = "SELECT attribute_names.names, hash FROM attributes \
                   JOIN attribute_names ON attribute_names.id = attributes.names \
                   WHERE batch = ?1 AND folder = ?2 AND name = ?3";
        let rows = self.rows(sql, (batch, id, name), |row| {
            Ok(Attributes::from_parts(
                &row.get::<_, Vec<u8>>(0)?,
                codec::digest(row, 1)?,
            ))
        })?;
        Ok(rows.into_iter().next())
    }
}
