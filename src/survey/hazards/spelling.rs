//! How names are spelled in a source as a whole: the schemes that an old service stored forbidden
//! characters by, and the length at which all names end.

use crate::names::RelPath;
use crate::survey::hazards::{EXAMPLES, Sort, Tally};

/// The longest name of an eCryptfs folder with encrypted names (Linux, `fs/ecryptfs/crypto.c`,
/// ENC_NAME_MAX_BLOCKLEN_8_OR_16).
const ENCRYPTED: usize = 143;

/// Totals over all names.
#[derive(Debug, Default)]
pub struct Spelling {
    longest: usize,
    at_longest: u64,
    longest_path: Option<RelPath>,
    /// U+F020 to U+F029, one for each forbidden character.
    listed: u64,
    /// U+F000 plus the ASCII character.
    shifted: u64,
    examples: Vec<RelPath>,
}

impl Spelling {
    /// Takes in a name; `ascii` where all of it is.
    pub fn push(&mut self, folder: &RelPath, name: &[u8], ascii: bool) {
        if name.len() >= self.longest {
            if name.len() > self.longest {
                self.longest = name.len();
                self.at_longest = 0;
                // Only one length matters; a path for each record would be thrown away.
                self.longest_path = (name.len() == ENCRYPTED)
                    .then(|| folder.join(name).ok())
                    .flatten();
            }
            self.at_longest += 1;
        }
        if ascii {
            return;
        }
        let text = String::from_utf8_lossy(name);
        let listed = text.chars().any(|c| ('\u{f020}'..='\u{f029}').contains(&c));
        let shifted = text.chars().any(|c| ('\u{f02a}'..='\u{f07c}').contains(&c));
        self.listed += u64::from(listed);
        self.shifted += u64::from(shifted);
        if (listed || shifted) && self.examples.len() < EXAMPLES {
            self.examples.extend(folder.join(name).ok());
        }
    }

    /// Reports.
    pub fn finish(self, tally: &mut Tally) {
        if self.listed > 0 && self.shifted > 0 {
            tally.note_many(Sort::NameTwoSchemes, self.listed + self.shifted, self.examples);
        }
        if self.longest == ENCRYPTED {
            tally.note_many(Sort::NameEncrypted, self.at_longest, self.longest_path);
        }
    }
}
