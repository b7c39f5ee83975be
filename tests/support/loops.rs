//! Real file systems in image files, mounted over loop devices, gone again when dropped.

use super::{has_program, is_root, scratch, skip};
use std::path::{Path, PathBuf};
use std::process::Command;

/// A file system that Linux has of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// ext4.
    Ext4,
    /// XFS.
    Xfs,
    /// Btrfs.
    Btrfs,
}

impl Kind {
    /// All of them.
    pub const ALL: [Kind; 3] = [Kind::Ext4, Kind::Xfs, Kind::Btrfs];

    /// As `mount -t` names it.
    pub fn name(self) -> &'static str {
        match self {
            Kind::Ext4 => "ext4",
            Kind::Xfs => "xfs",
            Kind::Btrfs => "btrfs",
        }
    }

    /// MiB of an image; XFS refuses to be made smaller than 300 MiB (mkfs.xfs(8)). Images are sparse.
    fn mebibytes(self) -> u64 {
        match self {
            Kind::Ext4 => 64,
            Kind::Xfs => 320,
            Kind::Btrfs => 160,
        }
    }

    fn maker(self) -> (&'static str, &'static [&'static str]) {
        match self {
            Kind::Ext4 => ("mkfs.ext4", &["-q", "-F"]),
            Kind::Xfs => ("mkfs.xfs", &["-q", "-f"]),
            Kind::Btrfs => ("mkfs.btrfs", &["-q", "-f"]),
        }
    }
}

/// A mounted image.
pub struct Loop {
    at: PathBuf,
    mounted: bool,
    // Last, so that image and mount point go after the unmount.
    folder: tempfile::TempDir,
}

impl Loop {
    /// Makes and mounts a file system of a usual small size; `None`, with the reason noted as a
    /// skip, where this machine cannot.
    pub fn new(kind: Kind) -> Option<Loop> {
        Loop::sized(kind, kind.mebibytes())
    }

    /// The same with a size of its own, for tests that fill it.
    pub fn sized(kind: Kind, mebibytes: u64) -> Option<Loop> {
        match make(kind, mebibytes) {
            Ok(mounted) => Some(mounted),
            Err(why) => {
                skip(format!("no {} here: {why}", kind.name()));
                None
            }
        }
    }

    /// Where it is mounted.
    pub fn path(&self) -> &Path {
        &self.at
    }

    /// Mounts anew with further options, such as `ro`.
    pub fn remount(&self, options: &str) {
        let options = format!("remount,{options}");
        run("mount", &["-o".as_ref(), options.as_ref(), self.at.as_os_str()]).expect("a remount");
    }

    /// Unmounts and mounts the same image again: what was not in the image is gone.
    pub fn cycle(&mut self) {
        self.cycle_after(|_| {});
    }

    /// The same, with something done to the image while it is not mounted.
    pub fn cycle_after(&mut self, change: impl FnOnce(&Path)) {
        run("umount", &[self.at.as_os_str()]).expect("an unmount");
        self.mounted = false;
        let image = self.folder.path().join("image");
        change(&image);
        run(
            "mount",
            &[
                "-o".as_ref(),
                "loop".as_ref(),
                image.as_os_str(),
                self.at.as_os_str(),
            ],
        )
        .expect("a mount");
        self.mounted = true;
    }
}

impl Drop for Loop {
    fn drop(&mut self) {
        if self.mounted && run("umount", &[self.at.as_os_str()]).is_err() {
            // Something still holds a file open; the mount goes when that ends.
            let _ = run("umount", &["-l".as_ref(), self.at.as_os_str()]);
        }
    }
}

fn make(kind: Kind, mebibytes: u64) -> Result<Loop, String> {
    let (maker, options) = kind.maker();
    if !is_root() {
        return Err("this user may not mount".into());
    }
    if !Path::new("/dev/loop-control").exists() {
        return Err("no loop devices".into());
    }
    if !has_program(maker) {
        return Err(format!("no {maker}"));
    }
    let folder = scratch();
    let (image, at) = (folder.path().join("image"), folder.path().join("at"));
    let file = std::fs::File::create(&image).map_err(|e| e.to_string())?;
    file.set_len(mebibytes << 20).map_err(|e| e.to_string())?;
    std::fs::create_dir(&at).map_err(|e| e.to_string())?;
    let mut words: Vec<&std::ffi::OsStr> = options.iter().map(|o| o.as_ref()).collect();
    words.push(image.as_os_str());
    run(maker, &words)?;
    let words = [
        "-t".as_ref(),
        kind.name().as_ref(),
        "-o".as_ref(),
        "loop".as_ref(),
        image.as_os_str(),
        at.as_os_str(),
    ];
    run("mount", &words)?;
    Ok(Loop {
        at,
        mounted: true,
        folder,
    })
}

/// Runs a program; its message where it fails.
fn run(program: &str, args: &[&std::ffi::OsStr]) -> Result<(), String> {
    let output = Command::new(program)
        .args(args)
        .output()
        .map_err(|e| format!("{program}: {e}"))?;
    if output.status.success() {
        return Ok(());
    }
    Err(format!(
        "{program}: {}",
        String::from_utf8_lossy(&output.stderr).trim()
    ))
}
