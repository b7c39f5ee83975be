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
/// [`Trouble`] for a path that is not UTF-8: TOML is.
pub fn template(start: &Start<'_>) -> Result<String, Trouble> {
    let mut text = String::from(
        "# Poolward: one move from an old box to a new pool.\n\
         # Lines that begin with # are not in force; they show a key with its usual value.\n\
         # After a change run `poolward plan`.\n",
    );
    for (name, path) in &start.sources {
        text.push_str(&format!(
            "\n[[source]]\nname = {}\npath = {}\n",
            quoted(name),
            quoted(&utf8(path)?)
        ));
        text.push_str(SOURCE);
    }
    text.push_str(&format!(
        "\n[[destination]]\nname = \"pool\"\npath = {}\n",
        quoted(&utf8(start.to)?)
    ));
    text.push_str(DESTINATION);
    match start.link {
        Some(speed) => text.push_str(&format!("\n[link]\nspeed = \"{speed}\"\n")),
        None => text
            .push_str("\n[link]\n# speed = \"10GbE\"              # left out: the ends are in one machine\n"),
    }
    text.push_str(LINK);
    text.push_str(&format!("\n[schedule]\nzone = \"{}\"\n", start.zone.name()));
    text.push_str(REST);
    Ok(text)
}

fn utf8(path: &Path) -> Result<String, Trouble> {
    path.to_str().map(str::to_string).ok_or_else(|| {
        Trouble::usage(
            "path-not-utf8",
            format!("the path {} is not UTF-8, and move.toml must be", path.display()),
        )
        .mend("Bind-mount it under a plain name, or give a folder above it.")
    })
}

fn quoted(text: &str) -> String {
    toml_edit::Value::from(text).to_string().trim().to_string()
}

const SOURCE: &str = "\
# project-depth = 1              # folders at this depth are projects; a project is never split
# under = \"oldbox\"               # an extra folder at the destination, where two sources hold the same names
# cross = [\"subvol\"]             # other file systems to walk through; without it they are listed, not entered
# link = \"1GbE\"                  # its own port, where it is slower than the link
# read-rate = \"180 MB/s\"         # how fast it reads, where you know
# emulated-adapter = \"1 Gbit/s\"  # an emulated network adapter on its side
# volume-limit = \"108 TB\"
";

const DESTINATION: &str = "\
# dataset = \"pool/archive\"       # parent dataset; left out: plain folders
# layout = \"1 x 15 raidz2\"       # vdevs x width level
# disk-size = \"14 TB\"
# ashift = 12
# fill-limit = 80                # percent that the plan does not pass
# reserve = \"200 GB\"             # stays free in any case
# free = \"22 TB\"                 # where the free space shown here is not the true one
# accept = [\"owner\", \"mode\"]     # facts this destination cannot keep
";

const LINK: &str = "\
# mtu = 1500
# runs-on = \"pool\"               # where Poolward runs: pool, source or between
";

const REST: &str = "\
# starts = \"2027-02-01\"
# spanning = true                # a batch may go on in the next window
# rescan = \"daily\"
# quiet-days = 7                 # projects with younger files wait for the end

# [[window]]                     # none: always, at full speed
# days = \"mon-fri\"               # the day on which it opens
# from = \"19:00\"
# until = \"07:00\"
# rate-limit = \"5 Gbit/s\"

# [[blackout]]
# from = \"2027-02-10\"
# until = \"2027-02-12\"

[plan]
by = \"year\"                      # year, project, kind or tag
# batch-max = \"4 TB\"
# batch-min = \"200 GB\"
# order = \"oldest-first\"         # newest-first, smallest-first, largest-first, exposure-first

# [[tag]]                        # your rules beat the evidence; the first that matches decides
# match = '^(?P<year>20\\d\\d)[-_ ]'
# hold = false

# [[rename]]                     # only where you ask for it
# from = \"old name\"
# to = \"new name\"

[exclude]
# names = []                     # your own patterns, like \"*.tmp\"
# snapshots = true               # false: they are moved as well
# recycle = true
# thumbnails = true

[copy]
# streams = \"auto\"
# yield-to-others = false
# streams-large-max = 4

[release]
second-copy = \"\"                 # where the second copy is; without one nothing is ever released
# waiting-days = 28
# hold-days = 14
# accept-read = [\"direct\", \"evicted\"]

# [notify]
# command = []

# [view]
# flat = false
";
