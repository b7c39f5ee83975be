//! The sealed file as it is written: from front to back, with its digest at the end.

use std::fs::File;
use std::io::Write;

/// A file written from front to back with its digest.
pub(super) struct Hashing {
    output: std::io::BufWriter<File>,
    hasher: blake3::Hasher,
    pub(super) position: u64,
}

impl Hashing {
    pub(super) fn new(file: File) -> Hashing {
        Hashing {
            output: std::io::BufWriter::with_capacity(1 << 20, file),
            hasher: blake3::Hasher::new(),
            position: 0,
        }
    }

    pub(super) fn write(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        self.hasher.update(bytes);
        self.position += bytes.len() as u64;
        self.output.write_all(bytes)
    }

    pub(super) fn seal(mut self) -> std::io::Result<()> {
        let digest = self.hasher.finalize();
        self.output.write_all(digest.as_bytes())?;
        self.output.flush()?;
        self.output.get_ref().sync_all()
    }
}
