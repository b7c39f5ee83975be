//! The job-array script: run by hand, and by a real Slurm on one node.

use crate::absorbing::{absorb, waybills};
use crate::support::{has_program, is_root, skip};
use crate::util::{Ran, Scene};
use serde_json::Value;
use std::fs;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

fn receipts(folder: &Path) -> Vec<PathBuf> {
    let items = fs::read_dir(folder).expect("a folder");
    let paths = items.map(|item| item.expect("an entry").path());
    let mut found: Vec<PathBuf> = paths
        .filter(|path| path.extension().is_some_and(|end| end == "receipt"))
        .collect();
    found.sort();
    found
}

/// sh as Debian has it, with an environment of its own.
fn sh(script: &Path, variables: &[(&str, &Path)]) -> Ran {
    let mut run = Command::new("sh");
    run.arg(script).env_clear().env("PATH", "/usr/bin:/bin");
    run.env("POOLWARD", env!("CARGO_BIN_EXE_poolward"));
    run.envs(variables.iter().copied());
    Ran::of(run.stdin(Stdio::null()).output().expect("sh starts"))
}

/// Blanks, both quotes, a newline, a dollar and what sh would run, in every path there is.
#[test]
fn the_script_works_by_hand_whatever_its_paths_are_called() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let odd = scene.root().join("way bills' \"of\"\n$HOME `id` \\ end");
    let words = [
        "waybill",
        "--all",
        "--json",
        "--out",
        odd.to_str().expect("UTF-8"),
    ];
    let written = scene.run_words(&words).expect(0).object();
    assert_eq!(written["waybills"].as_array().expect("waybills").len(), 2);
    let script = PathBuf::from(written["script"].as_str().expect("a script"));
    assert_eq!(script, odd.join("array.sh"));
    let read = Command::new("sh")
        .arg("-n")
        .arg(&script)
        .status()
        .expect("sh starts");
    assert!(read.success());
    let ends = scene.root().join("odd 'ends' \"here\"\n$x");
    fs::create_dir(&ends).expect("a folder");
    std::os::unix::fs::symlink(&scene.from, ends.join("from it")).expect("a link");
    std::os::unix::fs::symlink(&scene.to, ends.join("to it")).expect("a link");
    let (from, to) = (ends.join("from it"), ends.join("to it"));
    let task = |number: &str| {
        let number = Path::new(number);
        sh(
            &script,
            &[
                ("SLURM_ARRAY_TASK_ID", number),
                ("SOURCE", &from),
                ("DESTINATION", &to),
            ],
        )
    };
    task("1").expect(0);
    task("2").expect(0);
    let beyond = task("3").expect(2);
    assert!(
        beyond.err.contains("no waybill has the number 3"),
        "{}",
        beyond.err
    );
    let unset = sh(&script, &[("SOURCE", &from)]);
    assert!(
        unset.code != 0 && unset.err.contains("SLURM_ARRAY_TASK_ID"),
        "{}",
        unset.err
    );
    let found = receipts(&odd);
    assert_eq!(found.len(), 2);
    let (exit, told) = absorb(&scene, &found);
    assert_eq!(exit, 0, "{told:?}");
    // Moved to where another machine has it, the folder is named by a variable.
    let moved = scene.root().join("moved");
    fs::rename(&odd, &moved).expect("it moves");
    for receipt in receipts(&moved) {
        fs::remove_file(receipt).expect("a receipt");
    }
    let again = sh(
        &moved.join("array.sh"),
        &[
            ("SLURM_ARRAY_TASK_ID", Path::new("1")),
            ("WAYBILLS", &moved),
            ("SOURCE", &from),
            ("DESTINATION", &to),
        ],
    );
    again.expect(0);
    assert_eq!(receipts(&moved).len(), 1);
}

/// slurmctld, slurmd and munged of this test alone, in a folder of its own.
struct Cluster {
    folder: tempfile::TempDir,
    running: Vec<Child>,
}

impl Drop for Cluster {
    fn drop(&mut self) {
        // The node before its controller, and what vouches for both last.
        for child in self.running.iter_mut().rev() {
            let pid = rustix::process::Pid::from_child(child);
            let _ = rustix::process::kill_process(pid, rustix::process::Signal::TERM);
            let began = Instant::now();
            while matches!(child.try_wait(), Ok(None)) {
                if began.elapsed() > Duration::from_secs(5) {
                    let _ = child.kill();
                }
                std::thread::sleep(Duration::from_millis(20));
            }
        }
    }
}

/// Whether this Slurm is of 2023 or later, by its own word.
fn newer_than_22() -> bool {
    let told = Command::new("slurmd").arg("-V").output().expect("slurmd starts");
    let text = String::from_utf8_lossy(&told.stdout).into_owned();
    let year = text
        .split_whitespace()
        .nth(1)
        .and_then(|version| version.split('.').next());
    year.and_then(|year| year.parse::<u32>().ok())
        .is_some_and(|year| year > 22)
}

fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    listener.local_addr().expect("an address").port()
}

impl Cluster {
    /// One node that does everything, as slurm.conf(5) has it.
    fn start() -> Cluster {
        let folder = tempfile::tempdir().expect("a folder");
        let at = folder.path().display().to_string();
        let name = fs::read_to_string("/proc/sys/kernel/hostname").expect("a name");
        let host = name.trim().split('.').next().expect("a name").to_string();
        fs::write(folder.path().join("munge.key"), crate::util::noise(1024, 7)).expect("a key");
        let key = folder.path().join("munge.key");
        let mut rights = fs::metadata(&key).expect("facts").permissions();
        std::os::unix::fs::PermissionsExt::set_mode(&mut rights, 0o400);
        fs::set_permissions(&key, rights).expect("rights");
        for below in ["state", "spool"] {
            fs::create_dir(folder.path().join(below)).expect("a folder");
        }
        let (ctld, d) = (free_port(), free_port());
        let settings = format!(
            "ClusterName=here\nSlurmctldHost={host}(127.0.0.1)\nSlurmUser=root\nSlurmdUser=root\n\
             AuthType=auth/munge\nAuthInfo=socket={at}/munge.sock\nCredType=cred/munge\n\
             SlurmctldPort={ctld}\nSlurmdPort={d}\nStateSaveLocation={at}/state\nSlurmdSpoolDir={at}/spool\n\
             SlurmctldPidFile={at}/ctld.pid\nSlurmdPidFile={at}/d.pid\nSlurmctldLogFile={at}/ctld.log\n\
             SlurmdLogFile={at}/d.log\nProctrackType=proctrack/linuxproc\nTaskPlugin=task/none\n\
             SelectType=select/cons_tres\nSelectTypeParameters=CR_CPU\nSlurmdParameters=config_overrides\nSwitchType=switch/none\nMpiDefault=none\n\
             JobAcctGatherType=jobacct_gather/none\nReturnToService=2\nMailProg=/bin/true\n\
             NodeName={host} NodeAddr=127.0.0.1 CPUs=4 State=UNKNOWN\n\
             PartitionName=all Nodes={host} Default=YES MaxTime=INFINITE State=UP\n"
        );
        fs::write(folder.path().join("slurm.conf"), settings).expect("settings");
        if newer_than_22() {
            // cgroup.conf(5), from memory: newer ones look for control groups unless told not to.
            let off = folder.path().join("cgroup.conf");
            fs::write(off, "CgroupPlugin=disabled\n").expect("settings");
        }
        let mut cluster = Cluster {
            folder,
            running: Vec::new(),
        };
        let options = [
            "key-file=munge.key",
            "socket=munge.sock",
            "pid-file=munge.pid",
            "log-file=munge.log",
            "seed-file=munge.seed",
        ];
        let mut munged = vec!["--foreground".to_string(), "--force".to_string()];
        munged.extend(options.map(|option| {
            let (key, file) = option.split_once('=').expect("an option");
            format!("--{key}={at}/{file}")
        }));
        cluster.run("munged", &munged);
        let conf = format!("{at}/slurm.conf");
        cluster.until("munged", |at| at.join("munge.sock").exists());
        cluster.run("slurmctld", &["-D".into(), "-f".into(), conf.clone()]);
        cluster.run("slurmd", &["-D".into(), "-f".into(), conf, "-N".into(), host]);
        cluster
    }

    fn run(&mut self, program: &str, words: &[String]) {
        let said = fs::File::create(self.folder.path().join(format!("{program}.said"))).expect("a file");
        let child = Command::new(program)
            .args(words)
            .stdin(Stdio::null())
            .stdout(said.try_clone().expect("a file"))
            .stderr(said)
            .spawn();
        self.running.push(child.expect("it starts"));
    }

    fn until(&self, what: &str, is: impl Fn(&Path) -> bool) {
        let began = Instant::now();
        while !is(self.folder.path()) {
            assert!(
                began.elapsed() < Duration::from_secs(20),
                "{what}: {}",
                self.said()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// What the three have logged.
    fn said(&self) -> String {
        let mut all = String::new();
        for item in fs::read_dir(self.folder.path()).expect("a folder") {
            let path = item.expect("an entry").path();
            if path.extension().is_some_and(|end| end == "log" || end == "said") {
                let text = fs::read(&path).unwrap_or_default();
                all.push_str(&format!(
                    "\n{}:\n{}",
                    path.display(),
                    String::from_utf8_lossy(&text)
                ));
            }
        }
        all
    }

    fn command(&self, program: &str) -> Command {
        let mut command = Command::new(program);
        command.env("SLURM_CONF", self.folder.path().join("slurm.conf"));
        command.current_dir(self.folder.path());
        command
    }

    fn is_idle(&self) -> bool {
        let told = self.command("sinfo").args(["-h", "-o", "%T"]).output();
        told.is_ok_and(|told| told.stdout.starts_with(b"idle"))
    }

    /// Hands in a script and waits until every task of the array has left the queue.
    fn batch(&self, script: &Path, variables: &[(&str, &Path)]) {
        let mut sbatch = self.command("sbatch");
        sbatch.arg("--parsable").arg(script);
        sbatch.env("POOLWARD", env!("CARGO_BIN_EXE_poolward"));
        sbatch.envs(variables.iter().copied());
        let told = sbatch.stdin(Stdio::null()).output().expect("sbatch starts");
        assert!(told.status.success(), "{}", self.said());
        let job = String::from_utf8_lossy(&told.stdout).trim().to_string();
        self.until("the array", |_| {
            let left = self.command("squeue").args(["-h", "-j", &job]).output();
            left.is_ok_and(|left| left.stdout.is_empty())
        });
    }

    fn outputs(&self) -> String {
        let items = fs::read_dir(self.folder.path()).expect("a folder");
        let outs = items.map(|item| item.expect("an entry").path());
        let outs = outs.filter(|path| path.extension().is_some_and(|end| end == "out"));
        outs.map(|path| fs::read_to_string(path).unwrap_or_default())
            .collect()
    }
}

/// Copied and read back by tasks of an array, under Debian's own Slurm.
#[test]
fn a_real_slurm_carries_every_waybill() {
    let missing: Vec<&str> = ["munged", "slurmctld", "slurmd", "sbatch", "sinfo", "squeue"]
        .into_iter()
        .filter(|program| !has_program(program))
        .collect();
    if !missing.is_empty() || !is_root() {
        skip(format!("needs root and Slurm; missing: {}", missing.join(", ")));
        return;
    }
    let cluster = Cluster::start();
    cluster.until("the node", |_| cluster.is_idle());
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let folder = scene.home.join("waybills");
    let ends: [(&str, &Path); 2] = [("SOURCE", &scene.from), ("DESTINATION", &scene.to)];
    for (task, ends) in [("copy", &ends[..]), ("verify", &ends[1..])] {
        let written = waybills(&scene, "waybill --all");
        assert!(written.iter().all(|(_, what, _)| what == task), "{written:?}");
        assert_eq!(written.len(), 2);
        cluster.batch(&folder.join("array.sh"), ends);
        let found: Vec<PathBuf> = receipts(&folder)
            .into_iter()
            .filter(|path| path.to_string_lossy().contains(task))
            .collect();
        assert_eq!(found.len(), 2, "{}", cluster.outputs());
        let (exit, told) = absorb(&scene, &found);
        assert_eq!(exit, 0, "{told:?}");
        assert!(told.iter().all(|one| one["entered"] == Value::Bool(true)));
    }
    let (_, status) = scene.json("status");
    let states = status["batches"].as_array().expect("batches").iter();
    assert!(states.clone().all(|one| one["state"] == "verified"), "{status}");
}
