//! The commands that create a plan's datasets, as text for the user to read and run.
//!
//! Nothing here is run. What can be set only at creation is explained beside it (zfsprops(7):
//! casesensitivity, normalization and utf8only are fixed when a dataset is created).

use super::Dataset;
use crate::names::shown;
use crate::pool::names::DATASET_MAX;
use crate::pool::{Compression, Recommendation};
use crate::trouble::Trouble;
use std::path::Path;

/// What the datasets are created with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Properties {
    /// Property and value, in order.
    pub set: Vec<(&'static str, String)>,
}

/// A dataset and what its files are best kept in.
#[derive(Debug, Clone, Copy)]
pub struct Made<'a> {
    /// The dataset.
    pub dataset: &'a Dataset,
    /// Its recordsize and compression.
    pub choice: &'a Recommendation,
}

impl Properties {
    /// Beside recordsize and compression, which follow from the files: attributes beside the file,
    /// names kept byte for byte.
    pub fn usual() -> Properties {
        let text = |value: &str| value.to_string();
        Properties {
            set: vec![
                ("atime", text("off")),
                ("xattr", text("sa")),
                ("acltype", text("posix")),
                ("casesensitivity", text("sensitive")),
                ("normalization", text("none")),
                ("utf8only", text("off")),
            ],
        }
    }
}

/// The commands for the datasets of one destination, whose folder is `at`; outer folders first,
/// since a dataset mounted over an inner one would hide it. A mountpoint is set only where the
/// folder is not called as the dataset is: otherwise it follows from the parent's, which may be
/// another path on the pool's host than on this machine.
///
/// # Errors
/// `name-too-long` where a whole name passes 255 bytes.
pub fn commands(datasets: &[Made<'_>], at: &Path, properties: &Properties) -> Result<String, Trouble> {
    let mut text = String::from(
        "# Run these on the host of the pool, as root, after reading them.\n\
         # Three settings cannot be changed later:\n\
         #   casesensitivity=sensitive  two names that differ only in case stay two files\n\
         #   normalization=none, utf8only=off  names stay the bytes they are; no name is refused\n\
         # recordsize holds for files written from then on: set it before the first copy.\n",
    );
    let root = at.as_os_str().as_encoded_bytes();
    text.push_str(&format!(
        "# The parent dataset must be mounted at {} already; datasets inherit their path from it.\n",
        shown(root)
    ));
    let mut ordered: Vec<&Made<'_>> = datasets.iter().collect();
    ordered.sort_by(|a, b| {
        let (a, b) = (&a.dataset.folder, &b.dataset.folder);
        a.components().cmp(b.components())
    });
    for made in ordered {
        let dataset = made.dataset;
        let Some(name) = &dataset.full_name else { continue };
        if name.len() > DATASET_MAX {
            return Err(Trouble::usage(
                "name-too-long",
                format!(
                    "the dataset name {name} is {} bytes long, {DATASET_MAX} are possible",
                    name.len()
                ),
            )
            .mend("Give the project a shorter `dataset` in a [[tag]]."));
        }
        text.push_str(&format!(
            "# {}: {}\n",
            shown(dataset.name.as_bytes()),
            made.choice.words[0]
        ));
        let choice = made.choice.choice;
        let compression = match choice.compression {
            Compression::On => "lz4",
            Compression::Off => "off",
        };
        text.push_str(&format!(
            "zfs create -o recordsize={} -o compression={compression}",
            choice.recordsize
        ));
        for (property, value) in &properties.set {
            text.push_str(&format!(" -o {property}={value}"));
        }
        if dataset.folder.as_bytes() != dataset.name.as_bytes() {
            let mount = [root, b"/", dataset.folder.as_bytes()].concat();
            text.push_str(&format!(" -o mountpoint={}", quoted(&mount)));
        }
        text.push_str(&format!(" {}\n", quoted(name.as_bytes())));
    }
    Ok(text)
}

/// As one word of a shell, byte for byte: plain where nothing in it is special, in single quotes
/// where it is text that shows as it is, else as `$'...'` with octal bytes (POSIX.1-2024, section
/// 2.2.4; from memory), so that no name can steer the terminal it is printed on.
fn quoted(word: &[u8]) -> String {
    let plain = |b: &u8| b.is_ascii_alphanumeric() || b"/._-:".contains(b);
    match std::str::from_utf8(word) {
        Ok(text) if !text.is_empty() && word.iter().all(plain) => text.to_string(),
        // What is shown unchanged has no control characters; a backslash is safe in quotes.
        Ok(text) if shown(word).replace("\\\\", "\\") == text => {
            format!("'{}'", text.replace('\'', "'\\''"))
        }
        _ => {
            let mut out = String::from("$'");
            for b in word {
                if plain(b) || *b == b' ' {
                    out.push(char::from(*b));
                } else {
                    out.push_str(&format!("\\{b:03o}"));
                }
            }
            out.push('\'');
            out
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::names::RelPath;
    use crate::pool::{Ashift, Layout, SpaceTally, recommend};
    use crate::units::Bytes;
    use proptest::prelude::*;

    fn dataset(name: &str, folder: impl Into<Vec<u8>>) -> Dataset {
        Dataset {
            name: name.into(),
            full_name: Some(format!("pool/archive/{name}")),
            destination: "pool".into(),
            folder: RelPath::new(folder).unwrap(),
            amount: Default::default(),
            sizes: Default::default(),
        }
    }

    /// Ten files of 40 MB each, on seven disks of which two hold parity.
    fn choice() -> Recommendation {
        let mut tally = SpaceTally::new(Ashift::FOUR_KIB);
        (0..10).for_each(|_| tally.push(Bytes(40_000_000)));
        recommend(&tally, Layout::parse("1 x 7 raidz2").unwrap())
    }

    fn told(datasets: &[&Dataset], at: &str) -> Result<String, Trouble> {
        let choice = choice();
        let made = datasets.iter().map(|dataset| Made {
            dataset,
            choice: &choice,
        });
        commands(&made.collect::<Vec<_>>(), Path::new(at), &Properties::usual())
    }

    #[test]
    fn a_folder_with_blanks_and_quotes_stays_one_word() {
        let one = dataset("Harbour_s_end", "Harbour's end");
        let text = told(&[&one], "/mnt/pool").unwrap();
        let last = text.lines().last().unwrap();
        assert!(
            last.starts_with("zfs create -o recordsize=1M -o compression=lz4 -o atime=off"),
            "{last}"
        );
        assert!(
            text.contains("\n# Harbour_s_end: Recordsize 1M with compression on: these files use "),
            "{text}"
        );
        assert!(
            last.ends_with("-o mountpoint='/mnt/pool/Harbour'\\''s end' pool/archive/Harbour_s_end"),
            "{last}"
        );
    }

    #[test]
    fn a_name_over_255_bytes_is_refused() {
        let long = dataset(&"x".repeat(250), "x");
        assert!(told(&[&long], "/p").is_err());
    }

    #[test]
    fn a_mountpoint_is_set_only_where_the_folder_has_another_name() {
        let text = told(&[&dataset("2019", "2019")], "/p").unwrap();
        let last = text.lines().last().unwrap();
        assert!(
            !last.contains("mountpoint") && last.ends_with(" pool/archive/2019"),
            "{last}"
        );
    }

    #[test]
    fn outer_folders_are_created_first() {
        let (inner, outer) = (dataset("2019-Lantern", "2019/Lantern"), dataset("2019", "2019"));
        let text = told(&[&inner, &outer], "/p").unwrap();
        let at = |name: &str| text.find(&format!("pool/archive/{name}\n")).unwrap();
        assert!(at("2019") < at("2019-Lantern"), "{text}");
    }

    #[test]
    fn a_name_that_is_no_text_keeps_its_bytes_and_cannot_steer_a_terminal() {
        let one = dataset("caf", b"caf\xe9\x1b[2J'".to_vec());
        let text = told(&[&one], "/p").unwrap();
        assert!(
            text.contains(" -o mountpoint=$'/p/caf\\351\\033\\1332J\\047' "),
            "{text}"
        );
    }

    /// What a shell makes of the quoted word, by the three forms used.
    fn read_by_shell(word: &str) -> Vec<u8> {
        if let Some(body) = word.strip_prefix("$'").and_then(|w| w.strip_suffix('\'')) {
            let mut out = Vec::new();
            let mut rest = body.as_bytes();
            while let Some((first, tail)) = rest.split_first() {
                if *first == b'\\' {
                    let digits = std::str::from_utf8(&tail[..3]).unwrap();
                    out.push(u8::from_str_radix(digits, 8).unwrap());
                    rest = &tail[3..];
                } else {
                    out.push(*first);
                    rest = tail;
                }
            }
            return out;
        }
        match word.strip_prefix('\'').and_then(|w| w.strip_suffix('\'')) {
            Some(body) => body.replace("'\\''", "'").into_bytes(),
            None => word.as_bytes().to_vec(),
        }
    }

    proptest! {
        #[test]
        fn a_shell_reads_every_word_back(bytes in prop::collection::vec(1u8.., 0..30)) {
            let word = quoted(&bytes);
            prop_assert!(word.chars().all(|c| !c.is_control()));
            prop_assert_eq!(read_by_shell(&word), bytes);
        }
    }
}
