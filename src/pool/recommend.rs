//! Which recordsize and compression a dataset should have, and what that saves.

use crate::pool::layout::Layout;
use crate::pool::priced::{Priced, SEQUENTIAL};
use crate::pool::records::{Choice, Compression, RecordSize};
use crate::pool::tally::{SpaceTally, Taken};
use crate::units::Bytes;

/// A choice with its reasons.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recommendation {
    /// What to set.
    pub choice: Choice,
    /// What the files then take.
    pub taken: Taken,
    /// What they would take if nothing were set (128K, compression on).
    pub by_default: Taken,
    /// What they would take at the worst of all choices.
    pub at_worst: (Choice, Taken),
    /// Less used than by default.
    pub saves: Bytes,
    /// Two sentences for a person.
    pub words: [String; 2],
}

/// Parts of a thousand that a larger record must save before it is worth its price: a read or
/// rewrite of a few bytes always takes a whole record.
const WORTH_PER_MILLE: u128 = 5;

/// Recommends for what was pushed into the tally, on this layout.
///
/// Compression is always on: it never takes more. The recordsize is the smallest from 128K up (1M
/// where most bytes lie in long files) that comes within 0.5 % of the least possible use.
pub fn recommend(tally: &SpaceTally, layout: Layout) -> Recommendation {
    recommend_for(&Priced::of(tally, layout))
}

/// The same for files that were priced before.
pub fn recommend_for(priced: &Priced) -> Recommendation {
    let all = priced.by_choice();
    let default_choice = Choice {
        recordsize: RecordSize::DEFAULT,
        compression: Compression::On,
    };
    let of = |choice: Choice| priced.taken(choice);
    let least = all.iter().map(|(_, t)| t.used).min().unwrap_or_default();
    let near = |used: Bytes| u128::from(used.0) * 1_000 <= u128::from(least.0) * (1_000 + WORTH_PER_MILLE);
    let floor = if priced.mostly_long() {
        SEQUENTIAL
    } else {
        RecordSize::DEFAULT.bytes()
    };
    let choice = all
        .iter()
        .filter(|(c, t)| c.compression == Compression::On && c.recordsize.bytes() >= floor && near(t.used))
        .map(|(c, _)| *c)
        .min()
        .unwrap_or(default_choice);
    let worst = all
        .iter()
        .max_by_key(|(_, t)| t.used)
        .copied()
        .unwrap_or((choice, of(choice)));
    let (taken, by_default) = (of(choice), of(default_choice));
    Recommendation {
        choice,
        taken,
        by_default,
        at_worst: worst,
        saves: by_default.used.minus(taken.used),
        words: words(choice, taken, by_default, worst),
    }
}

fn words(choice: Choice, taken: Taken, by_default: Taken, worst: (Choice, Taken)) -> [String; 2] {
    let saved = by_default.used.minus(taken.used);
    let against = if choice.recordsize == RecordSize::DEFAULT {
        "this is the default".to_string()
    } else if saved.0 > 0 {
        format!(
            "{} ({}) less than at the default {}",
            saved.binary(),
            percent(saved, by_default.used),
            RecordSize::DEFAULT
        )
    } else {
        format!("no more than at the default {}", RecordSize::DEFAULT)
    };
    let worst_by = worst.1.used.minus(taken.used);
    [
        format!(
            "Recordsize {} with compression on: these files use {}; {against}, and {} less than with {}.",
            choice.recordsize,
            taken.used.binary(),
            worst_by.binary(),
            worst.0
        ),
        "Compression trims the empty end of each file's last record; media itself does not shrink, and \
         nothing more is promised."
            .to_string(),
    ]
}

/// A share in percent with one digit: `5.1 %`.
pub(crate) fn percent(part: Bytes, whole: Bytes) -> String {
    if whole.0 == 0 {
        return "0.0 %".into();
    }
    let tenths = (u128::from(part.0) * 1_000 + u128::from(whole.0) / 2) / u128::from(whole.0);
    format!("{}.{} %", tenths / 10, tenths % 10)
}
