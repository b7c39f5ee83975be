//! A folder of another machine, by sshfs from an SSH server of the tests' own: a mount that keeps
//! whole seconds only, whose renames replace nothing only in its own way, and that promises nothing of
//! what is on its disk.

use crate::support::{has_program, is_root, scratch, skip};
use crate::util::{Scene, listing, noise};
use crate::{archive, equal};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// The server; ended when dropped.
struct Server {
    child: Child,
    port: u16,
    folder: tempfile::TempDir,
}

/// A mount from it; unmounted when dropped.
struct Mount<'a> {
    at: tempfile::TempDir,
    _server: &'a Server,
}

impl Server {
    /// `None`, with the reason noted as a skip, where this machine cannot.
    fn start() -> Option<Server> {
        let server = Server::try_start();
        if let Err(why) = &server {
            skip(format!("no sshfs here: {why}"));
        }
        server.ok()
    }

    fn try_start() -> Result<Server, String> {
        let sshd = ["/usr/sbin/sshd", "/usr/bin/sshd"]
            .into_iter()
            .find(|path| Path::new(path).is_file());
        let sshd = sshd.ok_or("no sshd")?;
        if let Some(missing) = ["sshfs", "ssh-keygen"]
            .into_iter()
            .find(|name| !has_program(name))
        {
            return Err(format!("no {missing}"));
        }
        if !is_root() || !Path::new("/dev/fuse").exists() {
            return Err("needs root and /dev/fuse".into());
        }
        let folder = scratch();
        let at = |name: &str| folder.path().join(name).display().to_string();
        for key in ["host", "user"] {
            let words = ["-q", "-t", "ed25519", "-N", "", "-f", &at(key)];
            let made = Command::new("ssh-keygen").args(words).status();
            if !made.is_ok_and(|status| status.success()) {
                return Err("no keys".into());
            }
        }
        std::fs::rename(at("user.pub"), at("allowed")).map_err(|e| e.to_string())?;
        // sshd(8) wants this folder, which the system makes at boot where it runs one.
        let _ = std::fs::create_dir("/run/sshd");
        // A free port, given back at once; nobody else asks here.
        let port = TcpListener::bind("127.0.0.1:0").and_then(|one| one.local_addr());
        let port = port.map_err(|e| e.to_string())?.port();
        let config = format!(
            "Port {port}\nListenAddress 127.0.0.1\nHostKey {}\nAuthorizedKeysFile {}\nPidFile none\n\
             StrictModes no\nUsePAM no\nPasswordAuthentication no\nPermitRootLogin prohibit-password\n\
             Subsystem sftp internal-sftp\n",
            at("host"),
            at("allowed")
        );
        std::fs::write(at("config"), config).map_err(|e| e.to_string())?;
        let child = Command::new(sshd)
            .args(["-D", "-e", "-f", &at("config")])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|e| e.to_string())?;
        let server = Server { child, port, folder };
        let until = Instant::now() + Duration::from_secs(20);
        while TcpStream::connect(("127.0.0.1", port)).is_err() {
            if Instant::now() > until {
                return Err("sshd does not answer".into());
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        Ok(server)
    }

    fn mount(&self, folder: &Path) -> Option<Mount<'_>> {
        let mount = Mount {
            at: scratch(),
            _server: self,
        };
        let options = format!(
            "IdentityFile={},UserKnownHostsFile=/dev/null,StrictHostKeyChecking=no,LogLevel=ERROR,port={}",
            self.folder.path().join("user").display(),
            self.port
        );
        let from = format!("root@127.0.0.1:{}", folder.display());
        let run = Command::new("sshfs")
            .args(["-o", &options, &from])
            .arg(mount.at.path())
            .output();
        match run {
            Ok(run) if run.status.success() => Some(mount),
            Ok(run) => {
                skip(format!(
                    "sshfs cannot mount: {}",
                    String::from_utf8_lossy(&run.stderr).trim()
                ));
                None
            }
            Err(error) => {
                skip(format!("sshfs cannot run: {error}"));
                None
            }
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Drop for Mount<'_> {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.at.path()).status();
    }
}

#[test]
fn a_source_on_another_machine_is_copied_whole() {
    let Some(server) = Server::start() else { return };
    let mut scene = Scene::bare();
    archive(&scene);
    scene.put(
        std::ffi::OsString::from("2019-fair/it's \"odd\" \u{fc}.txt"),
        b"odd",
    );
    let behind = scene.from.clone();
    let Some(mount) = server.mount(&behind) else {
        return;
    };
    scene.from = mount.at.path().to_path_buf();
    scene.copied();
    scene.run("verify").expect(0);
    let (_, status) = scene.json("status");
    assert_eq!(status["durability_of"][0]["class"], "local", "{status}");
    equal(&scene);
    // Nothing due again, by a mount that numbers its files anew each time.
    let (code, again) = scene.json("copy --all");
    assert_eq!(code, 0, "{again}");
}

#[test]
fn a_destination_on_another_machine_gets_all_and_what_is_not_proven_is_said() {
    let Some(server) = Server::start() else { return };
    let mut scene = Scene::bare();
    archive(&scene);
    // SFTP of version 3 carries whole seconds (draft-ietf-secsh-filexfer-02, section 5): these lose
    // nothing.
    crate::util::walk(&scene.from, &mut |path, _| {
        crate::util::set_time(path, 1_560_000_000, 0)
    });
    let behind = scene.to.clone();
    let Some(mount) = server.mount(&behind) else {
        return;
    };
    scene.to = mount.at.path().join("archive");
    scene.planned();
    scene.run("copy --all").expect(0);
    let (_, status) = scene.json("status");
    let promised = &status["durability_of"][0];
    assert_eq!(promised["class"], "unproven", "{status}");
    assert_ne!(promised["publish"], "rename", "{status}");
    let (code, verified) = scene.json("verify");
    assert_eq!(code, 0, "{verified}");
    assert_eq!(verified["batches"][0]["read_how"], "server");
    equal(&scene);
    let leftovers: Vec<_> = listing(&scene.to.join("2019"))
        .into_iter()
        .filter(|line| line.contains("poolward"))
        .collect();
    assert!(leftovers.is_empty(), "{leftovers:?}");
}

#[test]
fn times_that_another_machine_does_not_keep_are_told_as_lost() {
    let Some(server) = Server::start() else { return };
    let mut scene = Scene::bare();
    scene.put("2019-fair/note.txt", &noise(900, 3));
    let behind = scene.to.clone();
    let Some(mount) = server.mount(&behind) else {
        return;
    };
    scene.to = mount.at.path().join("archive");
    scene.planned();
    let (code, copied) = scene.json("copy --all");
    assert_eq!(code, 0, "{copied}");
    let lost = serde_json::json!([{"kind": "time", "files": 1}]);
    assert_eq!(copied["batches"][0]["losses"], lost, "{copied}");
}
