//! What documents that end with a seal have in common: bounded lines, the hash over them, why one is
//! refused, and the one spelling of hashes, times and names.

mod spelled;

pub(super) use spelled::{as_digest, as_moment, as_name, as_names, as_path, as_values, as_when};
pub(super) use spelled::{decimal, hash, moment, when};

use crate::digest::Digest;
use crate::trouble::Trouble;
use std::io::{self, BufRead, Read};

/// Why a sealed document is refused.
#[derive(Debug, thiserror::Error)]
pub enum Bad {
    /// The reader below failed.
    #[error("it cannot be read: {0}")]
    Io(#[from] io::Error),
    /// It is of another make.
    #[error("it is of format {found}, and this program reads {known}")]
    Format {
        /// What it says.
        found: u32,
        /// What is read.
        known: u32,
    },
    /// It is not what was written.
    #[error("line {line}: {why}")]
    Line {
        /// Its number, from 1.
        line: u64,
        /// What is wrong.
        why: String,
    },
    /// Whoever was handed its parts refused to go on.
    #[error("{0}")]
    Taker(Trouble),
}

/// Lines of bounded length, and the hashes of what was read so far.
pub(super) struct Lines<R> {
    from: R,
    longest: usize,
    /// Of all bytes, as the seal counts them: keyed where a key was given.
    seal: blake3::Hasher,
    /// Of all bytes, plain.
    whole: blake3::Hasher,
    number: u64,
    text: Vec<u8>,
}

impl<R: BufRead> Lines<R> {
    /// From the start of a document of which no line has more than `longest` bytes.
    pub fn new(from: R, longest: usize) -> Lines<R> {
        Lines {
            from,
            longest,
            seal: blake3::Hasher::new(),
            whole: blake3::Hasher::new(),
            number: 0,
            text: Vec::new(),
        }
    }

    /// The next line without its end.
    pub fn next(&mut self) -> Result<String, Bad> {
        self.text.clear();
        self.number += 1;
        let mut bounded = self.from.by_ref().take(self.longest as u64);
        bounded.read_until(b'\n', &mut self.text)?;
        self.seal.update(&self.text);
        self.whole.update(&self.text);
        let Some(body) = self.text.strip_suffix(b"\n") else {
            return Err(self.bad("it breaks off, or a line is longer than any that is written"));
        };
        match std::str::from_utf8(body) {
            Ok(text) => Ok(text.to_string()),
            Err(_) => Err(self.bad("it is not UTF-8")),
        }
    }

    /// From here on the seal is one that only `key` can make: over the line read last, and those
    /// that follow.
    pub fn key(&mut self, key: &[u8; 32]) {
        self.seal = blake3::Hasher::new_keyed(key);
        self.seal.update(&self.text);
    }

    /// A line that can only be one.
    pub fn exactly(&mut self, wanted: &str) -> Result<(), Bad> {
        match self.next()? == wanted {
            true => Ok(()),
            false => Err(self.bad(format!("it should say {wanted}"))),
        }
    }

    /// The seal over what was read so far.
    pub fn seal(&self) -> Digest {
        Digest(*self.seal.finalize().as_bytes())
    }

    /// The plain hash of what was read so far.
    pub fn whole(&self) -> Digest {
        Digest(*self.whole.finalize().as_bytes())
    }

    /// Ends the document with the seal over all before it; `shown` is the line that a seal has.
    pub fn sealed(&mut self, shown: impl Fn(Digest) -> String) -> Result<(), Bad> {
        let wanted = shown(self.seal());
        let text = self.next()?;
        if format!("{text}\n") != wanted {
            let found = text
                .split_once("\"seal\":\"")
                .and_then(|(_, rest)| rest.get(..64));
            return Err(self.bad(match found.is_some_and(|found| hash(found).is_ok()) {
                true => "its seal does not fit: it was changed or damaged since it was written",
                false => "it has no seal",
            }));
        }
        match self.from.fill_buf()?.is_empty() {
            true => Ok(()),
            false => Err(self.bad("something follows its end")),
        }
    }

    /// A refusal of the line read last.
    pub fn bad(&self, why: impl Into<String>) -> Bad {
        Bad::Line {
            line: self.number,
            why: why.into(),
        }
    }
}

/// Writes lines, counting the seal and the whole on the way.
pub(super) struct Sealing<W> {
    inner: W,
    longest: usize,
    seal: blake3::Hasher,
    whole: blake3::Hasher,
}

impl<W: io::Write> Sealing<W> {
    /// With the seal that [`Lines`] expects: over all lines, keyed where there is a key.
    pub fn new(inner: W, longest: usize, key: Option<&[u8; 32]>) -> Sealing<W> {
        Sealing {
            inner,
            longest,
            seal: key.map_or_else(blake3::Hasher::new, blake3::Hasher::new_keyed),
            whole: blake3::Hasher::new(),
        }
    }

    /// Writes one line. One that no reader would take is refused before a byte of it is written.
    pub fn line(&mut self, line: &impl serde::Serialize) -> io::Result<()> {
        let mut text = serde_json::to_string(line)?;
        text.push('\n');
        if text.len() > self.longest {
            return Err(wrong("a line is longer than any that is read"));
        }
        self.put(&text)
    }

    /// The seal over what was written so far.
    pub fn seal(&self) -> Digest {
        Digest(*self.seal.finalize().as_bytes())
    }

    /// Ends the document with its seal's line; answers its hash and the writer below.
    pub fn end(mut self, seal: &str) -> io::Result<(Digest, W)> {
        self.put(seal)?;
        self.inner.flush()?;
        Ok((Digest(*self.whole.finalize().as_bytes()), self.inner))
    }

    fn put(&mut self, text: &str) -> io::Result<()> {
        self.seal.update(text.as_bytes());
        self.whole.update(text.as_bytes());
        self.inner.write_all(text.as_bytes())
    }
}

/// What is handed to a writer and could not be read back.
pub(super) fn wrong(why: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, why)
}
