//! The real binary serving a move at a free port, and what a client of ours fetches from it.

use crate::util::Scene;
use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::os::unix::process::ExitStatusExt;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

/// The binary that serves, ended when the test is over.
pub struct Served {
    child: Child,
    pub at: SocketAddr,
    pub first: Value,
}

impl Served {
    /// Serves a scene at a free port and waits for the object that says where.
    pub fn of(scene: &Scene) -> Served {
        let mut child = scene
            .command(&["status", "--serve", "127.0.0.1:0", "--json"])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it starts");
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().expect("its output"))
            .read_line(&mut line)
            .expect("a line");
        let first: Value = serde_json::from_str(&line).unwrap_or_else(|e| {
            let mut err = String::new();
            let _ = child.stderr.take().expect("errors").read_to_string(&mut err);
            panic!("{e}: {line}{err}")
        });
        let at = first["listening"].as_str().expect("an address").parse().unwrap();
        Served { child, at, first }
    }

    pub fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(self.at).expect("it listens");
        stream
            .set_read_timeout(Some(Duration::from_secs(60)))
            .expect("a limit");
        stream
    }

    /// Sends bytes and answers all that comes back.
    pub fn raw(&self, bytes: &[u8]) -> Fetched {
        let mut stream = self.connect();
        stream.write_all(bytes).expect("sent");
        Fetched::from(&mut stream)
    }

    pub fn get(&self, path: &str) -> Fetched {
        self.raw(format!("GET {path} HTTP/1.1\r\nHost: {}\r\n\r\n", self.at).as_bytes())
    }

    /// Asks again until the answer has this code: what was made last is shown for a while.
    pub fn get_until(&self, path: &str, code: u16) -> Fetched {
        let begin = Instant::now();
        loop {
            let fetched = self.get(path);
            if fetched.code == code || begin.elapsed() > Duration::from_secs(90) {
                return fetched.expect(code);
            }
            std::thread::sleep(Duration::from_millis(500));
        }
    }

    /// Sends a signal and answers how it ended, and what it said on standard error.
    pub fn ends(mut self, signal: rustix::process::Signal) -> (Option<i32>, String) {
        let pid = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(pid, signal).expect("a signal");
        let status = self.child.wait().expect("it ends");
        assert_eq!(status.signal(), None);
        let mut err = String::new();
        let _ = self.child.stderr.take().expect("errors").read_to_string(&mut err);
        (status.code(), err)
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// One answer, taken apart by hand.
pub struct Fetched {
    pub code: u16,
    pub head: String,
    pub body: String,
}

impl Fetched {
    pub fn from(stream: &mut TcpStream) -> Fetched {
        let mut bytes = Vec::new();
        stream.read_to_end(&mut bytes).expect("an answer and an end");
        let text = String::from_utf8(bytes).expect("UTF-8");
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or_else(|| panic!("{text:?}"));
        let code = head.split(' ').nth(1).expect("a code").parse().expect("a number");
        let found = Fetched {
            code,
            head: head.to_string(),
            body: body.to_string(),
        };
        for name in [
            "X-Content-Type-Options: nosniff",
            "Cache-Control: no-store",
            "Connection: close",
        ] {
            assert!(found.head.contains(name), "{name} in {}", found.head);
        }
        found
    }

    #[track_caller]
    pub fn expect(self, code: u16) -> Fetched {
        assert_eq!(self.code, code, "{}\n{}", self.head, self.body);
        self
    }

    pub fn field(&self, name: &str) -> Option<&str> {
        self.head
            .lines()
            .find_map(|line| line.strip_prefix(name)?.strip_prefix(": "))
    }
}
