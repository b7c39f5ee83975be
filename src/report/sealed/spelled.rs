//! One spelling for each value: another one of the same value is a changed document.

use crate::digest::{BlockValue, Digest};
use crate::moment::Moment;
use crate::names::RelPath;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde::{Deserialize, Serialize};

/// 32 bytes of lower-case hex: one spelling alone, for a changed case is a changed bit.
pub(in crate::report) fn hash(text: &str) -> Result<[u8; 32], &'static str> {
    let digest = Digest::parse(text).filter(|digest| digest.to_string() == text);
    digest
        .map(|digest| digest.0)
        .ok_or("a hash that is not 64 digits")
}

const NANOS: i128 = 1_000_000_000;

/// Seconds with nine decimals.
pub(in crate::report) fn decimal(at: Moment) -> String {
    let all = i128::from(at.seconds) * NANOS + i128::from(at.nanos);
    let (sign, size) = (if all < 0 { "-" } else { "" }, all.unsigned_abs());
    let unit = NANOS.unsigned_abs();
    format!("{sign}{}.{:09}", size / unit, size % unit)
}

/// What [`decimal`] wrote, and nothing else.
pub(in crate::report) fn moment(text: &str) -> Result<Moment, &'static str> {
    const WRONG: &str = "a time that is not seconds with nine decimals";
    let (sign, digits) = match text.strip_prefix('-') {
        Some(rest) => (-1, rest),
        None => (1, text),
    };
    let (whole, part) = digits.split_once('.').ok_or(WRONG)?;
    let number = |text: &str| text.parse::<u64>().map_err(|_| WRONG);
    let all = sign * (i128::from(number(whole)?) * NANOS + i128::from(number(part)?));
    let seconds = i64::try_from(all.div_euclid(NANOS)).map_err(|_| WRONG)?;
    let at = Moment {
        seconds,
        nanos: all.rem_euclid(NANOS) as u32,
    };
    (decimal(at) == text).then_some(at).ok_or(WRONG)
}

/// A time as RFC 3339.
pub(in crate::report) fn when(text: &str) -> Result<Moment, &'static str> {
    Moment::parse_rfc3339(text).ok_or("a time that is not RFC 3339")
}

/// Bytes of a name: text where they are UTF-8, base64 elsewhere.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub(in crate::report) enum Raw {
    Text(String),
    Bytes { b64: String },
}

impl Raw {
    pub fn of(bytes: &[u8]) -> Raw {
        match std::str::from_utf8(bytes) {
            Ok(text) => Raw::Text(text.to_string()),
            Err(_) => Raw::Bytes {
                b64: STANDARD.encode(bytes),
            },
        }
    }

    pub fn bytes(self) -> Result<Vec<u8>, &'static str> {
        match self {
            Raw::Text(text) => Ok(text.into_bytes()),
            Raw::Bytes { b64 } => {
                let bytes = STANDARD.decode(b64).map_err(|_| "b64 is no base64")?;
                match std::str::from_utf8(&bytes) {
                    Ok(_) => Err("b64 stands where plain text would do"),
                    Err(_) => Ok(bytes),
                }
            }
        }
    }

    pub fn path(self) -> Result<RelPath, &'static str> {
        RelPath::new(self.bytes()?).map_err(|_| "a path that no file below a folder can have")
    }
}

/// The functions of `#[serde(with)]` for a value with a spelling; `maybe` also for one that may be
/// missing.
macro_rules! spelling {
    ($(#[$doc:meta])* $name:ident $($maybe:ident)?, $value:ty, $raw:ty, $write:expr, $read:expr) => {
        $(#[$doc])*
        pub(in crate::report) mod $name {
            use super::*;
            use serde::{Deserializer, Serializer, de::Error};

            pub fn serialize<S: Serializer>(value: &$value, to: S) -> Result<S::Ok, S::Error> {
                let write: fn(&$value) -> $raw = $write;
                write(value).serialize(to)
            }

            pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<$value, D::Error> {
                let read: fn($raw) -> Result<$value, &'static str> = $read;
                read(<$raw>::deserialize(from)?).map_err(D::Error::custom)
            }
            $(
                pub mod $maybe {
                    use super::*;

                    pub fn serialize<S: Serializer>(value: &Option<$value>, to: S) -> Result<S::Ok, S::Error> {
                        match value {
                            Some(value) => super::serialize(value, to),
                            None => to.serialize_none(),
                        }
                    }

                    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Option<$value>, D::Error> {
                        super::deserialize(from).map(Some)
                    }
                }
            )?
        }
    };
}

spelling!(
    /// A hash as lower-case hex.
    as_digest maybe, Digest, String, |value| value.to_string(), |raw| hash(&raw).map(Digest)
);
spelling!(
    /// A file's time, exact over its whole range.
    as_moment maybe, Moment, String, |value| decimal(*value), |raw| moment(&raw)
);
spelling!(
    /// A time of ours, to the second.
    as_when, Moment, String, |value| value.rfc3339(chrono_tz::UTC), |raw| when(&raw)
);
spelling!(
    /// Bytes of a name.
    as_name maybe, Vec<u8>, Raw, |value| Raw::of(value), Raw::bytes
);
spelling!(
    /// Several names.
    as_names, Vec<Vec<u8>>, Vec<Raw>, |value| value.iter().map(|one| Raw::of(one)).collect(),
    |raw| raw.into_iter().map(Raw::bytes).collect()
);
spelling!(
    /// A path below a root.
    as_path maybe, RelPath, Raw, |value| Raw::of(value.as_bytes()), Raw::path
);
spelling!(
    /// Chaining values, 64 digits each.
    as_values, Vec<BlockValue>, String,
    |value| value.iter().map(|one| Digest(one.0).to_string()).collect(),
    |raw| {
        if !raw.is_ascii() || raw.is_empty() {
            return Err("chaining values that are not 64 digits each");
        }
        let parts = raw.as_bytes().chunks(64).map(|part| std::str::from_utf8(part).unwrap_or_default());
        parts.map(|part| hash(part).map(BlockValue)).collect()
    }
);
