//! Which move a command is about: the nearest folder upwards that holds a `move.toml`.

use crate::trouble::Trouble;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

/// The file that makes a folder a move folder.
pub const SETTINGS: &str = "move.toml";

/// The move folder that `start` is, or lies in. A folder is one only where `move.toml` is a file.
///
/// # Errors
/// `no-move` where neither it nor a folder above it has one; `folder-unreadable` where
/// that cannot be told.
pub fn find(start: &Path) -> Result<PathBuf, Trouble> {
    let whole = std::fs::canonicalize(start).map_err(|e| unreadable(start, &e))?;
    for folder in whole.ancestors() {
        let settings = folder.join(SETTINGS);
        match std::fs::metadata(&settings) {
            Ok(meta) if meta.is_file() => return Ok(folder.to_path_buf()),
            Ok(_) => {}
            Err(e) if absent(&e) => {}
            Err(e) => return Err(unreadable(&settings, &e)),
        }
    }
    let text = format!("no {SETTINGS} in {} or a folder above it", whole.display());
    Err(Trouble::usage("no-move", text)
        .mend("Go to the move's folder, name it with --folder, or make one with `poolward begin`.")
        .at(whole.as_os_str().as_bytes()))
}

/// A file in the way (`start` may name one) means as much as nothing there.
fn absent(e: &std::io::Error) -> bool {
    use std::io::ErrorKind::{NotADirectory, NotFound};
    matches!(e.kind(), NotFound | NotADirectory)
}

fn unreadable(path: &Path, e: &std::io::Error) -> Trouble {
    let why = match e.kind() {
        std::io::ErrorKind::NotFound => "it does not exist".to_string(),
        kind => kind.to_string(),
    };
    let text = format!("cannot look into {}: {why}", path.display());
    Trouble::usage("folder-unreadable", text)
        .mend("Check the name given with --folder, and that you may read the folders above it.")
        .at(path.as_os_str().as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(root: &Path, below: &str) -> PathBuf {
        let path = root.join(below);
        std::fs::create_dir_all(&path).unwrap();
        path
    }

    #[test]
    fn the_nearest_folder_upwards_with_settings_is_found() {
        let scratch = tempfile::tempdir().unwrap();
        let root = scratch.path().canonicalize().unwrap();
        let deep = at(&root, "move/reports/manifests");
        let inner = at(&root, "move/other");
        std::fs::write(root.join("move/move.toml"), "").unwrap();
        assert_eq!(find(&deep).unwrap(), root.join("move"));
        assert_eq!(find(&root.join("move")).unwrap(), root.join("move"));
        std::fs::write(inner.join("move.toml"), "").unwrap();
        assert_eq!(find(&inner).unwrap(), inner);
        // A link leads to the folder it points to, and upwards from there.
        std::os::unix::fs::symlink(&deep, root.join("short")).unwrap();
        assert_eq!(find(&root.join("short")).unwrap(), root.join("move"));
    }

    #[test]
    fn where_there_is_none_it_says_so_with_the_mend() {
        let scratch = tempfile::tempdir().unwrap();
        let empty = at(scratch.path(), "a/move.toml");
        let trouble = find(&empty).unwrap_err();
        assert_eq!(trouble.code, "no-move");
        assert!(trouble.mend.unwrap().contains("poolward begin"));
        let trouble = find(&scratch.path().join("absent")).unwrap_err();
        assert_eq!(trouble.code, "folder-unreadable");
        assert!(trouble.text.ends_with("it does not exist"), "{}", trouble.text);
    }
}
