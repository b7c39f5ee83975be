//! Quantities: bytes, files, rates, link speeds and spans of time, with the units people type.
//!
//! Disks and links are decimal (14 TB, 10 Gbit/s), pool space is binary (154.3 TiB); the unit is
//! always printed. All arithmetic on bytes is integer arithmetic and checked: a sum that does not
//! fit is an error of the caller's making and never wraps. Prefixes follow IEC 80000-13.

use std::fmt;

/// A text that is not a quantity of the wanted kind.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{text:?} is not {wanted}")]
pub struct UnitError {
    /// What was typed.
    pub text: String,
    /// What was expected, with its article ("a size").
    pub wanted: &'static str,
    /// An example that would have been accepted.
    pub mend: &'static str,
}

/// A number of bytes, 0 to 2^64 - 1 (18.4 EB).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Bytes(pub u64);

/// How much there is: files and the bytes in them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash)]
pub struct Amount {
    /// Number of files.
    pub files: u64,
    /// Their logical sizes added up.
    pub bytes: Bytes,
}

/// A data rate in bytes per second; 0 means nothing moves.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Rate(pub u64);

/// The speed of a link in bits per second, as the trade names it (10GbE = 10 Gbit/s).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct LinkSpeed(pub u64);

/// A length of time in microseconds, up to 584,000 years; longer ones saturate.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Span(pub u64);

const DECIMAL: [(&str, u64); 7] = [
    ("EB", 1_000_000_000_000_000_000),
    ("PB", 1_000_000_000_000_000),
    ("TB", 1_000_000_000_000),
    ("GB", 1_000_000_000),
    ("MB", 1_000_000),
    ("kB", 1_000),
    ("B", 1),
];

const BINARY: [(&str, u64); 7] = [
    ("EiB", 1 << 60),
    ("PiB", 1 << 50),
    ("TiB", 1 << 40),
    ("GiB", 1 << 30),
    ("MiB", 1 << 20),
    ("KiB", 1 << 10),
    ("B", 1),
];

impl Bytes {
    /// No bytes.
    pub const ZERO: Bytes = Bytes(0);

    /// The sum, or `None` where it passes 2^64 - 1.
    pub fn checked_add(self, other: Bytes) -> Option<Bytes> {
        self.0.checked_add(other.0).map(Bytes)
    }

    /// The sum, held at 2^64 - 1. For totals that are only shown.
    pub fn plus(self, other: Bytes) -> Bytes {
        Bytes(self.0.saturating_add(other.0))
    }

    /// The difference, or nothing where `other` is larger.
    pub fn minus(self, other: Bytes) -> Bytes {
        Bytes(self.0.saturating_sub(other.0))
    }

    /// As pool space: `154.3 TiB`.
    pub fn binary(self) -> String {
        scaled(self.0, &BINARY)
    }

    /// Reads `14 TB`, `1 MiB`, `1.5GB`, `14000519643136 B`, `0`. A bare number other than 0 is
    /// refused, since nobody can tell which unit was meant.
    ///
    /// # Errors
    /// [`UnitError`] for an unknown unit, a negative or absurd number, a fraction of a byte.
    pub fn parse(text: &str) -> Result<Bytes, UnitError> {
        let fail = || UnitError {
            text: text.to_string(),
            wanted: "a size",
            mend: "write for example 14 TB, 200 GB, 1 MiB or 14000519643136 B",
        };
        let (number, unit) = split_number(text);
        if unit.is_empty() && number == "0" {
            return Ok(Bytes(0));
        }
        let factor = size_factor(unit).ok_or_else(fail)?;
        times(number, factor).map(Bytes).ok_or_else(fail)
    }

    /// The text that [`Bytes::parse`] reads back to exactly this value.
    pub fn exact(self) -> String {
        format!("{} B", self.0)
    }
}

impl fmt::Display for Bytes {
    /// Decimal, as disks are sold: `3.98 TB`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&scaled(self.0, &DECIMAL))
    }
}

impl std::iter::Sum for Bytes {
    fn sum<I: Iterator<Item = Bytes>>(iter: I) -> Bytes {
        iter.fold(Bytes::ZERO, Bytes::plus)
    }
}

impl Amount {
    /// One file of this size.
    pub fn one(bytes: Bytes) -> Amount {
        Amount { files: 1, bytes }
    }

    /// Adds another amount; the totals saturate.
    pub fn add(&mut self, other: Amount) {
        self.files = self.files.saturating_add(other.files);
        self.bytes = self.bytes.plus(other.bytes);
    }

    /// Both together.
    pub fn plus(mut self, other: Amount) -> Amount {
        self.add(other);
        self
    }

    /// What is left after taking `other` away, never below nothing.
    pub fn minus(self, other: Amount) -> Amount {
        Amount {
            files: self.files.saturating_sub(other.files),
            bytes: self.bytes.minus(other.bytes),
        }
    }
}

impl std::iter::Sum for Amount {
    fn sum<I: Iterator<Item = Amount>>(iter: I) -> Amount {
        iter.fold(Amount::default(), Amount::plus)
    }
}

impl fmt::Display for Amount {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} in {}", self.bytes, counted(self.files, "file"))
    }
}

impl Rate {
    /// Reads `180 MB/s`, `1.2 GiB/s`, `5 Gbit/s`.
    ///
    /// # Errors
    /// [`UnitError`] for anything else.
    pub fn parse(text: &str) -> Result<Rate, UnitError> {
        let fail = || UnitError {
            text: text.to_string(),
            wanted: "a rate",
            mend: "write for example 180 MB/s or 5 Gbit/s",
        };
        let (number, unit) = split_number(text);
        if let Some(size) = unit.strip_suffix("/s").and_then(size_factor) {
            return times(number, size).map(Rate).ok_or_else(fail);
        }
        let bits = bit_factor(unit).ok_or_else(fail)?;
        times(number, bits).map(|b| Rate(b / 8)).ok_or_else(fail)
    }

    /// How long `bytes` take at this rate; the longest span where the rate is 0 and bytes are left.
    pub fn time_for(self, bytes: Bytes) -> Span {
        if bytes.0 == 0 {
            return Span(0);
        }
        if self.0 == 0 {
            return Span::FOREVER;
        }
        let micros = u128::from(bytes.0) * 1_000_000 / u128::from(self.0);
        Span(u64::try_from(micros).unwrap_or(u64::MAX))
    }

    /// Bytes over time; 0 where no time has passed.
    pub fn from_work(bytes: Bytes, span: Span) -> Rate {
        if span.0 == 0 {
            return Rate(0);
        }
        let rate = u128::from(bytes.0) * 1_000_000 / u128::from(span.0);
        Rate(u64::try_from(rate).unwrap_or(u64::MAX))
    }
}

impl fmt::Display for Rate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{}/s", scaled(self.0, &DECIMAL)))
    }
}

impl LinkSpeed {
    /// Reads `10GbE`, `2.5 Gbit/s`, `1000 Mbit/s`, also `1.2 GB/s`.
    ///
    /// # Errors
    /// [`UnitError`] for anything else, and for 0.
    pub fn parse(text: &str) -> Result<LinkSpeed, UnitError> {
        let fail = || UnitError {
            text: text.to_string(),
            wanted: "a link speed",
            mend: "write for example 10GbE, 2.5 Gbit/s or 900 Mbit/s",
        };
        let (number, unit) = split_number(text);
        let factor = if unit.eq_ignore_ascii_case("GbE") {
            Some(1_000_000_000)
        } else {
            bit_factor(unit).or_else(|| {
                unit.strip_suffix("/s")
                    .and_then(size_factor)
                    .and_then(|f| f.checked_mul(8))
            })
        };
        match times(number, factor.ok_or_else(fail)?) {
            Some(bits) if bits > 0 => Ok(LinkSpeed(bits)),
            _ => Err(fail()),
        }
    }
}

impl fmt::Display for LinkSpeed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const BITS: [(&str, u64); 4] = [
            ("Gbit/s", 1_000_000_000),
            ("Mbit/s", 1_000_000),
            ("kbit/s", 1_000),
            ("bit/s", 1),
        ];
        f.pad(&scaled(self.0, &BITS))
    }
}

impl Span {
    /// Longer than any answer: what never ends.
    pub const FOREVER: Span = Span(u64::MAX);

    /// From seconds; negative and undefined values become 0, huge ones [`Span::FOREVER`].
    pub fn from_secs_f64(seconds: f64) -> Span {
        if seconds.is_nan() || seconds <= 0.0 {
            return Span(0);
        }
        let micros = seconds * 1e6;
        if micros >= u64::MAX as f64 {
            Span::FOREVER
        } else {
            Span(micros as u64)
        }
    }

    /// In seconds.
    pub fn secs_f64(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// Whole seconds, rounded up: a task with work left never shows 0.
    pub fn secs_up(self) -> u64 {
        self.0.div_ceil(1_000_000)
    }

    /// The sum, held at [`Span::FOREVER`].
    pub fn plus(self, other: Span) -> Span {
        Span(self.0.saturating_add(other.0))
    }
}

impl fmt::Display for Span {
    /// The two largest units: `2 d 5 h`, `3 h 12 min`, `41 s`, `0.4 s`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if *self == Span::FOREVER {
            return f.pad("never");
        }
        if self.0 < 10_000_000 {
            return f.pad(&format!("{:.1} s", self.secs_f64()));
        }
        // Rounded to the smaller unit shown, so that 59.7 min never prints as 59 min 59 s.
        let seconds = self.0.saturating_add(500_000) / 1_000_000;
        let text = if seconds < 60 {
            format!("{seconds} s")
        } else if seconds < 3_600 {
            two(seconds, 60, "min", 1, "s")
        } else if seconds < 86_400 {
            two((seconds + 30) / 60, 60, "h", 1, "min")
        } else {
            two((seconds + 1_800) / 3_600, 24, "d", 1, "h")
        };
        f.pad(&text)
    }
}

fn two(total: u64, per: u64, large: &str, step: u64, small: &str) -> String {
    let rest = total % per / step;
    if rest == 0 {
        format!("{} {large}", total / per)
    } else {
        format!("{} {large} {rest} {small}", total / per)
    }
}

/// `1 file`, `2,140 files`; nouns that take a plain s.
pub fn counted(n: u64, noun: &str) -> String {
    if n == 1 {
        format!("1 {noun}")
    } else {
        format!("{} {noun}s", grouped(n))
    }
}

/// Digits in groups of three: `1,204,233`.
pub fn grouped(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(c);
    }
    out
}

/// Three significant digits in the largest unit that keeps the number at 1 or more.
fn scaled(value: u64, units: &[(&str, u64)]) -> String {
    let last = units.len() - 1;
    let mut at = units.iter().position(|u| value >= u.1).unwrap_or(last);
    loop {
        let (name, unit) = units[at];
        if unit == 1 {
            return format!("{value} {name}");
        }
        // Integer arithmetic, rounded once at the digit shown; u128 keeps 18 EB exact.
        let rounded = |per: u128| (u128::from(value) * per + u128::from(unit) / 2) / u128::from(unit);
        let top = if at > 0 {
            u128::from(units[at - 1].1 / unit)
        } else {
            u128::MAX
        };
        let (hundredths, tenths, whole) = (rounded(100), rounded(10), rounded(1));
        if whole >= top {
            at -= 1;
            continue;
        }
        return if hundredths < 1_000 {
            format!("{}.{:02} {name}", hundredths / 100, hundredths % 100)
        } else if tenths < 1_000 {
            format!("{}.{} {name}", tenths / 10, tenths % 10)
        } else {
            format!("{whole} {name}")
        };
    }
}

fn split_number(text: &str) -> (&str, &str) {
    let text = text.trim();
    let end = text
        .find(|c: char| !c.is_ascii_digit() && c != '.')
        .unwrap_or(text.len());
    (&text[..end], text[end..].trim_start())
}

fn size_factor(unit: &str) -> Option<u64> {
    let known = DECIMAL.iter().chain(BINARY.iter());
    known
        .chain([("KB", 1_000), ("bytes", 1)].iter())
        .find(|(name, _)| *name == unit)
        .map(|(_, factor)| *factor)
}

fn bit_factor(unit: &str) -> Option<u64> {
    let prefix = unit.strip_suffix("bit/s").or_else(|| unit.strip_suffix("b/s"))?;
    match prefix {
        "" => Some(1),
        "k" => Some(1_000),
        "M" => Some(1_000_000),
        "G" => Some(1_000_000_000),
        "T" => Some(1_000_000_000_000),
        _ => None,
    }
}

/// `number` (digits with at most one point) times `factor`, exactly; `None` where the product is
/// no whole number or passes 2^64 - 1.
fn times(number: &str, factor: u64) -> Option<u64> {
    let (whole, fraction) = number.split_once('.').unwrap_or((number, ""));
    if whole.is_empty() || number.ends_with('.') || fraction.len() > 18 || whole.len() > 20 {
        return None;
    }
    let whole: u128 = whole.parse().ok()?;
    let mut total = whole.checked_mul(u128::from(factor))?;
    if !fraction.is_empty() {
        let scale = 10u128.pow(fraction.len() as u32);
        let part = fraction.parse::<u128>().ok()?.checked_mul(u128::from(factor))?;
        if part % scale != 0 {
            return None;
        }
        total = total.checked_add(part / scale)?;
    }
    u64::try_from(total).ok()
}

#[cfg(test)]
mod tests;
