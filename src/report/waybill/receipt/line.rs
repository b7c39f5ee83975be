//! The lines of a receipt.

use super::{Came, Difference, Disagreement, Done, Head, Lost};
use crate::digest::{BlockValue, Digest};
use crate::entry::EntryKind;
use crate::moment::Moment;
use crate::names::RelPath;
use crate::report::model::ReadHow;
use crate::report::sealed::{as_digest, as_moment, as_name, as_path, as_values, as_when};
use crate::report::waybill::facts::Attributes;
use crate::report::waybill::line::{IdentityLine, KindWord, is_zero};
use crate::report::waybill::reader::may_have;
use crate::units::Bytes;
use serde::{Deserialize, Serialize};

/// Ranges on one line.
pub(super) const RANGES_A_LINE: usize = 1_000;
/// Most ranges of one difference: each block of the largest file whose blocks are known.
pub(super) const MOST_RANGES: u64 = 1 << 21;

/// One line, but for the seal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Line {
    Receipt(Box<Head>),
    #[serde(with = "as_path")]
    Folder(RelPath),
    Done(Box<DoneLine>),
    Failed(FailedLine),
    #[serde(with = "as_values")]
    Values(Vec<BlockValue>),
    Kept(KeptLine),
    Lost(LostLine),
    Troubled(TroubledLine),
    Difference(DifferenceLine),
    Disagreement(Box<DisagreementLine>),
    Ranges(Vec<(u64, u64)>),
    Total(TotalLine),
}

#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TotalLine {
    pub done: u64,
    pub bytes: u64,
    pub failed: u64,
    pub beside: u64,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct DoneLine {
    #[serde(with = "as_name")]
    pub name: Vec<u8>,
    kind: KindWord,
    size: u64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    source: Option<IdentityLine>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    placed: Option<IdentityLine>,
    #[serde(with = "as_digest")]
    hash: Digest,
    #[serde(default, skip_serializing_if = "is_zero")]
    pub blocks: u64,
    #[serde(default, skip_serializing_if = "Option::is_none", with = "as_digest::maybe")]
    sha256: Option<Digest>,
    #[serde(with = "as_when")]
    at: Moment,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    how: Option<String>,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    adopted: bool,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    attributes: Option<Attributes>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FailedLine {
    #[serde(with = "as_name")]
    pub name: Vec<u8>,
    code: String,
    text: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct KeptLine {
    #[serde(with = "as_path")]
    pub place: RelPath,
    pub attributes: Attributes,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct LostLine {
    #[serde(with = "as_path")]
    pub place: RelPath,
    pub kind: String,
    pub why: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TroubledLine {
    #[serde(with = "as_path")]
    pub place: RelPath,
    pub code: String,
    pub text: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct DifferenceLine {
    #[serde(with = "as_path")]
    place: RelPath,
    kind: String,
    #[serde(default, skip_serializing_if = "is_zero")]
    pub ranges: u64,
    blocking: bool,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct DisagreementLine {
    #[serde(with = "as_path")]
    path: RelPath,
    identity: IdentityLine,
    #[serde(with = "as_digest")]
    earlier: Digest,
    #[serde(with = "as_digest")]
    later: Digest,
    #[serde(default, skip_serializing_if = "is_zero")]
    pub ranges: u64,
    #[serde(with = "as_moment")]
    at: Moment,
    settled_by: String,
}

impl DoneLine {
    pub fn of(name: &[u8], done: &Done) -> DoneLine {
        DoneLine {
            name: name.to_vec(),
            kind: done.kind.into(),
            size: done.size.0,
            source: done.source.as_ref().map(Into::into),
            placed: done.placed.as_ref().map(Into::into),
            hash: done.hash,
            blocks: done.values.len() as u64,
            sha256: done.sha256.map(Digest),
            at: done.at,
            how: done.how.map(|how| how.word().to_string()),
            adopted: done.adopted,
            attributes: done.attributes.clone(),
        }
    }

    pub fn done(self, values: Vec<BlockValue>) -> Result<Done, &'static str> {
        let how = match &self.how {
            None => None,
            Some(word) => Some(
                ReadHow::ALL
                    .into_iter()
                    .find(|how| how.word() == word)
                    .ok_or("an unknown way of reading")?,
            ),
        };
        Ok(Done {
            kind: self.kind.into(),
            size: Bytes(self.size),
            source: self.source.map(Into::into),
            placed: self.placed.map(Into::into),
            hash: self.hash,
            values,
            sha256: self.sha256.map(|hash| hash.0),
            at: self.at,
            how,
            adopted: self.adopted,
            attributes: self.attributes,
        })
    }
}

impl FailedLine {
    pub fn of(name: &[u8], code: &str, text: &str) -> FailedLine {
        FailedLine {
            name: name.to_vec(),
            code: code.to_string(),
            text: text.to_string(),
        }
    }

    pub fn came(self) -> Result<Came, &'static str> {
        match is_code(&self.code) {
            true => Ok(Came::Failed {
                code: self.code,
                text: self.text,
            }),
            false => Err("a code that is no word"),
        }
    }
}

/// Whether a file that was done holds together for its task.
pub(super) fn check_done(done: &Done) -> Result<(), &'static str> {
    if !matches!(done.kind, EntryKind::File | EntryKind::Symlink) {
        return Err("what is done is neither file nor symlink");
    }
    if done.source.is_some_and(|id| id.size != done.size)
        || done.placed.is_some_and(|id| id.size != done.size)
    {
        return Err("sizes that contradict one another");
    }
    if !may_have(done.size, done.values.len() as u64) {
        return Err("chaining values that are not those of a file of its size");
    }
    match done.attributes.as_ref().is_some_and(|kept| !kept.hold_together()) {
        true => Err("attributes that are none"),
        false => Ok(()),
    }
}

/// A fixed kebab-case word.
pub(super) fn is_code(word: &str) -> bool {
    (1..=64).contains(&word.len())
        && word
            .bytes()
            .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
}

impl From<&Lost> for LostLine {
    fn from(lost: &Lost) -> LostLine {
        LostLine {
            place: lost.place.clone(),
            kind: lost.kind.clone(),
            why: lost.why.clone(),
        }
    }
}

impl From<LostLine> for Lost {
    fn from(line: LostLine) -> Lost {
        Lost {
            place: line.place,
            kind: line.kind,
            why: line.why,
        }
    }
}

impl DifferenceLine {
    pub fn of(one: &Difference) -> DifferenceLine {
        DifferenceLine {
            place: one.place.clone(),
            kind: one.kind.clone(),
            ranges: one.ranges.len() as u64,
            blocking: one.blocking,
        }
    }

    pub fn difference(self, ranges: Vec<(u64, u64)>) -> Difference {
        Difference {
            place: self.place,
            kind: self.kind,
            ranges,
            blocking: self.blocking,
        }
    }
}

impl DisagreementLine {
    pub fn of(one: &Disagreement) -> DisagreementLine {
        DisagreementLine {
            path: one.path.clone(),
            identity: (&one.identity).into(),
            earlier: one.earlier,
            later: one.later,
            ranges: one.ranges.len() as u64,
            at: one.at,
            settled_by: one.settled_by.clone(),
        }
    }

    pub fn disagreement(self, ranges: Vec<(u64, u64)>) -> Disagreement {
        Disagreement {
            path: self.path,
            identity: self.identity.into(),
            earlier: self.earlier,
            later: self.later,
            ranges,
            at: self.at,
            settled_by: self.settled_by,
        }
    }
}

/// Whether these can be ranges of one file: rising, none empty.
pub(super) fn are_ranges(ranges: &[(u64, u64)]) -> bool {
    ranges.iter().all(|(from, to)| from < to) && ranges.windows(2).all(|pair| pair[0].1 <= pair[1].0)
}
