//! A move carried out unattended: to its end, through kills, holds, edits and drop-outs.

use crate::util::*;
use poolward::moment::Moment;
use poolward::ops::desk::Desk;
use poolward::ops::run::{Voice, run as carry_out};
use poolward::world::{Clock, Stop};
use serde_json::Value;
use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Three years with one project each, so three batches.
fn three_years(scene: &Scene) {
    for (n, year) in ["2018", "2019", "2020"].iter().enumerate() {
        for take in 0..4 {
            let name = format!("{year}-harbour/take {take}.bin");
            let path = scene.put(&name, &noise(900_000, n as u64 * 10 + take));
            let seconds = 1_530_000_000 + n as u64 * 31_500_000;
            set_time(&path, seconds, 5);
        }
    }
    scene.planned();
}

/// A whole day's window at so low a rate that the three batches take seconds.
fn slowly(scene: &Scene, rate: &str) {
    add(
        scene,
        &format!(
            "\n[[window]]\ndays = \"mon-sun\"\nfrom = \"00:00\"\nuntil = \"24:00\"\nrate-limit = \"{rate}\"\n"
        ),
    );
}

fn add(scene: &Scene, text: &str) {
    let path = scene.home.join("move.toml");
    let mut settings = std::fs::read_to_string(&path).unwrap();
    settings.push_str(text);
    std::fs::write(&path, settings).unwrap();
}

/// A run that goes on in the background, its words in files.
struct Going {
    child: Child,
    said: PathBuf,
    out: PathBuf,
}

fn start(scene: &Scene) -> Going {
    let (said, out) = (scene.root().join("said"), scene.root().join("out"));
    let mut command = scene.command(&["run", "--json"]);
    let file = |path: &Path| Stdio::from(std::fs::File::create(path).unwrap());
    let child = command.stdout(file(&out)).stderr(file(&said)).spawn().unwrap();
    Going { child, said, out }
}

impl Going {
    fn said(&self) -> String {
        std::fs::read_to_string(&self.said).unwrap()
    }

    #[track_caller]
    fn until(&mut self, words: &str) {
        let began = Instant::now();
        while !self.said().contains(words) {
            let ended = self.child.try_wait().unwrap();
            assert!(
                ended.is_none(),
                "it ended with {ended:?} and never said {words:?}: {}",
                self.said()
            );
            assert!(
                began.elapsed() < Duration::from_secs(90),
                "never said {words:?}: {}",
                self.said()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn signal(&self, signal: rustix::process::Signal) {
        let process = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(process, signal).unwrap();
    }

    #[track_caller]
    fn ends(mut self, code: Option<i32>) -> (Value, String) {
        let began = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                let out = std::fs::read(&self.out).unwrap();
                assert_eq!(
                    status.code(),
                    code,
                    "{}{}",
                    String::from_utf8_lossy(&out),
                    self.said()
                );
                assert!(!self.said().contains("panicked"), "{}", self.said());
                let object = match code {
                    Some(_) => serde_json::from_slice(&out).expect("exactly one object"),
                    None => Value::Null,
                };
                return (object, self.said());
            }
            assert!(
                began.elapsed() < Duration::from_secs(90),
                "it does not end: {}",
                self.said()
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

impl Drop for Going {
    fn drop(&mut self) {
        if matches!(self.child.try_wait(), Ok(None)) {
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
    }
}

/// By diff(1), and by the states of every batch.
#[track_caller]
fn assert_all_moved(scene: &Scene, ran: &Value) {
    assert_eq!(ran["finished"], true, "{ran}");
    assert_eq!(ran["needs"], Value::Null);
    assert_eq!(ran["bytes_only_at_source"], 0);
    let states: Vec<&str> = ran["batches"]
        .as_array()
        .unwrap()
        .iter()
        .map(|b| b["state"].as_str().unwrap())
        .collect();
    assert_eq!(states, ["verified"; 3], "{ran}");
    for year in ["2018", "2019", "2020"] {
        let name = format!("{year}-harbour");
        let (from, to) = (scene.from.join(&name), scene.to.join(year).join(&name));
        let words = [std::ffi::OsStr::new("-r"), from.as_os_str(), to.as_os_str()];
        let (same, text) = other("diff", &words, &scene.home).expect("diff(1)");
        assert!(same, "{text}");
        assert_eq!(listing(&to), listing(&from));
    }
}

#[test]
fn three_batches_are_run_to_the_end_and_each_is_read_back_one_late() {
    let scene = Scene::bare();
    three_years(&scene);
    let (ran, said) = start(&scene).ends(Some(0));
    assert_eq!((&ran["format"], &ran["command"]), (&1.into(), &"run".into()));
    assert_all_moved(&scene, &ran);
    assert_eq!(ran["bytes_proven"], 12 * 900_000);
    let steps: Vec<&str> = said
        .lines()
        .filter(|l| l.starts_with("Copying") || l.starts_with("Reading"))
        .collect();
    let wanted = [
        "Copying batch 2018.1.",
        "Copying batch 2019.1.",
        "Reading back batch 2018.1.",
        "Copying batch 2020.1.",
        "Reading back batch 2019.1.",
        "Reading back batch 2020.1.",
    ];
    assert_eq!(steps, wanted, "{said}");
    // Again: there is nothing to do, and nothing is touched.
    let before = listing(&scene.to.join("2019"));
    let (again, said) = start(&scene).ends(Some(0));
    assert_all_moved(&scene, &again);
    assert!(!said.contains("Copying"), "{said}");
    assert_eq!(listing(&scene.to.join("2019")), before);
}

#[test]
fn a_run_that_is_killed_or_asked_to_end_goes_on_where_it_was() {
    let scene = Scene::bare();
    three_years(&scene);
    slowly(&scene, "1 MB/s");
    let mut first = start(&scene);
    first.until("Copying batch 2019.1.");
    // Only one run at a time.
    let (code, busy) = scene.json("run");
    assert_eq!((code, &busy["error"]["code"]), (3, &"run-busy".into()));
    first.signal(rustix::process::Signal::KILL);
    first.ends(None);
    let mut second = start(&scene);
    second.until("Copying batch 2020.1.");
    second.signal(rustix::process::Signal::TERM);
    let (object, _) = second.ends(Some(130));
    assert_eq!(object["error"]["code"], "interrupted", "{object}");
    let (ran, said) = start(&scene).ends(Some(0));
    assert_all_moved(&scene, &ran);
    assert!(!said.contains("Copying batch 2018.1"), "{said}");
}

#[test]
fn a_hold_is_obeyed_while_it_runs_and_lifted_again() {
    let scene = Scene::bare();
    three_years(&scene);
    slowly(&scene, "2 MB/s");
    let mut going = start(&scene);
    going.until("Copying batch 2018.1.");
    scene.run("hold --everything").expect(0);
    let held = Instant::now();
    going.until("all that is left is held");
    assert!(held.elapsed() < Duration::from_secs(10), "{:?}", held.elapsed());
    let before = listing(&scene.to);
    std::thread::sleep(Duration::from_secs(3));
    assert_eq!(
        listing(&scene.to),
        before,
        "something was written while everything was held"
    );
    scene.run("hold --off").expect(0);
    // One batch alone is passed over, and waited for at the end.
    scene.run("hold 2019.1").expect(0);
    going.until("all that is left is held: 2019.1");
    let (_, status) = scene.json("status");
    let states: Vec<&str> = status["batches"]
        .as_array()
        .unwrap()
        .iter()
        .map(|b| b["state"].as_str().unwrap())
        .collect();
    assert!(
        states[0] == "verified" && states[2] == "verified" && states[1] != "verified",
        "{states:?}"
    );
    scene.run("hold --off").expect(0);
    let (ran, _) = going.ends(Some(0));
    assert_all_moved(&scene, &ran);
}

#[test]
fn an_edited_file_is_taken_in_and_a_broken_one_told_once() {
    let scene = Scene::bare();
    three_years(&scene);
    scene.run("hold --everything").expect(0);
    let mut going = start(&scene);
    going.until("all that is left is held");
    let path = scene.home.join("move.toml");
    let good = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, format!("{good}\nthis is no setting\n")).unwrap();
    going.until("Until then what it said before holds");
    let events = scene.root().join("events");
    let script = format!(
        "\n[notify]\ncommand = [\"sh\", \"-c\", \"cat >> {}\"]\n",
        events.display()
    );
    std::fs::write(&path, format!("{good}{script}")).unwrap();
    going.until("move.toml has changed");
    scene.run("hold --off").expect(0);
    let (ran, said) = going.ends(Some(0));
    assert_all_moved(&scene, &ran);
    assert_eq!(said.matches("Until then").count(), 1, "{said}");
    // The new setting held: each event is one JSON object on one line.
    let lines = std::fs::read_to_string(&events).unwrap();
    let told: Vec<Value> = lines
        .lines()
        .map(|l| serde_json::from_str(l).expect("JSON"))
        .collect();
    let kinds: Vec<&str> = told.iter().map(|e| e["event"].as_str().unwrap()).collect();
    assert_eq!(kinds, ["batch-done", "batch-done", "batch-done", "finished"]);
    for event in &told {
        has(
            event,
            "format event at move batch code text bytes_proven bytes_only_at_source",
        );
    }
    assert_eq!(
        (&told[0]["batch"], &told[0]["bytes_only_at_source"]),
        (&"2018.1".into(), &7_200_000.into())
    );
    assert_eq!(told[3]["bytes_only_at_source"], 0);
}

#[test]
fn a_source_that_goes_away_is_waited_for() {
    let scene = Scene::bare();
    three_years(&scene);
    slowly(&scene, "1 MB/s");
    let aside = scene.root().join("unmounted");
    let mut going = start(&scene);
    going.until("Copying batch 2018.1.");
    std::fs::rename(&scene.from, &aside).unwrap();
    going.until("It goes on by itself then");
    going.until("Waiting since");
    std::thread::sleep(Duration::from_secs(2));
    std::fs::rename(&aside, &scene.from).unwrap();
    going.until("Everything is there again");
    let (ran, said) = going.ends(Some(0));
    assert_all_moved(&scene, &ran);
    assert!(!said.contains("could not be copied"), "{said}");
}

#[test]
fn a_notifier_that_fails_or_is_missing_stops_nothing() {
    for command in ["[\"false\"]", "[\"/no/such/program\"]"] {
        let scene = Scene::bare();
        three_years(&scene);
        add(&scene, &format!("\n[notify]\ncommand = {command}\n"));
        let (ran, said) = start(&scene).ends(Some(0));
        assert_all_moved(&scene, &ran);
        assert_eq!(said.matches("did not get through").count(), 4, "{said}");
        let ledger = poolward::ledger::Ledger::open(&scene.home.join("ledger.db")).unwrap();
        let events = ledger.events(100).unwrap();
        assert_eq!(
            events
                .iter()
                .filter(|(_, what, _)| what == "notify-failed")
                .count(),
            4
        );
    }
}

#[test]
fn what_differs_is_repaired_once_and_files_of_others_wait_for_a_person() {
    let scene = Scene::bare();
    three_years(&scene);
    // A file of somebody else's at one of our places.
    write(&scene.to.join("2019/2019-harbour/take 0.bin"), b"somebody else's");
    scene.run("copy 2018.1").expect(0);
    // Bits that fell over, with size and times kept.
    let hit = scene.to.join("2018/2018-harbour/take 1.bin");
    let facts = std::fs::metadata(&hit).unwrap();
    let mut bytes = std::fs::read(&hit).unwrap();
    bytes[500_000] ^= 1;
    {
        use std::os::unix::fs::FileExt;
        let file = std::fs::File::options().write(true).open(&hit).unwrap();
        file.write_all_at(&bytes[500_000..500_001], 500_000).unwrap();
        file.set_modified(facts.modified().unwrap()).unwrap();
    }
    let (ran, said) = start(&scene).ends(Some(1));
    assert_eq!(ran["finished"], false, "{ran}{said}");
    assert_eq!(ran["needs"]["code"], "conflict", "{ran}{said}");
    has(&ran["needs"], "code text mend");
    assert!(said.contains("Repairing batch 2018.1"), "{said}");
    // The others went on.
    assert_eq!(ran["batches"][2]["state"], "verified", "{ran}{said}");
    let there = std::fs::read(scene.to.join("2019/2019-harbour/take 0.bin")).unwrap();
    assert_eq!(there, b"somebody else's");
}

#[test]
fn work_begins_when_the_window_opens_and_stops_when_it_closes() {
    let scene = Scene::bare();
    three_years(&scene);
    scene.edit("zone = \"Europe/Berlin\"", "zone = \"UTC\"");
    let seconds = || {
        let now = std::time::SystemTime::now()
            .duration_since(std::time::UNIX_EPOCH)
            .unwrap();
        now.as_secs()
    };
    // The next full minute is the opening, the one after it the end; a minute that is nearly over
    // is let pass.
    while seconds() % 60 > 50 {
        std::thread::sleep(Duration::from_millis(200));
    }
    let minute = seconds() / 60 + 1;
    let wall = |minute: u64| format!("{:02}:{:02}", minute / 60 % 24, minute % 60);
    add(
        &scene,
        &format!(
            "\n[[window]]\ndays = \"mon-sun\"\nfrom = \"{}\"\nuntil = \"{}\"\nrate-limit = \"100 kB/s\"\n",
            wall(minute),
            wall(minute + 1)
        ),
    );
    let mut going = start(&scene);
    going.until("Waiting: for the next window, until");
    assert!(!going.said().contains("Copying"), "{}", going.said());
    assert!(listing(&scene.to).iter().all(|line| !line.contains("harbour")));
    going.until("Copying batch 2018.1.");
    assert!(seconds() >= minute * 60);
    going.until("the window has closed");
    assert!(seconds() >= minute * 60 + 55, "closed too early");
    let before = listing(&scene.to.join("2018"));
    std::thread::sleep(Duration::from_secs(2));
    assert_eq!(listing(&scene.to.join("2018")), before);
    going.signal(rustix::process::Signal::INT);
    going.ends(Some(130));
}

#[test]
fn a_run_without_a_plan_and_the_service_file_are_what_they_should_be() {
    let scene = Scene::bare();
    scene.small();
    scene.begin();
    let (code, refused) = scene.json("run");
    assert_eq!((code, &refused["error"]["code"]), (2, &"not-planned".into()));
    let unit = Path::new(env!("CARGO_MANIFEST_DIR")).join("man/poolward-run.service");
    let text = std::fs::read_to_string(&unit).unwrap();
    for line in [
        "Restart=on-failure",
        "RestartPreventExitStatus=1 2",
        "SuccessExitStatus=130",
    ] {
        assert!(text.lines().any(|l| l == line), "no {line} in {text}");
    }
    // Checked as it would be installed: with a program and a folder that exist.
    let real = text
        .replace("/usr/local/bin/poolward", env!("CARGO_BIN_EXE_poolward"))
        .replace("/srv/move", &scene.home.display().to_string());
    let installed = scene.root().join("poolward-run.service");
    std::fs::write(&installed, real).unwrap();
    if !crate::support::has_program("systemd-analyze") {
        return crate::support::skip("no systemd-analyze");
    }
    let words = ["verify", "--man=no"].map(std::ffi::OsStr::new);
    let (good, said) = other(
        "systemd-analyze",
        &[words[0], words[1], installed.as_os_str()],
        &scene.home,
    )
    .unwrap();
    let about: Vec<&str> = said
        .lines()
        .filter(|l| l.contains("poolward-run.service"))
        .collect();
    assert!(about.is_empty(), "{good} {about:?}");
}

#[test]
fn watching_without_a_terminal_shows_the_state_once() {
    let scene = Scene::bare();
    three_years(&scene);
    let shown = scene.run("status --watch").expect(0);
    assert!(
        shown.text().contains("2018.1") && shown.err.contains("No terminal"),
        "{}",
        shown.err
    );
    assert!(!shown.text().contains('\u{1b}'));
}

/// A clock that only waiting moves, and that does something at a time.
struct Hand<'h> {
    start: Moment,
    millis: AtomicU64,
    at: u64,
    does: Mutex<Option<Box<dyn FnOnce() + Send + 'h>>>,
}

impl Clock for Hand<'_> {
    fn now(&self) -> Moment {
        let seconds = self.millis.load(Ordering::SeqCst) / 1_000;
        self.start.plus_seconds(i64::try_from(seconds).unwrap())
    }
    fn ticks(&self) -> f64 {
        self.millis.load(Ordering::SeqCst) as f64 / 1_000.0
    }
    fn wait(&self, span: Duration, _: &Stop) {
        let step = u64::try_from(span.as_millis().max(1)).unwrap();
        let now = self.millis.fetch_add(step, Ordering::SeqCst) + step;
        if now >= self.at {
            if let Some(work) = self.does.lock().unwrap().take() {
                work();
            }
        }
    }
}

/// Runs in this process under such a clock; answers what it said with seconds, and the events kept.
fn under_hand(
    scene: &Scene,
    at: u64,
    does: Box<dyn FnOnce() + Send + '_>,
) -> (Vec<(u64, String)>, Vec<String>) {
    let settings = poolward::cli::policy::read(&scene.home.join("move.toml")).unwrap();
    let start = poolward::world::SystemClock::default().now();
    let clock = Hand {
        start,
        millis: AtomicU64::new(0),
        at: at * 1_000,
        does: Mutex::new(Some(does)),
    };
    let stop = Stop::new();
    let pause = Stop::below(&stop);
    let mut desk = Desk::open(&scene.home, settings, &clock, &pause).unwrap();
    let said = RefCell::new(Vec::new());
    let voice = Voice {
        say: &|line| {
            said.borrow_mut()
                .push((clock.millis.load(Ordering::SeqCst) / 1_000, line.to_string()))
        },
        begins: &|_, _| {},
        at: &|_, _| {},
        ends: &|| {},
        read: &poolward::cli::policy::read,
    };
    let ran = carry_out(&mut desk, &voice).unwrap();
    assert_eq!(ran.need, None, "{said:?}");
    assert_eq!(ran.stake.only_there.files, 0);
    let events = desk.ledger.events(200).unwrap();
    (
        said.into_inner(),
        events.into_iter().map(|(_, what, _)| what).collect(),
    )
}

#[test]
fn an_end_that_is_away_for_long_is_an_alarm_and_its_return_is_told() {
    let scene = Scene::bare();
    three_years(&scene);
    scene.edit("# rescan = \"daily\"", "rescan = \"never\"");
    let aside = scene.root().join("unmounted");
    std::fs::rename(&scene.from, &aside).unwrap();
    let back = || std::fs::rename(&aside, &scene.from).unwrap();
    let (said, events) = under_hand(&scene, 5_000, Box::new(back));
    let at = |words: &str| -> Vec<u64> {
        let lines = said.iter().filter(|(_, line)| line.contains(words));
        lines.map(|(at, _)| *at).collect()
    };
    let alarm = at("Trouble: away since");
    assert_eq!(alarm.len(), 1, "{said:?}");
    // Looks come after 1, 3, 7, 15, … 511, 1023 s: the first one past a quarter of an hour tells.
    assert!((900..=1_100).contains(&alarm[0]), "{said:?}");
    let back = at("everything is there again");
    assert_eq!(back.len(), 1, "{said:?}");
    // At most a quarter of an hour after it came.
    assert!((5_000..=5_910).contains(&back[0]), "{said:?}");
    assert_eq!(events.iter().filter(|what| *what == "silence-ended").count(), 1);
    assert_eq!(events.last().map(String::as_str), Some("finished"));
}

#[test]
fn a_line_an_hour_tells_how_far_it_is() {
    let scene = Scene::bare();
    let reel = scene.put("2019-film/reel.raw", b"");
    std::fs::File::options()
        .write(true)
        .open(&reel)
        .unwrap()
        .set_len(64 << 20)
        .unwrap();
    set_time(&reel, 1_560_000_000, 7);
    scene.planned();
    scene.edit("# rescan = \"daily\"", "rescan = \"never\"");
    slowly(&scene, "8 kB/s");
    let (said, _) = under_hand(&scene, u64::MAX / 2_000, Box::new(|| {}));
    let beats: Vec<&(u64, String)> = said
        .iter()
        .filter(|(_, line)| line.starts_with("Copying batch") && line.contains("all done likely"))
        .collect();
    // 64 MiB at 8 kB/s are 8,389 s, so two hours at most; this clock leaps between two looks.
    assert!((1..=2).contains(&beats.len()), "{said:?}");
    assert!(beats[0].0 >= 3_600, "{said:?}");
    assert!(
        beats[0].1.contains("kB/s") && beats[0].1.contains("forecast"),
        "{beats:?}"
    );
}

#[test]
fn late_files_come_over_by_a_daily_scan_and_a_plan_that_only_grows() {
    let scene = Scene::bare();
    three_years(&scene);
    // A day goes by while everything is held; meanwhile a file and a project come.
    scene.run("hold --everything").expect(0);
    let come = || {
        let late = scene.put("2020-harbour/late take.bin", &noise(5_000, 77));
        set_time(&late, 1_593_000_000, 5);
        scene.put("2019-lighthouse/first.bin", &noise(6_000, 78));
        scene.run("hold --off").expect(0);
    };
    let (said, events) = under_hand(&scene, 90_000, Box::new(come));
    assert!(said.iter().any(|(_, line)| line.contains("Scanned")), "{said:?}");
    assert!(events.iter().any(|what| what == "scanned"));
    for (from, to) in [("2020-harbour", "2020"), ("2019-lighthouse", "2019")] {
        assert_eq!(
            listing(&scene.to.join(to).join(from)),
            listing(&scene.from.join(from)),
            "{said:?}"
        );
    }
}
