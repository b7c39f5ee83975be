//! status --serve: what a browser, a program and somebody who means no good get from it.

use crate::served::{Fetched, Served};
use crate::support::{has_program, skip};
use crate::util::{Scene, command, has, noise, one_line};
use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Shutdown, TcpStream};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// A move with one batch copied.
fn begun() -> Scene {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    scene.run("copy").expect(0);
    scene
}

/// Times that depend on when the question was asked.
fn without_times(mut object: Value) -> Value {
    object["finish"] = Value::Null;
    for batch in object["batches"].as_array_mut().expect("batches") {
        batch["planned_end"] = Value::Null;
        batch["forecast_end"] = Value::Null;
    }
    object
}

#[test]
fn the_page_the_figures_and_the_calendar_are_served() {
    let scene = begun();
    let served = Served::of(&scene);
    has(&served.first, "format command listening url open");
    assert_eq!(served.first["command"], "status");
    assert_eq!(served.first["open"], false);
    assert_eq!(served.first["url"], format!("http://{}/", served.at));

    let page = served.get("/").expect(200);
    assert_eq!(page.field("Content-Type"), Some("text/html; charset=utf-8"));
    assert_eq!(
        page.field("Content-Length"),
        Some(page.body.len().to_string().as_str())
    );
    assert!(
        page.field("Content-Security-Policy")
            .unwrap()
            .starts_with("default-src 'none'")
    );
    assert!(page.body.contains("http-equiv=\"refresh\" content=\"60\""));
    let still = served.get("/?still").expect(200);
    assert!(!still.body.contains("http-equiv=\"refresh\""));

    // The same page as the file, but for the line on top, its style, and the time.
    scene.run("report").expect(0);
    let file = std::fs::read_to_string(scene.home.join("reports/report.html")).unwrap();
    assert!(!file.contains("http-equiv=\"refresh\"") && !file.contains("served"));
    let sections = |html: &str| html.matches("<section>").count();
    assert_eq!(sections(&page.body), sections(&file));
    let table = |html: &str| {
        let from = html
            .find("<h2>Years</h2>")
            .or_else(|| html.find("<h2>Rates</h2>"));
        let rest = &html[from.expect("a section")..];
        rest[..rest.find("</section>").expect("its end")].to_string()
    };
    assert_eq!(table(&page.body), table(&file));

    let figures = served.get("/status.json").expect(200);
    assert_eq!(figures.field("Content-Type"), Some("application/json"));
    let figures: Value = serde_json::from_str(&figures.body).expect("one object");
    let (_, printed) = scene.json("status");
    assert_eq!(without_times(figures), without_times(printed));

    let calendar = served.get("/schedule.ics").expect(200);
    assert_eq!(
        calendar.field("Content-Type"),
        Some("text/calendar; charset=utf-8")
    );
    assert!(calendar.body.starts_with("BEGIN:VCALENDAR\r\n"));

    let (code, err) = served.ends(rustix::process::Signal::TERM);
    assert_eq!((code, err.as_str()), (Some(0), ""));
}

#[test]
fn what_is_not_asked_for_properly_is_refused_and_the_rest_goes_on() {
    let scene = begun();
    let served = Served::of(&scene);
    served.get("/ledger.db").expect(404);
    served.get("/../move.toml").expect(404);
    served.get("/%2e%2e/move.toml").expect(404);
    let posted = format!(
        "POST / HTTP/1.1\r\nHost: {}\r\nContent-Length: 5\r\n\r\nhello",
        served.at
    );
    let posted = served.raw(posted.as_bytes()).expect(405);
    assert_eq!(posted.field("Allow"), Some("GET, HEAD"));
    served.raw(b"GET / HTTP/1.1\r\n\r\n").expect(400);
    served
        .raw(b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03")
        .expect(400);
    served.raw(b"GET / HTTP/3.7\r\n\r\n").expect(505);

    // HEAD: the same fields, no content (RFC 9110 section 9.3.2).
    let get = served.get("/status.json").expect(200);
    let head = format!("HEAD /status.json HTTP/1.1\r\nHost: {}\r\n\r\n", served.at);
    let head = served.raw(head.as_bytes()).expect(200);
    assert_eq!(head.body, "");
    assert_eq!(head.field("Content-Length"), get.field("Content-Length"));

    // A name that a stranger's own server leads here.
    let rebound = served
        .raw(b"GET / HTTP/1.1\r\nHost: rebound.example:80\r\n\r\n")
        .expect(421);
    assert!(!rebound.body.contains("2019"));
    served
        .raw(b"GET http://rebound.example/ HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        .expect(421);
    served
        .raw(b"GET /status.json HTTP/1.1\r\nHost: localhost:9000\r\n\r\n")
        .expect(200);

    // More than a head may have, all of it sent before anything is read.
    let long = "a".repeat(300_000);
    served.raw(format!("GET /{long}").as_bytes()).expect(414);
    let fields = format!("GET / HTTP/1.1\r\nHost: a\r\nX: {long}\r\n\r\n");
    served.raw(fields.as_bytes()).expect(431);

    // Gone in the middle of a request, and before the answer is read.
    drop(served.connect().write_all(b"GET / HT"));
    let mut rude = served.connect();
    rude.write_all(format!("GET / HTTP/1.1\r\nHost: {}\r\n\r\n", served.at).as_bytes())
        .unwrap();
    rude.shutdown(Shutdown::Both).unwrap();
    served.get("/").expect(200);
    let (code, err) = served.ends(rustix::process::Signal::INT);
    assert_eq!((code, err.as_str()), (Some(0), ""));
}

#[test]
fn slow_clients_are_let_go_and_hold_nobody_up() {
    let scene = begun();
    let served = Served::of(&scene);
    served.get("/").expect(200);
    // One says nothing, one sends a byte at a time: both times have an end that no byte moves.
    let mut silent = served.connect();
    let mut drip = served.connect();
    let start = Instant::now();
    let dripping = std::thread::spawn(move || {
        let mut sent = 0;
        for byte in b"GET / HTTP/1.1\r\nX-Long: aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa"
            .iter()
            .cycle()
        {
            if drip.write_all(&[*byte]).is_err() || start.elapsed() > Duration::from_secs(40) {
                break;
            }
            sent += 1;
            std::thread::sleep(Duration::from_millis(300));
        }
        (sent, start.elapsed())
    });
    let begin = Instant::now();
    served.get("/status.json").expect(200);
    served.get("/").expect(200);
    assert!(begin.elapsed() < Duration::from_secs(30));
    let mut none = Vec::new();
    assert_eq!(silent.read_to_end(&mut none).unwrap_or(0), 0);
    let (sent, span) = dripping.join().unwrap();
    assert!(
        sent > 1 && span < Duration::from_secs(35),
        "{sent} bytes in {span:?}"
    );
    served.get("/").expect(200);
}

#[test]
fn thirty_at_once_are_all_answered_and_more_than_there_is_room_for_are_told() {
    let scene = begun();
    let served = Served::of(&scene);
    let answers: Vec<u16> = std::thread::scope(|threads| {
        let ask = |n: usize| served.get(["/", "/status.json", "/schedule.ics"][n % 3]).code;
        let asked: Vec<_> = (0..30).map(|n| threads.spawn(move || ask(n))).collect();
        asked.into_iter().map(|one| one.join().unwrap()).collect()
    });
    assert!(
        answers.iter().all(|code| matches!(code, 200 | 503)),
        "{answers:?}"
    );
    assert!(
        answers.iter().filter(|code| **code == 200).count() >= 16,
        "{answers:?}"
    );

    // All places taken by connections that have begun and say no more. On a machine with much else to
    // do some may not be heard yet, or be given up already.
    let full = || {
        let held: Vec<TcpStream> = (0..16)
            .map(|_| {
                let mut stream = served.connect();
                stream.write_all(b"GET / HT").unwrap();
                stream
            })
            .collect();
        std::thread::sleep(Duration::from_millis(500));
        let turned = served.get("/");
        (turned.code == 503).then_some((held, turned))
    };
    let (held, turned) = (0..10).find_map(|_| full()).expect("all places are taken");
    assert_eq!(turned.field("Retry-After"), Some("1"));
    for mut stream in held {
        let rest = format!("TP/1.1\r\nHost: {}\r\n\r\n", served.at);
        stream.write_all(rest.as_bytes()).unwrap();
        // On a machine with much else to do the time for a request may be over.
        assert!(matches!(Fetched::from(&mut stream).code, 200 | 408));
    }
    served.get("/").expect(200);
    // Connections still open do not hold up the end.
    let open = served.connect();
    let begin = Instant::now();
    assert_eq!(served.ends(rustix::process::Signal::TERM).0, Some(0));
    assert!(begin.elapsed() < Duration::from_secs(20));
    drop(open);
}

#[test]
fn it_follows_the_work_and_changes_nothing() {
    let scene = Scene::bare();
    scene.small();
    for n in 0..40 {
        scene.put(format!("2018-harbour/film-{n}.bin"), &noise(400_000, n));
    }
    scene.planned();
    // Files of the ledger and around it, but for what SQLite keeps for those who read.
    let facts = || {
        let mut listed = crate::util::listing(&scene.home);
        listed.retain(|line| !line.contains("ledger.db-"));
        listed
    };
    let before = facts();
    let served = Served::of(&scene);
    let planned = served.get("/status.json").expect(200);
    served.get("/").expect(200);
    served.get("/schedule.ics").expect(200);
    assert_eq!(facts(), before);
    let copied = |body: &str| {
        let object: Value = serde_json::from_str(body).expect("an object");
        let files = &object["totals"]["files"];
        (
            files["copied"].as_u64().unwrap(),
            files["total"].as_u64().unwrap(),
        )
    };
    assert_eq!(copied(&planned.body), (0, 44));

    let mut copying = scene
        .command(&["copy", "--all"])
        .stdout(Stdio::null())
        .spawn()
        .expect("it copies");
    let begin = Instant::now();
    let mut seen = 0;
    while seen < 44 && begin.elapsed() < Duration::from_secs(100) {
        let (now, _) = copied(&served.get("/status.json").expect(200).body);
        assert!(now >= seen);
        seen = now;
        served.get("/").expect(200);
        std::thread::sleep(Duration::from_millis(200));
    }
    assert!(copying.wait().unwrap().success());
    assert_eq!(seen, 44);
}

#[test]
fn a_move_folder_that_is_away_is_said_and_waited_for() {
    let scene = begun();
    let served = Served::of(&scene);
    served.get("/").expect(200);
    let aside = scene.root().join("aside");
    std::fs::rename(&scene.home, &aside).unwrap();
    // Another move above it is not taken for this one.
    std::fs::write(scene.root().join("move.toml"), "").unwrap();
    let page = served.get_until("/", 503);
    assert_eq!(page.field("Content-Type"), Some("text/html; charset=utf-8"));
    assert_eq!(page.field("Retry-After"), Some("60"));
    assert!(page.body.contains("The move folder") && page.body.contains("http-equiv=\"refresh\""));
    let figures = served.get_until("/status.json", 503);
    assert_eq!(figures.field("Content-Type"), Some("text/plain; charset=utf-8"));
    std::fs::rename(&aside, &scene.home).unwrap();
    served.get_until("/", 200);
    served.get_until("/status.json", 200);
    let (code, err) = served.ends(rustix::process::Signal::TERM);
    assert_eq!((code, err.as_str()), (Some(0), ""));
}

/// Another process that keeps the ledger to itself for a moment is waited for; readers of a ledger
/// in its usual mode are never held up (SQLite, "Write-Ahead Logging", section 2).
#[test]
fn a_ledger_that_is_locked_for_a_moment_is_waited_for() {
    let scene = begun();
    let served = Served::of(&scene);
    let ledger = rusqlite::Connection::open(scene.home.join("ledger.db")).unwrap();
    ledger
        .execute_batch("PRAGMA locking_mode=EXCLUSIVE; BEGIN EXCLUSIVE; UPDATE meta SET value = value;")
        .unwrap();
    std::thread::scope(|threads| {
        let asked: Vec<_> = ["/", "/status.json"]
            .into_iter()
            .map(|path| threads.spawn(|| served.get(path).code))
            .collect();
        std::thread::sleep(Duration::from_secs(2));
        assert!(asked.iter().all(|one| !one.is_finished()));
        // Who asks for what is not there is told so meanwhile.
        served.get("/elsewhere").expect(404);
        ledger.execute_batch("COMMIT").unwrap();
        ledger.close().unwrap();
        for one in asked {
            assert_eq!(one.join().unwrap(), 200);
        }
    });
}

#[test]
fn what_cannot_be_listened_at_is_told_with_what_to_do() {
    let scene = begun();
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let taken_at = taken.local_addr().unwrap().to_string();
    for (address, code, word) in [
        ("here", 2, "bad-address"),
        ("127.0.0.1", 2, "bad-address"),
        (taken_at.as_str(), 3, "address-in-use"),
        // TEST-NET-1, addresses that no machine has (RFC 5737).
        ("192.0.2.1:0", 3, "address-absent"),
    ] {
        let ran = scene
            .run_words(&["status", "--serve", address, "--json"])
            .expect(code);
        let error = ran.object()["error"].clone();
        assert_eq!(error["code"], word, "{address}");
        assert!(error["mend"].as_str().is_some_and(|mend| !mend.is_empty()));
        let ran = scene.run_words(&["status", "--serve", address]).expect(code);
        one_line(&ran, address);
        assert_eq!(ran.text(), "");
    }
    for with in ["--watch", "--left-behind", "--exposed", "--cutover"] {
        scene.run_words(&["status", "--serve", "0", with]).expect(2);
    }
    // What `status` stops at stops here, before an address is told.
    let bare = Scene::bare();
    bare.small();
    bare.begin();
    let ran = bare.run("status --serve 127.0.0.1:0");
    assert!(ran.code > 1 && ran.text().is_empty(), "{}{}", ran.text(), ran.err);
}

#[test]
fn people_and_scripts_are_told_where_and_of_an_open_address_what_it_means() {
    let scene = begun();
    let told = |address: &str, quiet: bool| {
        let mut words = vec!["status", "--serve", address];
        words.extend(quiet.then_some("--quiet"));
        let mut child = scene
            .command(&words)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it starts");
        let mut line = String::new();
        let mut out = BufReader::new(child.stdout.take().expect("its output"));
        out.read_line(&mut line).expect("a line");
        let pid = rustix::process::Pid::from_child(&child);
        rustix::process::kill_process(pid, rustix::process::Signal::TERM).expect("a signal");
        out.read_to_string(&mut line).expect("the rest");
        let output = child.wait_with_output().expect("it ends");
        assert_eq!(output.status.code(), Some(0));
        (line, String::from_utf8(output.stderr).expect("UTF-8"))
    };
    let (out, err) = told("127.0.0.1:0", false);
    assert!(
        out.starts_with("The page of this move is at http://127.0.0.1:") && out.contains("ssh -L"),
        "{out}"
    );
    assert_eq!(err, "");
    let (out, err) = told("0.0.0.0:0", false);
    assert!(
        out.starts_with("The page of this move is at http://") && !out.contains("ssh"),
        "{out}"
    );
    assert!(
        err.contains("no password") && err.contains("local rules come first"),
        "{err}"
    );
    let (out, err) = told("0", true);
    assert!(
        out.starts_with("http://127.0.0.1:") && out.lines().count() == 1,
        "{out}"
    );
    assert_eq!(err, "");
}

/// What a real browser makes of it: the style written into the page applies under the policy of the
/// answer, and nothing it would load is refused by it. The pictures are there to be looked at.
#[test]
fn a_browser_shows_the_page() {
    if !has_program("chromium") {
        return skip("no chromium here");
    }
    let scene = begun();
    let served = Served::of(&scene);
    let profile = scene.root().join("browser");
    let browse = |more: &[&str]| {
        let output = Command::new("timeout")
            .args([
                "--signal=KILL",
                "90",
                "chromium",
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
            ])
            .args([
                "--disable-dev-shm-usage",
                "--no-first-run",
                "--hide-scrollbars",
                "--enable-logging=stderr",
            ])
            .arg(format!("--user-data-dir={}", profile.display()))
            .args(more)
            .arg(format!("http://{}/?still", served.at))
            .output()
            .expect("it starts");
        (
            String::from_utf8_lossy(&output.stdout).into_owned(),
            String::from_utf8_lossy(&output.stderr).into_owned(),
        )
    };
    let (shown, log) = browse(&["--dump-dom"]);
    assert!(
        shown.contains("Figures as JSON") && shown.contains("2019.1"),
        "{shown}{log}"
    );
    assert!(
        !log.contains("violates the following Content Security Policy"),
        "{log}"
    );
    for (name, size) in [
        ("narrow", "--window-size=360,1600"),
        ("wide", "--window-size=1200,1600"),
    ] {
        let picture = scene.root().join(format!("{name}.png"));
        let (_, log) = browse(&[size, &format!("--screenshot={}", picture.display())]);
        let bytes = std::fs::read(&picture).unwrap_or_default();
        assert!(bytes.starts_with(b"\x89PNG") && bytes.len() > 5_000, "{log}");
        // For whoever wants to look at them.
        if let Some(folder) = std::env::var_os("POOLWARD_PICTURES") {
            std::fs::copy(
                &picture,
                std::path::Path::new(&folder).join(format!("served-{name}.png")),
            )
            .unwrap();
        }
    }
}

/// The help says what it is worth and what it is not.
#[test]
fn the_help_tells_of_the_danger() {
    let output = command().args(["status", "--help"]).output().unwrap();
    let text = String::from_utf8(output.stdout)
        .unwrap()
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ");
    assert!(
        text.contains("There is no password") && text.contains("--serve 127.0.0.1:8137"),
        "{text}"
    );
}
