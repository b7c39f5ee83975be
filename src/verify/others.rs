//! Other hashes of the bytes that are read anyway: SHA-256 for a manifest that any machine can
//! check, and whatever old check files beside the data ask for.

use super::Check;
use crate::digest::Digest;
use crate::report::manifest::Algorithm;
use md5::Md5;
use sha1::Sha1;
use sha2::{Digest as _, Sha256, Sha512};

/// The hashers that one file needs beside BLAKE3.
#[derive(Default)]
pub(super) struct Hashers {
    md5: Option<Md5>,
    sha1: Option<Sha1>,
    sha256: Option<Sha256>,
    sha512: Option<Sha512>,
}

/// What they came to.
pub(super) struct Hashes {
    blake3: Digest,
    md5: Option<Vec<u8>>,
    sha1: Option<Vec<u8>>,
    pub(super) sha256: Option<[u8; 32]>,
    sha512: Option<Vec<u8>>,
}

impl Hashers {
    pub(super) fn of(check: &Check) -> Hashers {
        let listed = |wanted| check.listed.iter().any(|(algorithm, _)| *algorithm == wanted);
        Hashers {
            md5: listed(Algorithm::Md5).then(Md5::new),
            sha1: listed(Algorithm::Sha1).then(Sha1::new),
            sha256: (check.sha256 || listed(Algorithm::Sha256)).then(Sha256::new),
            sha512: listed(Algorithm::Sha512).then(Sha512::new),
        }
    }

    pub(super) fn is_none(&self) -> bool {
        self.md5.is_none() && self.sha1.is_none() && self.sha256.is_none() && self.sha512.is_none()
    }

    pub(super) fn update(&mut self, bytes: &[u8]) {
        if let Some(hasher) = &mut self.md5 {
            hasher.update(bytes);
        }
        if let Some(hasher) = &mut self.sha1 {
            hasher.update(bytes);
        }
        if let Some(hasher) = &mut self.sha256 {
            hasher.update(bytes);
        }
        if let Some(hasher) = &mut self.sha512 {
            hasher.update(bytes);
        }
    }

    pub(super) fn finish(self, blake3: Digest) -> Hashes {
        Hashes {
            blake3,
            md5: self.md5.map(|hasher| hasher.finalize().to_vec()),
            sha1: self.sha1.map(|hasher| hasher.finalize().to_vec()),
            sha256: self.sha256.map(|hasher| hasher.finalize().into()),
            sha512: self.sha512.map(|hasher| hasher.finalize().to_vec()),
        }
    }
}

/// Whether the content is what every check file that lists it says; `None` where none does.
pub(super) fn agrees(listed: &[(Algorithm, Vec<u8>)], found: &Hashes) -> Option<bool> {
    let of = |algorithm| match algorithm {
        Algorithm::Md5 => found.md5.as_deref(),
        Algorithm::Sha1 => found.sha1.as_deref(),
        Algorithm::Sha256 => found.sha256.as_ref().map(|hash| &hash[..]),
        Algorithm::Sha512 => found.sha512.as_deref(),
        Algorithm::Blake3 => Some(&found.blake3.0[..]),
    };
    let same = |(algorithm, hash): &(Algorithm, Vec<u8>)| of(*algorithm) == Some(hash);
    (!listed.is_empty()).then(|| listed.iter().all(same))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::manifest::hex;

    /// The test suites of RFC 1321 appendix A.5 (MD5), and the "abc" examples of FIPS 180-4 (SHA-1,
    /// SHA-256, SHA-512); all from memory, confirmed with coreutils.
    #[test]
    fn the_hashes_are_those_of_their_standards() {
        let mut hashers = Hashers {
            md5: Some(Md5::new()),
            sha1: Some(Sha1::new()),
            sha256: Some(Sha256::new()),
            sha512: Some(Sha512::new()),
        };
        b"abc".chunks(2).for_each(|part| hashers.update(part));
        let found = hashers.finish(Digest::of(b"abc"));
        assert_eq!(
            hex(found.md5.as_deref().unwrap()),
            "900150983cd24fb0d6963f7d28e17f72"
        );
        assert_eq!(
            hex(found.sha1.as_deref().unwrap()),
            "a9993e364706816aba3e25717850c26c9cd0d89d"
        );
        assert_eq!(
            hex(&found.sha256.unwrap()),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
        assert_eq!(
            hex(found.sha512.as_deref().unwrap()),
            "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a\
             2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f"
        );
    }

    #[test]
    fn all_lists_must_agree_and_none_says_nothing() {
        let found = Hashers::default().finish(Digest([7; 32]));
        let (good, bad) = ((Algorithm::Blake3, vec![7; 32]), (Algorithm::Blake3, vec![8; 32]));
        assert_eq!(agrees(&[], &found), None);
        assert_eq!(agrees(std::slice::from_ref(&good), &found), Some(true));
        assert_eq!(agrees(&[good, bad], &found), Some(false));
    }
}
