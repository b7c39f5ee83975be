//! The `move.toml` that `begin` writes: every key, those with their usual value as comments.

use crate::trouble::Trouble;
use crate::units::LinkSpeed;
use std::path::Path;

/// What `begin` was told.
pub struct Start<'a> {
    /// Sources by name.
    pub sources: Vec<(String, &'a Path)>,
    /// The destination.
    pub to: &'a Path,
    /// The link, where it was told.
    pub link: Option<LinkSpeed>,
    /// The machine's zone.
    pub zone: chrono_tz::Tz,
}

/// Its text.
///
/// # Errors
/// `path-not-utf8` for a path that is not UTF-8: TOML is.
pub fn template(start: &Start<'_>) -> Result<String, Trouble> {
    let mut text = String::from(HEAD);
    for (name, path) in &start.sources {
        let (name, path) = (quoted(name), quoted(utf8(path)?));
        text.push_str(&format!("\n[[source]]\nname = {name}\npath = {path}\n{SOURCE}"));
    }
    let to = quoted(utf8(start.to)?);
    text.push_str(&format!(
        "\n[[destination]]\nname = \"pool\"\npath = {to}\n{DESTINATION}"
    ));
    text.push_str("\n[link]\n");
    match start.link {
        Some(speed) => text.push_str(&format!("speed = {}\n", quoted(&told(speed)))),
        None => {
            text.push_str("# speed = \"10GbE\"                # e.g.; left out: both ends in one machine\n")
        }
    }
    text.push_str(LINK);
    text.push_str(&format!(
        "\n[schedule]\nzone = \"{}\"\n{SCHEDULE}",
        start.zone.name()
    ));
    text.push_str(PLAN);
    text.push_str(REST);
    Ok(text)
}

/// A speed so that exactly the same is read back; the shown one is rounded.
fn told(speed: LinkSpeed) -> String {
    let shown = speed.to_string();
    match LinkSpeed::parse(&shown) {
        Ok(same) if same == speed => shown,
        _ => format!("{} bit/s", speed.0),
    }
}

fn utf8(path: &Path) -> Result<&str, Trouble> {
    path.to_str().ok_or_else(|| {
        use std::os::unix::ffi::OsStrExt;
        let bytes = path.as_os_str().as_bytes();
        let text = format!(
            "the path {} is not UTF-8, and move.toml must be",
            crate::names::shown(bytes)
        );
        Trouble::usage("path-not-utf8", text)
            .mend("Bind-mount it under a plain name, or give a folder above it.")
            .at(bytes)
    })
}

fn quoted(text: &str) -> String {
    toml_edit::Value::from(text).to_string().trim().to_string()
}

const HEAD: &str = "\
# Poolward: one move from an old box to a new pool.
# Lines that begin with # are not in force. They show a key with its usual value, or with an
# example where they say e.g.; take the # away to set it. A mistake is refused with its line.
# After a change run `poolward plan`.
";

const SOURCE: &str = "\
# project-depth = 1                # folders at this depth are projects; a project is never split
# under = \"oldbox\"                 # e.g. an extra folder at the destination, where two sources hold the same names
# cross = [\"subvol\"]               # e.g. other file systems to walk through; all others are not entered
# link = \"1GbE\"                    # e.g. its own port, where it is slower than the link
# read-rate = \"180 MB/s\"           # e.g. how fast it reads, where you know
# emulated-adapter = \"1 Gbit/s\"    # e.g. a virtual machine's network adapter, where it is the slower one
# volume-limit = \"108 TB\"          # e.g. the largest volume the old box can have
";

const DESTINATION: &str = "\
# dataset = \"pool/archive\"         # e.g. the parent dataset; left out: plain folders
# layout = \"1 x 15 raidz2\"         # e.g. vdevs x disks in each, level
# disk-size = \"14 TB\"              # e.g. of one disk, as it is sold
# ashift = 12                      # e.g. sector size as a power of two; 12 is 4 KiB
# fill-limit = 80                  # percent of the pool that the plan does not pass
# reserve = \"200 GB\"               # stays free in any case
# free = \"22 TB\"                   # e.g. where the free space seen from here is not the true one
# accept = [\"owner\", \"mode\"]       # e.g. what this destination cannot keep: owner, mode, time
# grows-to = \"2 x 15 raidz2\"       # e.g. after some disks have become free; without it, all of it is there only then
# after = \"2019.3\"                 # e.g. the batch whose release frees these disks
# after-source = \"oldbox\"          # or the source, once all of it is released
# root-disk = false                # true: it may lie on the disk this system runs from
";

const LINK: &str = "\
# mtu = 1500                       # 9000 only where everything on the path has jumbo frames
# runs-on = \"pool\"                 # where Poolward runs: pool, source or between
";

const SCHEDULE: &str = "\
# starts = \"2027-02-01\"            # e.g. nothing runs before this date
# spanning = true                  # a batch may go on in the next window
# rescan = \"daily\"                 # daily or never
# quiet-days = 7                   # a project with a file younger than this waits for the end

# [[window]]                       # without any: always, at full speed
# days = \"mon-fri\"                 # e.g. the days on which it opens
# from = \"19:00\"
# until = \"07:00\"                  # e.g. on the next morning
# rate-limit = \"5 Gbit/s\"          # e.g. leaves the rest of the link to others

# [[blackout]]                     # dates on which nothing runs, both included
# from = \"2027-02-10\"
# until = \"2027-02-12\"
";

const PLAN: &str = "
[plan]
by = \"year\"                        # a dataset for each year, project, kind or tag
# batch-max = \"4 TB\"
# batch-min = \"200 GB\"
# order = \"oldest-first\"           # or newest-first, smallest-first, largest-first, exposure-first

# [[tag]]                          # your rules beat the evidence; the first that matches decides
# match = '^(?P<year>20\\d\\d)[-_ ]' # e.g. in single quotes a backslash is a backslash

# [[tag]]                          # `poolward plan --set` writes such a one
# older-than = \"3 y\"               # e.g. d, w, m or y since the newest file; with match or projects, or alone
# years = \"..2015\"                 # e.g. both ends included; also 2010..2015 and 2016..
# kinds = [\"video\"]                # e.g. its largest kind of file
# projects = [\"Harbour film\"]      # e.g. names as `poolward survey` prints them
# year = 2019                      # e.g.
# dataset = \"2019\"                 # e.g.
# group = \"harbour\"                # e.g. projects of a group stay together
# kind = \"video\"                   # e.g.
# as = \"2019 Harbour film\"         # e.g. its folder at the destination
# pool = \"pool\"                    # e.g. the name of a destination
# order = 1                        # e.g. lower numbers come first
# hold = false                     # true: waits until you let it go

# [[rename]]                       # only where you ask for it; else a refused name is a failed file
# from = \"Harbour film/cut: 1\"     # e.g. a path below the source
# to = \"Harbour film/cut 1\"        # e.g.
";

const REST: &str = "
# [permissions]                    # set instead of carried; with dirs or files no access lists are carried
# owner = \"editor:media\"           # e.g.
# dirs = \"0750\"                    # e.g.
# files = \"0640\"                   # e.g.

[exclude]
# names = []                       # your own patterns, like \"*.tmp\"
# snapshots = true                 # snapshot views; false: they are moved as well
# recycle = true                   # recycle folders
# thumbnails = true                # thumbnail and index folders of the old box

[copy]
# streams = \"auto\"                 # or a number
# yield-to-others = false          # slows down while others use the old box
# streams-large-max = 4            # most large files at once

[release]
second-copy = \"\"                   # where the second copy is; without one nothing is ever released
# waiting-days = 28                # between the release sheet and a removal
# hold-days = 14                   # removed projects stay aside this long
# accept-read = [\"direct\", \"evicted\"] # ways of reading back that count as proof; also server, unknown

# [notify]
# command = []                     # program and arguments; it gets each event as JSON

# [view]
# flat = false                     # true: a folder, flat, of relative links that looks like the old share
";
