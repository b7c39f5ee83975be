//! Windows and their limits, and what Ctrl-C leaves.

use crate::util::*;
use poolward::copy::Progress;
use poolward::moment::Moment;
use poolward::ops::copy::copy_in_windows;
use poolward::ops::desk::Desk;
use poolward::units::Bytes;
use poolward::world::{Clock, Stop};
use std::cell::{Cell, RefCell};
use std::process::{Child, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// A file of so many MiB with something in it here and there, holes for the rest.
fn big(scene: &Scene, name: &str, mebibytes: u64) -> std::path::PathBuf {
    use std::os::unix::fs::FileExt;
    let path = scene.put(format!("2019-film/{name}"), b"");
    let file = std::fs::File::options().write(true).open(&path).unwrap();
    file.set_len(mebibytes << 20).unwrap();
    for part in 0..mebibytes / 32 {
        file.write_all_at(&noise(70_000, part), part << 25).unwrap();
    }
    set_time(&path, 1_560_000_000, 7);
    path
}

/// Large files, one of them under two names, which does not fit the group of those before it.
fn big_source(scene: &Scene) {
    big(scene, "reel.raw", 128);
    scene.put("2019-film/notes.txt", b"two takes\n");
    let scan = big(scene, "a-scan.raw", 40);
    let other = scene.from.join("2019-film/b-scan.raw");
    std::fs::copy(&scan, &other).unwrap();
    set_time(&other, 1_560_000_000, 7);
    std::fs::hard_link(&other, scene.from.join("2019-film/c-scan.raw")).unwrap();
}

fn leftovers(scene: &Scene) -> Vec<String> {
    let mut found = Vec::new();
    walk(&scene.to, &mut |path, _| {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if name.starts_with(".pw-") {
            found.push(name);
        }
    });
    found
}

#[track_caller]
fn assert_moved(scene: &Scene) {
    let words = ["-r", "--no-dereference"].map(std::ffi::OsStr::new);
    let (from, to) = (scene.from.join("2019-film"), scene.to.join("2019/2019-film"));
    let words = [words[0], words[1], from.as_os_str(), to.as_os_str()];
    let (same, text) = other("diff", &words, &scene.home).expect("diff(1)");
    assert!(same, "{text}");
    assert_eq!(listing(&to), listing(&from));
    assert_eq!(leftovers(scene), Vec::<String>::new());
}

/// A clock that only waiting moves.
struct Hand {
    start: Moment,
    millis: AtomicU64,
}

impl Clock for Hand {
    fn now(&self) -> Moment {
        let seconds = self.millis.load(Ordering::SeqCst) / 1_000;
        self.start.plus_seconds(i64::try_from(seconds).unwrap())
    }
    fn ticks(&self) -> f64 {
        self.millis.load(Ordering::SeqCst) as f64 / 1_000.0
    }
    fn wait(&self, span: Duration, _: &Stop) {
        let millis = u64::try_from(span.as_millis().max(1)).unwrap();
        self.millis.fetch_add(millis, Ordering::SeqCst);
    }
}

fn one_minute_a_night(scene: &Scene) {
    scene.edit("# streams = \"auto\"", "streams = 1");
    let path = scene.home.join("move.toml");
    let mut text = std::fs::read_to_string(&path).unwrap();
    text.push_str(
        "\n[[window]]\ndays = \"mon-sun\"\nfrom = \"22:00\"\nuntil = \"22:01\"\nrate-limit = \"1 MB/s\"\n",
    );
    std::fs::write(&path, text).unwrap();
}

#[test]
fn a_file_longer_than_its_window_goes_on_night_by_night_and_is_read_once() {
    let scene = Scene::bare();
    big_source(&scene);
    scene.planned();
    one_minute_a_night(&scene);
    let settings = poolward::cli::policy::read(&scene.home.join("move.toml")).unwrap();
    let clock = Hand {
        start: Moment::from_seconds(1_800_000_000),
        millis: AtomicU64::new(0),
    };
    let stop = Stop::new();
    let mut desk = Desk::open(&scene.home, settings, &clock, &stop).unwrap();
    let said = RefCell::new(Vec::new());
    // What each night wrote: counted from 0 after each wait.
    let (nights, last) = (RefCell::new(Vec::new()), Cell::new(0));
    let progress = |p: Progress| last.set(p.bytes.0);
    let say = |line: &str| {
        if !said.borrow().is_empty() {
            nights.borrow_mut().push(last.take());
        }
        said.borrow_mut().push(line.to_string());
    };
    let copied = copy_in_windows(&mut desk, "2019.1", &say, &progress).unwrap();
    nights.borrow_mut().push(last.get());
    let nights = nights.into_inner();
    let total = (208 << 20) + 10;
    assert_eq!(nights.iter().sum::<u64>(), total, "{nights:?}");
    // 60 s at 1 MB/s, one second's burst, and the two blocks that were under way when the window
    // closed.
    let most = 61_000_000 + (2 << 24);
    assert!(nights.iter().all(|night| *night <= most), "{nights:?}");
    assert!(nights.len() >= 3, "{nights:?}");
    assert_eq!(said.borrow().len(), nights.len(), "{said:?}");
    assert_eq!(copied.failures, []);
    assert_eq!(copied.outcome.copied.files, 5);
    assert!(copied.outcome.resumed > Bytes(32 << 20));
    // Limits are no measure of the ends.
    assert_eq!(desk.ledger.samples().unwrap(), []);
    drop(desk);
    assert_moved(&scene);
}

#[test]
fn without_spanning_a_batch_ends_with_its_window() {
    let scene = Scene::bare();
    big_source(&scene);
    scene.planned();
    one_minute_a_night(&scene);
    scene.edit("# spanning = true", "spanning = false");
    let settings = poolward::cli::policy::read(&scene.home.join("move.toml")).unwrap();
    let clock = Hand {
        start: Moment::from_seconds(1_800_000_000),
        millis: AtomicU64::new(0),
    };
    let stop = Stop::new();
    let mut desk = Desk::open(&scene.home, settings, &clock, &stop).unwrap();
    let trouble = copy_in_windows(&mut desk, "2019.1", &|_| {}, &|_| {})
        .err()
        .unwrap();
    assert_eq!(trouble.code, "window-closed");
    assert!(clock.ticks() < 2.0 * 86_400.0);
    drop(desk);
    let outside = scene.run("copy").expect(0);
    assert!(
        outside.err.contains("--in-windows") && outside.err.contains("full speed"),
        "{}",
        outside.err
    );
    assert_moved(&scene);
}

fn interrupt(child: &Child) {
    let process = rustix::process::Pid::from_child(child);
    rustix::process::kill_process(process, rustix::process::Signal::INT).unwrap();
}

fn ends_within(child: &mut Child, most: Duration) -> i32 {
    let began = Instant::now();
    while began.elapsed() < most {
        if let Some(status) = child.try_wait().unwrap() {
            return status.code().unwrap_or(-1);
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    child.kill().unwrap();
    panic!("it does not end")
}

/// Starts a copy held to a rate, and waits until it has begun to write.
fn begun(scene: &Scene) -> Child {
    let mut command = scene.command(&["copy", "--all", "--in-windows"]);
    let command = command.stdout(Stdio::null()).stderr(Stdio::null());
    let child = command.spawn().unwrap();
    let began = Instant::now();
    while leftovers(scene).is_empty() {
        assert!(began.elapsed() < Duration::from_secs(60), "nothing is written");
        std::thread::sleep(Duration::from_millis(20));
    }
    std::thread::sleep(Duration::from_secs(3));
    child
}

#[test]
fn one_ctrl_c_ends_at_a_safe_point_two_end_at_once_and_nothing_is_lost() {
    let scene = Scene::bare();
    big(&scene, "reel.raw", 1_100);
    scene.planned();
    let path = scene.home.join("move.toml");
    let mut text = std::fs::read_to_string(&path).unwrap();
    text.push_str(
        "\n[[window]]\ndays = \"mon-sun\"\nfrom = \"00:00\"\nuntil = \"24:00\"\nrate-limit = \"100 MB/s\"\n",
    );
    std::fs::write(&path, text).unwrap();
    let mut first = begun(&scene);
    interrupt(&first);
    assert_eq!(ends_within(&mut first, Duration::from_secs(10)), 130);
    assert!(
        scene.to.join(".poolward/ledger.db").is_file(),
        "the ledger's copy is kept"
    );
    let mut second = begun(&scene);
    interrupt(&second);
    // Two signals of one number that wait at once are one (signal(7)).
    std::thread::sleep(Duration::from_millis(20));
    interrupt(&second);
    assert_eq!(ends_within(&mut second, Duration::from_secs(10)), 130);
    let (code, third) = scene.json("copy --all");
    assert_eq!(code, 0, "{third}");
    let batch = &third["batches"][0];
    assert!(batch["bytes_resumed"].as_u64().unwrap() >= 32 << 20, "{third}");
    assert_eq!(batch["files_failed"], 0);
    assert_moved(&scene);
}

/// Whether this machine's disks are busy is not known here: what is watched must not change what is
/// copied.
#[test]
fn a_copy_that_watches_the_source_counts_and_ends_whole() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    scene.edit("# yield-to-others = false", "yield-to-others = true");
    let (code, copied) = scene.json("copy --all");
    assert_eq!(code, 0, "{copied}");
    for batch in copied["batches"].as_array().unwrap() {
        has(batch, "slowed_times slowed_seconds");
        assert_eq!(batch["files_failed"], 0);
    }
    let (code, verified) = scene.json("verify --all");
    assert_eq!(code, 0, "{verified}");
    assert_eq!(leftovers(&scene), Vec::<String>::new());
}

#[test]
fn a_move_whose_folder_was_lost_in_the_middle_of_a_batch_goes_on_from_what_is_kept() {
    use std::ffi::OsStr;
    let scene = Scene::bare();
    big(&scene, "reel.raw", 1_100);
    for take in 0..20 {
        scene.put(format!("2019-film/take {take}"), &noise(200_000, take));
    }
    scene.planned();
    let path = scene.home.join("move.toml");
    let mut text = std::fs::read_to_string(&path).unwrap();
    text.push_str(
        "\n[[window]]\ndays = \"mon-sun\"\nfrom = \"00:00\"\nuntil = \"24:00\"\nrate-limit = \"100 MB/s\"\n",
    );
    std::fs::write(&path, text).unwrap();
    let mut child = begun(&scene);
    interrupt(&child);
    assert_eq!(ends_within(&mut child, Duration::from_secs(10)), 130);
    // Everything after this the kept ledger does not know.
    let kept = scene.to.join(".poolward/ledger.db");
    let old = std::fs::read(&kept).unwrap();
    scene.run("copy --all").expect(0);
    std::fs::write(&kept, old).unwrap();
    std::fs::remove_dir_all(&scene.home).unwrap();
    let words = [
        OsStr::new("begin"),
        scene.home.as_os_str(),
        OsStr::new("--recover"),
        OsStr::new("--to"),
        scene.to.as_os_str(),
    ];
    poolward(words).expect(0);
    let (code, copied) = scene.json("copy --all");
    assert_eq!(code, 0, "{copied}");
    let batch = &copied["batches"][0];
    assert!(batch["files_adopted"].as_u64().unwrap() >= 1, "{copied}");
    assert_eq!(batch["files_failed"], 0, "{copied}");
    assert_moved(&scene);
    scene.run("verify --all").expect(0);
}
