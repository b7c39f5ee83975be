//! How our values lie in columns: times, identities, hashes, states.

use crate::digest::{BlockValue, Digest};
use crate::moment::Moment;
use rusqlite::Row;
use rusqlite::types::{FromSqlError, Type, Value, ValueRef};

const NANOS: i64 = 1_000_000_000;

/// A time as one integer of nanoseconds where that fits 64 bits (1678 to 2262), else twelve bytes.
pub(super) fn stamp(time: Moment) -> Value {
    let nanos = time
        .seconds
        .checked_mul(NANOS)
        .and_then(|n| n.checked_add(i64::from(time.nanos)));
    match nanos {
        Some(nanos) => Value::Integer(nanos),
        None => {
            let mut bytes = time.seconds.to_be_bytes().to_vec();
            bytes.extend_from_slice(&time.nanos.to_be_bytes());
            Value::Blob(bytes)
        }
    }
}

/// Reads what [`stamp`] wrote.
pub(super) fn moment(row: &Row<'_>, column: usize) -> rusqlite::Result<Moment> {
    match row.get_ref(column)? {
        ValueRef::Integer(nanos) => Ok(Moment {
            seconds: nanos.div_euclid(NANOS),
            nanos: nanos.rem_euclid(NANOS) as u32,
        }),
        ValueRef::Blob(bytes) => match bytes.split_first_chunk::<8>() {
            Some((seconds, rest)) => Ok(Moment {
                seconds: i64::from_be_bytes(*seconds),
                nanos: <[u8; 4]>::try_from(rest)
                    .map(u32::from_be_bytes)
                    .map_err(|_| bad(column, "a time"))?,
            }),
            None => Err(bad(column, "a time")),
        },
        _ => Err(bad(column, "a time")),
    }
}

/// A time that may be missing.
pub(super) fn maybe_moment(row: &Row<'_>, column: usize) -> rusqlite::Result<Option<Moment>> {
    match row.get_ref(column)? {
        ValueRef::Null => Ok(None),
        _ => moment(row, column).map(Some),
    }
}

/// A hash.
pub(super) fn digest(row: &Row<'_>, column: usize) -> rusqlite::Result<Digest> {
    let bytes: [u8; 32] = row.get(column)?;
    Ok(Digest(bytes))
}

/// Chaining values, 32 bytes each.
pub(super) fn values(row: &Row<'_>, column: usize) -> rusqlite::Result<Vec<BlockValue>> {
    let bytes: Option<Vec<u8>> = row.get(column)?;
    let bytes = bytes.unwrap_or_default();
    let (whole, rest) = bytes.as_chunks::<32>();
    if !rest.is_empty() {
        return Err(bad(column, "chaining values"));
    }
    Ok(whole.iter().map(|chunk| BlockValue(*chunk)).collect())
}

/// Chaining values as one run of bytes.
pub(super) fn values_bytes(values: &[BlockValue]) -> Vec<u8> {
    values.iter().flat_map(|value| value.0).collect()
}

/// A count as SQLite's signed integer; ours never pass 2^63.
pub(super) fn int(value: u64) -> i64 {
    value as i64
}

/// A count read back.
pub(super) fn uint(row: &Row<'_>, column: usize) -> rusqlite::Result<u64> {
    Ok(row.get::<_, i64>(column)? as u64)
}

/// A value that this program never wrote.
pub(super) fn bad(column: usize, what: &'static str) -> rusqlite::Error {
    let cause = FromSqlError::Other(format!("column {column} is not {what}").into());
    rusqlite::Error::FromSqlConversionFailure(column, Type::Blob, Box::new(cause))
}
