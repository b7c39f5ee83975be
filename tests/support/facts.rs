//! What a tree on disk consists of, so that two can be compared.

use std::fmt;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::Path;

/// One entry of a tree. Times of folders count, sizes of folders do not: they are the file system's.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Fact {
    /// Below the root, with bytes that are not printable ASCII escaped.
    pub path: String,
    /// `file`, `folder`, `link`, `pipe` or `other`.
    pub kind: &'static str,
    /// Bytes; 0 where it is no file.
    pub size: u64,
    /// Permission bits; 0 for a link, which has none of its own.
    pub mode: u32,
    /// Nanoseconds since 1970.
    pub mtime: i128,
    /// Where a link leads, escaped as `path`.
    pub target: String,
    /// BLAKE3 of a file's content, empty for all else.
    pub hash: String,
}

impl fmt::Debug for Fact {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Fact {
            path,
            kind,
            size,
            mode,
            mtime,
            target,
            hash,
        } = self;
        write!(
            f,
            "{path} {kind} {size} {mode:04o} {mtime} {target}{}",
            hash.get(..16).unwrap_or("")
        )
    }
}

/// The facts of all below `root`, in order of path; the root itself is not among them.
#[track_caller]
pub fn tree_facts(root: &Path) -> Vec<Fact> {
    let mut facts = Vec::new();
    collect(root, root, &mut facts);
    facts.sort();
    facts
}

fn collect(root: &Path, folder: &Path, into: &mut Vec<Fact>) {
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        let fact = fact(root, &path);
        let enter = fact.kind == "folder";
        into.push(fact);
        if enter {
            collect(root, &path, into);
        }
    }
}

fn fact(root: &Path, path: &Path) -> Fact {
    let meta = std::fs::symlink_metadata(path).expect("attributes");
    let kind = match meta.file_type() {
        t if t.is_file() => "file",
        t if t.is_dir() => "folder",
        t if t.is_symlink() => "link",
        t if t.is_fifo() => "pipe",
        _ => "other",
    };
    let escaped = |path: &Path| path.as_os_str().as_bytes().escape_ascii().to_string();
    let file = kind == "file";
    Fact {
        path: escaped(path.strip_prefix(root).expect("below the root")),
        kind,
        size: if file { meta.len() } else { 0 },
        mode: if kind == "link" { 0 } else { meta.mode() & 0o7777 },
        mtime: i128::from(meta.mtime()) * 1_000_000_000 + i128::from(meta.mtime_nsec()),
        target: if kind == "link" {
            escaped(&std::fs::read_link(path).expect("a target"))
        } else {
            String::new()
        },
        hash: if file { hash(path) } else { String::new() },
    }
}

fn hash(path: &Path) -> String {
    let mut hasher = blake3::Hasher::new();
    hasher
        .update_reader(std::fs::File::open(path).expect("a file"))
        .expect("content");
    hasher.finalize().to_hex().to_string()
}

/// Fails with the entries that differ, and only those.
#[track_caller]
pub fn assert_same_tree(one: &Path, other: &Path) {
    let (left, right) = (tree_facts(one), tree_facts(other));
    let only = |from: &[Fact], not: &[Fact]| -> Vec<Fact> {
        from.iter()
            .filter(|fact| not.binary_search(fact).is_err())
            .cloned()
            .collect()
    };
    let (gone, new) = (only(&left, &right), only(&right, &left));
    assert!(
        gone.is_empty() && new.is_empty(),
        "only below {}: {gone:#?}\nonly below {}: {new:#?}",
        one.display(),
        other.display()
    );
}
