//! One move in a temporary folder, driven through the real binary.

use serde_json::Value;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, UNIX_EPOCH};

/// What one run answered.
pub struct Ran {
    pub code: i32,
    pub out: Vec<u8>,
    pub err: String,
}

impl Ran {
    pub fn of(output: Output) -> Ran {
        Ran {
            code: output.status.code().unwrap_or(-1),
            out: output.stdout,
            err: String::from_utf8_lossy(&output.stderr).into_owned(),
        }
    }

    /// Standard output as text.
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.out).into_owned()
    }

    /// Fails the test unless the code is the one expected.
    #[track_caller]
    pub fn expect(self, code: i32) -> Ran {
        assert_eq!(self.code, code, "out: {}\nerr: {}", self.text(), self.err);
        assert!(!self.err.contains("panicked"), "{}", self.err);
        self
    }

    /// The one object on standard output, and nothing else there.
    #[track_caller]
    pub fn object(&self) -> Value {
        let value: Value = serde_json::from_slice(&self.out)
            .unwrap_or_else(|e| panic!("not one object: {e}: {}{}", self.text(), self.err));
        assert!(value.is_object());
        assert_eq!(value["format"], 1);
        value
    }
}

thread_local! {
    /// Whether commands of this test run without root's rights over permissions.
    pub static UNPRIVILEGED: std::cell::Cell<bool> = const { std::cell::Cell::new(false) };
}

/// The binary, with a quiet and fixed surrounding.
pub fn command() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_poolward"));
    if UNPRIVILEGED.get() && rustix::process::geteuid().is_root() {
        // Root without the right to pass over permissions is like any owner of the files.
        command = Command::new("setpriv");
        command.arg("--bounding-set=-dac_override,-dac_read_search");
        command.arg(env!("CARGO_BIN_EXE_poolward"));
    }
    command.env("TZ", "Europe/Berlin").stdin(Stdio::null());
    command
}

/// Runs the binary with words.
pub fn poolward<I: IntoIterator<Item = S>, S: AsRef<OsStr>>(words: I) -> Ran {
    Ran::of(command().args(words).output().expect("the binary starts"))
}

/// A source, a destination, and a move folder.
pub struct Scene {
    tmp: tempfile::TempDir,
    pub from: PathBuf,
    pub to: PathBuf,
    pub home: PathBuf,
}

impl Scene {
    /// Empty folders; nothing has begun.
    pub fn bare() -> Scene {
        let tmp = tempfile::tempdir().expect("a temporary folder");
        let root = tmp.path().canonicalize().expect("a real path");
        let (from, to) = (root.join("oldbox"), root.join("pool"));
        std::fs::create_dir(&from).expect("the source");
        std::fs::create_dir(&to).expect("the destination");
        Scene {
            home: root.join("move"),
            from,
            to,
            tmp,
        }
    }

    /// The folder that holds all.
    pub fn root(&self) -> PathBuf {
        self.tmp.path().canonicalize().expect("a real path")
    }

    /// Begins the move and lets the destination be filled to the brim, for test machines are.
    #[track_caller]
    pub fn begin(&self) {
        let words = [
            OsStr::new("begin"),
            self.home.as_os_str(),
            OsStr::new("--from"),
            self.from.as_os_str(),
            OsStr::new("--to"),
            self.to.as_os_str(),
            OsStr::new("--allow-root-disk"),
        ];
        poolward(words).expect(0);
        let to = format!("path = \"{}\"", self.to.display());
        self.edit(
            &to,
            &format!("{to}\nfill-limit = 100\nfree = \"1 TB\"\nreserve = \"1 MB\""),
        );
    }

    /// begin, scan, plan.
    #[track_caller]
    pub fn planned(&self) {
        self.begin();
        self.run("scan").expect(0);
        let ran = self.run("plan");
        assert!(ran.code < 2, "{}{}", ran.text(), ran.err);
    }

    /// begin, scan, plan, copy.
    #[track_caller]
    pub fn copied(&self) {
        self.planned();
        self.run("copy --all").expect(0);
    }

    /// Changes the settings by text.
    #[track_caller]
    pub fn edit(&self, old: &str, new: &str) {
        let path = self.home.join("move.toml");
        let text = std::fs::read_to_string(&path).expect("settings");
        assert!(text.contains(old), "no {old} in {text}");
        std::fs::write(&path, text.replacen(old, new, 1)).expect("settings");
    }

    /// Runs words split at blanks in the move folder.
    pub fn run(&self, words: &str) -> Ran {
        self.run_words(&words.split(' ').collect::<Vec<_>>())
    }

    /// Runs words in the move folder.
    pub fn run_words(&self, words: &[&str]) -> Ran {
        Ran::of(self.command(words).output().expect("the binary starts"))
    }

    /// The command, not started.
    pub fn command(&self, words: &[&str]) -> Command {
        let mut command = command();
        command.arg("--folder").arg(&self.home).args(words);
        command
    }

    /// Runs words with `--json` and answers the code and the object.
    #[track_caller]
    pub fn json(&self, words: &str) -> (i32, Value) {
        let ran = self.run(&format!("{words} --json"));
        let value = ran.object();
        (ran.code, value)
    }

    /// Writes a file at the source, with a time in the middle of 2019.
    pub fn put(&self, path: impl AsRef<Path>, content: &[u8]) -> PathBuf {
        let path = self.from.join(path);
        write(&path, content);
        path
    }

    /// Three projects of two years with a few files each, times that agree with the names.
    pub fn small(&self) {
        self.put("2019-lantern-fair/raw/clip.bin", &noise(300_000, 1));
        self.put("2019-lantern-fair/notes.txt", b"call the lighthouse keeper\n");
        self.put("2019-river-play/sound.bin", &noise(70_000, 2));
        let late = self.put("2020-harvest/photo.bin", &noise(9_000, 3));
        set_time(&late, 1_592_000_000, 5);
    }
}

/// Writes a file and its folders, with a time in the middle of 2019.
pub fn write(path: &Path, content: &[u8]) {
    std::fs::create_dir_all(path.parent().expect("a parent")).expect("folders");
    std::fs::write(path, content).expect("a file");
    set_time(path, 1_560_000_000, 123_456_789);
}

/// Sets the modification time.
pub fn set_time(path: &Path, seconds: u64, nanos: u32) {
    let file = std::fs::File::open(path).expect("a file");
    file.set_modified(UNIX_EPOCH + Duration::new(seconds, nanos))
        .expect("a time");
}

/// Bytes that repeat nowhere, the same for the same seed (a linear congruential generator).
pub fn noise(length: usize, seed: u64) -> Vec<u8> {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let mut next = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as u8
    };
    (0..length).map(|_| next()).collect()
}

/// Runs another program and answers whether it was content, and what it printed.
pub fn other(program: &str, words: &[&OsStr], at: &Path) -> Option<(bool, String)> {
    let output = Command::new(program).args(words).current_dir(at).output().ok()?;
    let text = [output.stdout, output.stderr].concat();
    Some((
        output.status.success(),
        String::from_utf8_lossy(&text).into_owned(),
    ))
}

/// Everything below a folder as lines: path, kind, mode, size, time, link target, content hash.
pub fn listing(root: &Path) -> Vec<String> {
    let mut lines = Vec::new();
    walk(root, &mut |path, facts| {
        let below = path
            .strip_prefix(root)
            .expect("below")
            .as_os_str()
            .as_bytes()
            .escape_ascii();
        let kind = if facts.is_dir() {
            "folder"
        } else if facts.is_symlink() {
            "link"
        } else {
            "file"
        };
        let size = if facts.is_dir() { 0 } else { facts.size() };
        let content = match kind {
            "file" => blake3::hash(&std::fs::read(path).expect("content")).to_string(),
            "link" => std::fs::read_link(path)
                .expect("target")
                .as_os_str()
                .as_bytes()
                .escape_ascii()
                .to_string(),
            _ => String::new(),
        };
        let links = if facts.is_dir() { 0 } else { facts.nlink() };
        lines.push(format!(
            "{below} {kind} {:o} {size} {}.{:09} {links} {}:{} {content}",
            facts.mode(),
            facts.mtime(),
            facts.mtime_nsec(),
            facts.uid(),
            facts.gid()
        ));
    });
    lines.sort();
    lines
}

/// Visits everything below a folder, not the folder itself.
pub fn walk(root: &Path, see: &mut dyn FnMut(&Path, &std::fs::Metadata)) {
    for item in std::fs::read_dir(root).expect("a folder") {
        let path = item.expect("an entry").path();
        let facts = path.symlink_metadata().expect("facts");
        see(&path, &facts);
        if facts.is_dir() {
            walk(&path, see);
        }
    }
}

/// `kind path` of every difference (or listed thing) of every batch, sorted.
pub fn kinds(verified: &Value, of: &str) -> Vec<String> {
    let mut found = Vec::new();
    for batch in verified["batches"].as_array().expect("batches") {
        for one in batch[of].as_array().expect("a list") {
            found.push(format!(
                "{} {}",
                one["kind"].as_str().expect("kind"),
                one["path"].as_str().expect("path")
            ));
        }
    }
    found.sort();
    found
}

/// Fails unless the object has every name.
#[track_caller]
pub fn has(value: &Value, names: &str) {
    for name in names.split(' ') {
        assert!(value.get(name).is_some(), "no {name} in {value}");
    }
}

/// One line that says what and, in a second sentence, what to do.
#[track_caller]
pub fn one_line(ran: &Ran, word: &str) {
    let lines: Vec<&str> = ran
        .err
        .lines()
        .filter(|line| line.starts_with("poolward:"))
        .collect();
    assert_eq!(lines.len(), 1, "{}", ran.err);
    assert!(lines[0].contains(word), "no {word} in {}", ran.err);
}

/// A waybill with other text in it and a good seal over that: anybody can make one.
pub fn resealed(text: &str) -> Vec<u8> {
    let body = &text[..text.rfind("{\"seal\":").expect("a seal")];
    // BLAKE3 in one call of the reference library, as the format's description has it.
    let seal = blake3::hash(body.as_bytes()).to_hex();
    format!("{body}{{\"seal\":\"{seal}\"}}\n").into_bytes()
}

/// The batch of that name in an object of `--json`.
#[track_caller]
pub fn batch<'a>(object: &'a Value, name: &str) -> &'a Value {
    let batches = object["batches"].as_array().expect("batches");
    let found = batches.iter().find(|batch| batch["name"] == name);
    found.unwrap_or_else(|| panic!("no batch {name} in {object}"))
}

/// The names of its batches, in their order.
#[track_caller]
pub fn names(object: &Value) -> Vec<&str> {
    let batches = object["batches"].as_array().expect("batches");
    batches
        .iter()
        .map(|b| b["name"].as_str().expect("a name"))
        .collect()
}
