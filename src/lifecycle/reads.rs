//! Two reads of one file that differ: a third decides which of them was right.

/// What stands after three reads of a file that had the same identity each time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stands {
    /// The first two agree: nothing was in question.
    Both,
    /// The first, which the third bore out; the second was the odd one.
    First,
    /// The second, which the third bore out.
    Second,
    /// None: all three differ.
    None,
}

impl Stands {
    /// The fixed word of the ledger and of JSON.
    pub fn word(self) -> &'static str {
        match self {
            Stands::Both => "agreed",
            Stands::First => "earlier-read",
            Stands::Second => "later-read",
            Stands::None => "none",
        }
    }
}

/// Two equal reads of three decide. A third is only asked for where the first two differ.
pub fn settle<T: PartialEq>(first: &T, second: &T, third: impl FnOnce() -> T) -> Stands {
    if first == second {
        return Stands::Both;
    }
    match third() {
        read if read == *first => Stands::First,
        read if read == *second => Stands::Second,
        _ => Stands::None,
    }
}
