//! The tables, as an ordered list of migrations: entries are added at the end, never changed,
//! reordered or removed. The database itself counts how many it has seen (`user_version`).

use rusqlite::{Connection, TransactionBehavior};

/// The migrations in order.
const MIGRATIONS: &[&str] = &[
    r#"
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE events (id INTEGER PRIMARY KEY, at NOT NULL, what TEXT NOT NULL, text TEXT NOT NULL);

-- Both ends and each dataset's folder: how their mounts are known again.
CREATE TABLE ends (
    role TEXT NOT NULL, name TEXT NOT NULL, path BLOB NOT NULL,
    kind TEXT NOT NULL, source TEXT NOT NULL, root TEXT NOT NULL, own_id TEXT,
    known TEXT NOT NULL, PRIMARY KEY (role, name)) WITHOUT ROWID;

CREATE TABLE indexes (
    digest BLOB PRIMARY KEY, source TEXT NOT NULL, file TEXT NOT NULL, scanned_at NOT NULL,
    finished_at NOT NULL, files INTEGER NOT NULL, bytes INTEGER NOT NULL, entries INTEGER NOT NULL);

CREATE TABLE plans (id INTEGER PRIMARY KEY, made_at NOT NULL, body TEXT NOT NULL);

-- One row a batch from its beginning on; waiting ones live in the plan alone.
CREATE TABLE batches (
    id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, dataset TEXT NOT NULL, source TEXT NOT NULL,
    destination TEXT NOT NULL, digest BLOB NOT NULL, state TEXT NOT NULL, begun_at NOT NULL,
    copied_at, verified_at, released_at, body TEXT NOT NULL);
CREATE TABLE holds (batch TEXT PRIMARY KEY, until) WITHOUT ROWID;
CREATE TABLE leases (
    batch TEXT PRIMARY KEY, process INTEGER NOT NULL, started TEXT NOT NULL, host TEXT NOT NULL,
    boot TEXT NOT NULL, since NOT NULL) WITHOUT ROWID;

-- Folders by number. The root of a dataset has parent 0 and the dataset's name.
CREATE TABLE folders (id INTEGER PRIMARY KEY, parent INTEGER NOT NULL, name BLOB NOT NULL,
    UNIQUE (parent, name));

-- One row a file or symlink that is durable at its place. `link` marks further names of a file.
CREATE TABLE files (
    batch INTEGER NOT NULL, folder INTEGER NOT NULL, name BLOB NOT NULL, kind INTEGER NOT NULL,
    size INTEGER NOT NULL, inode INTEGER NOT NULL, mtime NOT NULL, ctime NOT NULL,
    placed_inode INTEGER NOT NULL, placed_mtime, placed_ctime NOT NULL,
    hash BLOB NOT NULL, copied_at INTEGER NOT NULL, how INTEGER NOT NULL, verified_at INTEGER,
    PRIMARY KEY (batch, folder, name)) WITHOUT ROWID;

-- Chaining values of files of more than one block, 32 bytes each.
CREATE TABLE blocks (batch INTEGER NOT NULL, folder INTEGER NOT NULL, name BLOB NOT NULL,
    kept BLOB NOT NULL, PRIMARY KEY (batch, folder, name)) WITHOUT ROWID;

-- Source inodes with several names, by the dataset they were placed in.
CREATE TABLE linked (dataset TEXT NOT NULL, source TEXT NOT NULL, inode INTEGER NOT NULL,
    batch INTEGER NOT NULL, folder INTEGER NOT NULL, name BLOB NOT NULL,
    PRIMARY KEY (dataset, source, inode)) WITHOUT ROWID;

-- What a copy is about to do; gone once it is recorded in `files`.
CREATE TABLE intents (
    id INTEGER PRIMARY KEY, batch INTEGER NOT NULL, folder INTEGER NOT NULL, name BLOB NOT NULL,
    staged BLOB NOT NULL, replaces INTEGER NOT NULL, size INTEGER NOT NULL, inode INTEGER NOT NULL,
    mtime NOT NULL, ctime NOT NULL, placed_inode INTEGER, hash BLOB, done INTEGER NOT NULL, kept BLOB);
CREATE INDEX intents_by_batch ON intents (batch);

CREATE TABLE failures (batch INTEGER NOT NULL, path BLOB NOT NULL, code TEXT NOT NULL,
    text TEXT NOT NULL, bytes INTEGER NOT NULL, at NOT NULL, PRIMARY KEY (batch, path)) WITHOUT ROWID;
CREATE TABLE losses (batch INTEGER NOT NULL, kind TEXT NOT NULL, path BLOB NOT NULL, why TEXT NOT NULL,
    PRIMARY KEY (batch, kind, path)) WITHOUT ROWID;
CREATE TABLE differences (batch INTEGER NOT NULL, path BLOB NOT NULL, kind TEXT NOT NULL,
    ranges TEXT NOT NULL, blocking INTEGER NOT NULL, at NOT NULL,
    PRIMARY KEY (batch, path, kind)) WITHOUT ROWID;
CREATE TABLE samples (id INTEGER PRIMARY KEY, batch TEXT NOT NULL, source TEXT NOT NULL,
    task TEXT NOT NULL, at NOT NULL, files INTEGER NOT NULL, bytes INTEGER NOT NULL,
    small_files INTEGER NOT NULL, small_bytes INTEGER NOT NULL, micros INTEGER NOT NULL,
    streams INTEGER NOT NULL);
CREATE TABLE accepted (batch TEXT NOT NULL, code TEXT NOT NULL, count INTEGER NOT NULL, at NOT NULL,
    PRIMARY KEY (batch, code)) WITHOUT ROWID;
CREATE TABLE sheets (batch TEXT PRIMARY KEY, at NOT NULL, file TEXT NOT NULL, hash BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE restores (id INTEGER PRIMARY KEY, at NOT NULL, path BLOB NOT NULL, files INTEGER NOT NULL,
    bytes INTEGER NOT NULL);
"#,
    r#"
-- What was read of files at a source, by their identity. `path` is empty where the inode names the
-- file, else it stands for the path; `place` is the source and the identity of its mount.
CREATE TABLE content (
    place TEXT NOT NULL, inode INTEGER NOT NULL, path BLOB NOT NULL, size INTEGER NOT NULL,
    mtime NOT NULL, ctime NOT NULL, sample BLOB, whole BLOB, header INTEGER, header_at,
    read_at NOT NULL, PRIMARY KEY (place, inode, path)) WITHOUT ROWID;
"#,
    r#"
-- What a batch of later files brings: entries that no earlier batch holds as they are now.
CREATE TABLE late (batch INTEGER NOT NULL, folder INTEGER NOT NULL, name BLOB NOT NULL,
    PRIMARY KEY (batch, folder, name)) WITHOUT ROWID;
CREATE INDEX late_by_place ON late (folder, name);
-- Records that a newer one of a later batch has taken the place of.
CREATE TABLE superseded (batch INTEGER NOT NULL, folder INTEGER NOT NULL, name BLOB NOT NULL,
    kind INTEGER NOT NULL, size INTEGER NOT NULL, hash BLOB NOT NULL, taken_by INTEGER NOT NULL,
    PRIMARY KEY (batch, folder, name)) WITHOUT ROWID;
"#,
    r#"
-- What each dataset's folder promises: how far a sync can be believed, how names are given.
CREATE TABLE promises (dataset TEXT PRIMARY KEY, class TEXT NOT NULL, publish TEXT NOT NULL,
    sync_reaches INTEGER NOT NULL, at NOT NULL) WITHOUT ROWID;
"#,
    r#"
-- Files that are being written into in place; gone once what they have become is recorded.
CREATE TABLE repairs (batch INTEGER NOT NULL, folder INTEGER NOT NULL, name BLOB NOT NULL,
    ranges TEXT NOT NULL, PRIMARY KEY (batch, folder, name)) WITHOUT ROWID;
-- Files whose source gave different bytes at two readings.
CREATE TABLE disagreements (batch INTEGER NOT NULL, path BLOB NOT NULL, at NOT NULL,
    PRIMARY KEY (batch, path)) WITHOUT ROWID;

-- Extended attributes that were set and kept, of files and folders: the names once, a hash each.
CREATE TABLE attribute_names (id INTEGER PRIMARY KEY, names BLOB NOT NULL UNIQUE);
CREATE TABLE attributes (batch INTEGER NOT NULL, folder INTEGER NOT NULL, name BLOB NOT NULL,
    names INTEGER NOT NULL, hash BLOB NOT NULL, PRIMARY KEY (batch, folder, name)) WITHOUT ROWID;

-- What a staged file has kept and lost, for a crash between its publishing and its record.
ALTER TABLE intents ADD COLUMN losses TEXT;
ALTER TABLE intents ADD COLUMN attribute_names BLOB;
ALTER TABLE intents ADD COLUMN attribute_hash BLOB;
"#,
    r#"
-- Two reads of one source file that differed although it had not changed. Rows are only added.
CREATE TABLE read_disagreements (
    id INTEGER PRIMARY KEY, source TEXT NOT NULL, batch INTEGER NOT NULL, path BLOB NOT NULL,
    inode INTEGER NOT NULL, size INTEGER NOT NULL, mtime NOT NULL, ctime NOT NULL,
    earlier BLOB NOT NULL, later BLOB NOT NULL, ranges TEXT NOT NULL, at NOT NULL,
    settled_by TEXT NOT NULL);
"#,
    r#"
-- Folders of ours that are about to get another name at the destination, because their project got
-- one at the source; gone once all that is recorded of them has the new name.
CREATE TABLE follows (
    id INTEGER PRIMARY KEY, dataset TEXT NOT NULL, source TEXT NOT NULL,
    old_key BLOB NOT NULL, new_key BLOB NOT NULL, old_place BLOB NOT NULL, new_place BLOB NOT NULL,
    aside BLOB NOT NULL, inode INTEGER NOT NULL, files INTEGER NOT NULL, bytes INTEGER NOT NULL);
"#,
    r#"
-- What probes have measured. `role` is source, destination or machine; rates in bytes a second,
-- costs in nanoseconds a file, NULL where nothing could be measured.
CREATE TABLE probes (id INTEGER PRIMARY KEY, at NOT NULL, role TEXT NOT NULL, name TEXT NOT NULL,
    read_rate INTEGER, write_rate INTEGER, read_cost INTEGER, write_cost INTEGER, hash_rate INTEGER,
    read_how TEXT NOT NULL, durability TEXT NOT NULL, keeps TEXT NOT NULL, lacks TEXT NOT NULL);
-- What was forecast of a batch when it began, in microseconds of work, and the work done since.
CREATE TABLE foretold (batch TEXT PRIMARY KEY, at NOT NULL, low INTEGER NOT NULL, likely INTEGER NOT NULL,
    high INTEGER NOT NULL, end_low, end_likely, end_high, basis TEXT NOT NULL,
    taken INTEGER NOT NULL) WITHOUT ROWID;
"#,
    r#"
-- Projects and loose files of a source that are set aside, or were: where they lay, the folder
-- beside it that holds them, and what is being done to them.
CREATE TABLE asides (
    id INTEGER PRIMARY KEY, source TEXT NOT NULL, path BLOB NOT NULL, aside BLOB NOT NULL,
    batch TEXT NOT NULL, inode INTEGER NOT NULL, state TEXT NOT NULL, at NOT NULL);
CREATE UNIQUE INDEX asides_open ON asides (source, path)
    WHERE state IN ('going', 'aside', 'returning', 'emptying');
-- Files and symlinks that were removed at a source; what they were stands in `files`.
CREATE TABLE removed (batch INTEGER NOT NULL, folder INTEGER NOT NULL, name BLOB NOT NULL, at NOT NULL,
    PRIMARY KEY (batch, folder, name)) WITHOUT ROWID;
"#,
    r#"
-- What is known of a file beside its record; it counts only for the content of that hash.
CREATE TABLE beside (batch INTEGER NOT NULL, folder INTEGER NOT NULL, name BLOB NOT NULL,
    content BLOB NOT NULL, sha256 BLOB, source_again INTEGER, listed INTEGER,
    PRIMARY KEY (batch, folder, name)) WITHOUT ROWID;
-- The sealed proof file that stands for a batch.
CREATE TABLE proofs (batch INTEGER PRIMARY KEY, at NOT NULL, file TEXT NOT NULL, hash BLOB NOT NULL);
-- What the disks behind a destination delivered while a batch was read back.
CREATE TABLE witnessed (batch INTEGER NOT NULL, at NOT NULL, due INTEGER NOT NULL, delivered INTEGER,
    why TEXT, PRIMARY KEY (batch, at)) WITHOUT ROWID;
-- Check files found among the files of a batch, and what their lines came to.
CREATE TABLE check_files (batch INTEGER NOT NULL, path BLOB NOT NULL, mtime NOT NULL, same INTEGER NOT NULL,
    differing BLOB NOT NULL, absent INTEGER NOT NULL, uncompared INTEGER NOT NULL, unread INTEGER NOT NULL,
    PRIMARY KEY (batch, path)) WITHOUT ROWID;
"#,
    r#"
-- Rounds of fixity: each reads every file of a dataset once more, in slices. `due` in millionths.
CREATE TABLE fixity_rounds (
    id INTEGER PRIMARY KEY, dataset TEXT NOT NULL, began_at NOT NULL, ended_at, due INTEGER NOT NULL,
    slice INTEGER NOT NULL, open INTEGER NOT NULL, files INTEGER NOT NULL, bytes INTEGER NOT NULL,
    how TEXT);
CREATE INDEX fixity_rounds_by_dataset ON fixity_rounds (dataset, id);
-- The last file of a batch that a round has read, in the order of `files`.
CREATE TABLE fixity_marks (round INTEGER NOT NULL, batch INTEGER NOT NULL, folder INTEGER NOT NULL,
    name BLOB NOT NULL, at NOT NULL, PRIMARY KEY (round, batch)) WITHOUT ROWID;
-- What a round has found; `attributes` says whether the ctime is another too.
CREATE TABLE fixity_found (round INTEGER NOT NULL, path BLOB NOT NULL, kind TEXT NOT NULL,
    ranges TEXT NOT NULL, attributes INTEGER NOT NULL, slice INTEGER NOT NULL, at NOT NULL,
    PRIMARY KEY (round, path, kind)) WITHOUT ROWID;
"#,
    r#"
-- Files of ours that are about to get another place in their dataset, because they got one at the
-- source; gone once all that is recorded of them has the new place.
CREATE TABLE moves (
    id INTEGER PRIMARY KEY, dataset TEXT NOT NULL, source TEXT NOT NULL, old_place BLOB NOT NULL,
    new_place BLOB NOT NULL, source_inode INTEGER NOT NULL, inode INTEGER NOT NULL, size INTEGER NOT NULL,
    mtime NOT NULL, ctime NOT NULL);
-- Folders that are made for them, left empty by them, or change their time by them, with their paths
-- at the source.
CREATE TABLE move_folders (
    id INTEGER PRIMARY KEY, dataset TEXT NOT NULL, source TEXT NOT NULL, key BLOB NOT NULL,
    place BLOB NOT NULL, what TEXT NOT NULL);
-- The indexes with the new places, by batch.
CREATE TABLE move_ends (
    batch INTEGER PRIMARY KEY, dataset TEXT NOT NULL, source TEXT NOT NULL, digest BLOB NOT NULL);
-- When files of a batch have last got other names after they were recorded, and whether a proof with
-- these is still to be written.
CREATE TABLE renames (batch INTEGER PRIMARY KEY, at NOT NULL, due INTEGER NOT NULL);
"#,
    r#"
-- Files whose content at the source is known to be another than the one recorded with hash
-- `content`, though size and times do not tell.
CREATE TABLE edits (folder INTEGER NOT NULL, name BLOB NOT NULL, content BLOB NOT NULL, now BLOB NOT NULL,
    at NOT NULL, PRIMARY KEY (folder, name)) WITHOUT ROWID;
"#,
    r#"
-- What other machines were asked to do, one row a document: `hash` is BLAKE3 of all its bytes,
-- `listed` one over the files it lists, `digest` the index they come from.
CREATE TABLE waybills (
    id INTEGER PRIMARY KEY, batch TEXT NOT NULL, task TEXT NOT NULL, hash BLOB NOT NULL,
    listed BLOB NOT NULL, digest BLOB NOT NULL, written_at NOT NULL, state TEXT NOT NULL,
    settled_at, receipt BLOB, machine TEXT);
CREATE UNIQUE INDEX waybills_out ON waybills (batch, task) WHERE state = 'out';
"#,
    r#"
-- Whether the gate was shut when the sheet was written: no waiting counts from such a one.
ALTER TABLE sheets ADD COLUMN shut INTEGER NOT NULL DEFAULT 0;
"#,
];

/// The version this program writes.
pub(super) const NEWEST: i64 = MIGRATIONS.len() as i64;

/// How many migrations a database has seen.
pub(super) fn version(db: &Connection) -> rusqlite::Result<i64> {
    db.pragma_query_value(None, "user_version", |row| row.get(0))
}

/// Applies what is missing, all of it or nothing.
pub(super) fn migrate(db: &mut Connection) -> rusqlite::Result<()> {
    if version(db)? == NEWEST {
        return Ok(());
    }
    let transaction = db.transaction_with_behavior(TransactionBehavior::Exclusive)?;
    // Asked again inside: another process may have been faster.
    let seen = usize::try_from(version(&transaction)?).unwrap_or(0);
    for step in MIGRATIONS.iter().skip(seen) {
        transaction.execute_batch(step)?;
    }
    transaction.pragma_update(None, "user_version", NEWEST)?;
    transaction.commit()
}
