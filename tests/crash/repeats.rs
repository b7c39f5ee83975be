//! What a crash costs: of what was read at the source, one group at most is read again, also at the
//! worst instant, when one group is written and waits to be durable and the next is written too.

use super::memfs::{Content, Plan, Unsynced, path};
use super::rig::Rig;
use poolward::copy::{GROUP_BYTES, GROUP_FILES, StreamLimits};
use poolward::world::FaultKind;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// Reads at the source so far.
#[derive(Default)]
struct Reads {
    files: AtomicU64,
    bytes: AtomicU64,
}

impl Reads {
    fn now(&self) -> (u64, u64) {
        (
            self.files.load(Ordering::SeqCst),
            self.bytes.load(Ordering::SeqCst),
        )
    }

    /// Waits until the workers have nothing left to read.
    fn settle(&self) {
        let mut before = self.now();
        loop {
            std::thread::sleep(Duration::from_millis(40));
            let now = self.now();
            if now == before {
                return;
            }
            before = now;
        }
    }
}

/// Copies, with a crash at the first sync of the `number`th group after the workers have written all
/// they were given meanwhile. Returns files and bytes that were read more than once.
fn read_again(rig: &mut Rig, number: u64) -> (u64, u64) {
    let sizes: Vec<u64> = rig.truth.values().map(|seen| seen.entry.size.0).collect();
    let size = *sizes.iter().max().unwrap();
    let reads = Arc::new(Reads::default());
    for crash in [true, false] {
        let (reads, syncs) = (Arc::clone(&reads), AtomicU64::new(0));
        rig.control.hook(move |_, call| {
            if call.end == "source" && call.doing == "read" && call.at < size {
                reads.files.fetch_add(u64::from(call.at == 0), Ordering::SeqCst);
                let bytes = call.length.min(size - call.at);
                reads.bytes.fetch_add(bytes, Ordering::SeqCst);
            }
            // Each group syncs its data and its names.
            let due = crash && call.doing == "sync all" && syncs.fetch_add(1, Ordering::SeqCst) == 2 * number;
            if due {
                reads.settle();
            }
            due.then_some(FaultKind::Crash)
        });
        assert_eq!(rig.run(Plan::Nothing).is_err(), crash);
        rig.control.unhook();
        if crash {
            rig.reboot(Unsynced::Lost);
        }
        assert_eq!(rig.violations(&rig.target), Vec::<String>::new());
    }
    assert_eq!(rig.unfinished(&[]), Vec::<String>::new());
    let (files, bytes) = reads.now();
    (files - sizes.len() as u64, bytes - sizes.iter().sum::<u64>())
}

#[test]
fn of_small_files_one_group_at_most() {
    for streams in [1, 3] {
        let rig = Rig::new();
        for file in 0..10_000u32 {
            let content = Content::bytes(&file.to_le_bytes());
            rig.source.put_file(&path(format!("p/{file:05}")), content);
        }
        let mut rig = rig.ready();
        rig.task.streams = StreamLimits::fixed(streams);
        let (files, _) = read_again(&mut rig, 1);
        println!("{streams} streams: {files} of 10,000 files read twice");
        assert!(files <= GROUP_FILES as u64, "{files} files were read twice");
        assert!(files > 0, "the crash fell on nothing");
    }
}

#[test]
fn of_large_files_one_group_at_most() {
    for streams in [1, 3] {
        let rig = Rig::new();
        for file in 0..12 {
            let content = Content::pattern(file, 300 << 20);
            rig.source.put_file(&path(format!("p/{file:02}")), content);
        }
        let mut rig = rig.ready();
        rig.task.streams = StreamLimits::fixed(streams);
        let (_, bytes) = read_again(&mut rig, 1);
        println!("{streams} streams: {} MiB of 3,600 read twice", bytes >> 20);
        assert!(bytes <= GROUP_BYTES, "{bytes} bytes were read twice");
        assert!(bytes > 0, "the crash fell on nothing");
    }
}
