//! The commands that create a plan's datasets, as text for the user to read and run.
//!
//! Nothing here is run. What can be set only at creation is explained beside it (zfsprops(7):
//! casesensitivity, normalization and utf8only are fixed when a dataset is created).

use super::Dataset;
use crate::pool::names::DATASET_MAX;
use crate::trouble::Trouble;
use std::path::Path;

/// What the datasets are created with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Properties {
    /// Property and value, in order.
    pub set: Vec<(&'static str, String)>,
}

impl Properties {
    /// For large media files: long records, cheap compression for the zeros at the ends of files,
    /// attributes beside the file, names kept byte for byte.
    pub fn usual() -> Properties {
        let text = |value: &str| value.to_string();
        Properties {
            set: vec![
                ("recordsize", text("1M")),
                ("compression", text("lz4")),
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

/// The commands for these datasets, below the destination's folder.
///
/// # Errors
/// `name-too-long` where a whole name passes 255 bytes.
pub fn commands(datasets: &[&Dataset], at: &Path, properties: &Properties) -> Result<String, Trouble> {
    let mut text = String::from(
        "# Run these on the host of the pool, as root, after reading them.\n\
         # Three settings cannot be changed later:\n\
         #   casesensitivity=sensitive  two names that differ only in case stay two files\n\
         #   normalization=none, utf8only=off  names stay the bytes they are; no name is refused\n\
         # recordsize holds for files written from then on: set it before the first copy.\n",
    );
    for dataset in datasets {
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
        text.push_str("zfs create");
        for (property, value) in &properties.set {
            text.push_str(&format!(" -o {property}={value}"));
        }
        let folder = String::from_utf8_lossy(dataset.folder.as_bytes()).into_owned();
        let mount = at.join(&folder);
        text.push_str(&format!(
            " -o mountpoint={} {}\n",
            quoted(&mount.to_string_lossy()),
            quoted(name)
        ));
    }
    Ok(text)
}

/// As one word of a shell: plain where nothing in it is special, else in single quotes.
fn quoted(text: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "/._-:".contains(c);
    if !text.is_empty() && text.chars().all(plain) {
        return text.to_string();
    }
    format!("'{}'", text.replace('\'', "'\\''"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::names::RelPath;

    fn dataset(name: &str, folder: &str) -> Dataset {
        Dataset {
            name: name.into(),
            full_name: Some(format!("pool/archive/{name}")),
            destination: "pool".into(),
            folder: RelPath::new(folder).unwrap(),
            amount: Default::default(),
            sizes: Default::default(),
        }
    }

    #[test]
    fn a_folder_with_blanks_and_quotes_stays_one_word() {
        let one = dataset("Harbour_s_end", "Harbour's end");
        let text = commands(&[&one], Path::new("/mnt/pool"), &Properties::usual()).unwrap();
        let last = text.lines().last().unwrap();
        assert!(last.starts_with("zfs create -o recordsize=1M"), "{last}");
        assert!(
            last.ends_with("-o mountpoint='/mnt/pool/Harbour'\\''s end' pool/archive/Harbour_s_end"),
            "{last}"
        );
    }

    #[test]
    fn a_name_over_255_bytes_is_refused() {
        let long = dataset(&"x".repeat(250), "x");
        assert!(commands(&[&long], Path::new("/p"), &Properties::usual()).is_err());
    }
}
