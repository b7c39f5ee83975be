//! The invented archive of `demo`: a small film workshop that never was, with the troubles real
//! ones have. Two old boxes, awkward names, several names for one file, a sparse image, wrong
//! dates, by-products of the box.

use crate::moment::Moment;
use crate::trouble::Trouble;
use crate::world::{Dress, Folder, Fs, OsFs};
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Where the demo's parts lie.
pub struct Places {
    /// The two old boxes.
    pub sources: [PathBuf; 2],
    /// The new pool.
    pub pool: PathBuf,
    /// The move folder.
    pub folder: PathBuf,
}

/// One file: path, kilobytes, days since 1970 of its time.
type Spec = (&'static [u8], u64, i64);

const ATTIC: [Spec; 24] = [
    (b"2016-03-14 Harbour Lights/cam-a/clip_0001.mov", 9_000, 16_874),
    (b"2016-03-14 Harbour Lights/cam-a/clip_0002.mov", 7_000, 16_874),
    (b"2016-03-14 Harbour Lights/cam-b/clip_0001.mov", 6_000, 16_875),
    (b"2016-03-14 Harbour Lights/sound/atmo.wav", 3_000, 16_874),
    (b"2016-03-14 Harbour Lights/cut/final.edl", 20, 16_902),
    (b"2017 Lantern Parade/A001/take 1.mov", 8_000, 17_318),
    (b"2017 Lantern Parade/A001/take 2.mov", 8_500, 17_318),
    (b"2017 Lantern Parade/notes/shot list.txt", 4, 17_319),
    (b"2017 Lantern Parade/notes/what is this?.txt", 2, 17_319),
    (b"2018_Orchard/rushes/apples-01.mov", 12_000, 17_780),
    (b"2018_Orchard/rushes/apples-02.mov", 5_000, 17_781),
    (b"2018_Orchard/stills/IMG_0001.jpg", 900, 17_781),
    (b"2018_Orchard/stills/img_0001.jpg", 850, 17_781),
    (b"2018_Orchard/stills/.@thumbs/IMG_0001.jpg", 12, 17_790),
    (b"Winter Market/day one.mov", 6_000, 17_877),
    (b"Winter Market/day two.mov", 6_500, 17_878),
    (b"Winter Market/line\nbreak.txt", 1, 17_878),
    (b"Winter Market/caf\xe9.txt", 1, 17_878),
    (b"untitled folder 3/mystery.mov", 4_000, 0),
    (b"untitled folder 3/mystery notes.txt", 3, 0),
    (b"$RECYCLE.BIN/old cut.mov", 2_000, 17_500),
    (b"receipts 2019.pdf", 200, 18_100),
    (b"phone dump.mov", 3_000, 18_110),
    (b"todo.txt", 1, 18_111),
];

const SHELF: [Spec; 5] = [
    (b"2019-06-11 Salt Road/drone/pass-1.mp4", 10_000, 18_058),
    (b"2019-06-11 Salt Road/drone/pass-2.mp4", 9_500, 18_058),
    (b"2019-06-11 Salt Road/readme.txt", 2, 18_060),
    (b"2018_Orchard/rushes/apples-01.mov", 2_500, 17_785),
    (b"2018_Orchard/rushes/second unit.mov", 4_000, 17_785),
];

/// Builds everything below `home`.
///
/// # Errors
/// [`Trouble`] where the folder is not empty or cannot be written.
pub fn build(home: &Path) -> Result<Places, Trouble> {
    let fail = |e: std::io::Error| {
        Trouble::stopped(
            "demo-denied",
            format!("cannot build the demo in {}: {e}", home.display()),
        )
        .mend("Name an empty folder that you may write to.")
    };
    std::fs::create_dir_all(home).map_err(fail)?;
    if std::fs::read_dir(home).map_err(fail)?.next().is_some() {
        return Err(
            Trouble::usage("demo-not-empty", format!("{} is not empty", home.display()))
                .mend("Name a folder that does not exist yet."),
        );
    }
    let places = Places {
        sources: [home.join("attic"), home.join("shelf")],
        pool: home.join("newpool"),
        folder: home.join("move"),
    };
    for (root, specs) in places.sources.iter().zip([&ATTIC[..], &SHELF[..]]) {
        for (number, spec) in specs.iter().enumerate() {
            file(root, spec, number as u64).map_err(fail)?;
        }
    }
    std::fs::create_dir_all(&places.pool).map_err(fail)?;
    oddities(&places.sources[0]).map_err(fail)?;
    dates(&places.sources[0], &ATTIC)?;
    dates(&places.sources[1], &SHELF)?;
    Ok(places)
}

fn file(root: &Path, (name, kilobytes, _): &Spec, number: u64) -> std::io::Result<()> {
    let path = root.join(OsStr::from_bytes(name));
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder)?;
    }
    std::fs::write(path, noise(kilobytes * 1_000, number + 1))
}

/// Bytes that do not compress, the same in every run (xorshift64, Marsaglia 2003).
fn noise(length: u64, seed: u64) -> Vec<u8> {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    let mut bytes = Vec::with_capacity(usize::try_from(length).unwrap_or(0) + 8);
    while (bytes.len() as u64) < length {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        bytes.extend_from_slice(&state.to_le_bytes());
    }
    bytes.truncate(usize::try_from(length).unwrap_or(0));
    bytes
}

/// Several names for one file, a sparse image, a symlink, a pipe, an empty folder.
fn oddities(root: &Path) -> std::io::Result<()> {
    let harbour = root.join("2016-03-14 Harbour Lights");
    std::fs::hard_link(
        harbour.join("cam-a/clip_0001.mov"),
        harbour.join("cut/best take.mov"),
    )?;
    std::os::unix::fs::symlink("../cam-a/clip_0002.mov", harbour.join("cut/second best.mov"))?;
    std::fs::create_dir_all(harbour.join("cut/exports (none yet)"))?;
    let image = std::fs::File::create(root.join("2017 Lantern Parade/scratch disk.img"))?;
    image.set_len(64 << 20)?;
    let pipe = root.join("2017 Lantern Parade/encoder.pipe");
    rustix::fs::mknodat(
        rustix::fs::CWD,
        &pipe,
        rustix::fs::FileType::Fifo,
        rustix::fs::Mode::RUSR,
        0,
    )
    .map_err(std::io::Error::from)
}

/// Sets the times, files first, then their folders.
fn dates(root: &Path, specs: &[Spec]) -> Result<(), Trouble> {
    let fs = OsFs::open(root).map_err(|fault| crate::copy::trouble_of(&fault))?;
    for (name, _, day) in specs {
        let parts: Vec<&[u8]> = name.split(|b| *b == b'/').collect();
        for depth in (1..=parts.len()).rev() {
            let dressed = dress(&fs, &parts[..depth], *day);
            dressed.map_err(|fault| crate::copy::trouble_of(&fault))?;
        }
    }
    Ok(())
}

fn dress(fs: &OsFs, parts: &[&[u8]], day: i64) -> crate::world::Res<()> {
    let mut folder: Arc<dyn Folder> = fs.root()?;
    let Some((last, above)) = parts.split_last() else {
        return Ok(());
    };
    for part in above {
        folder = folder.enter(part)?;
    }
    let noon = Moment {
        seconds: day * 86_400 + 43_200,
        nanos: if day == 0 { 0 } else { 250_000_000 },
    };
    folder.dress(
        last,
        &Dress {
            mtime: Some(noon),
            ..Dress::default()
        },
    )?;
    Ok(())
}
