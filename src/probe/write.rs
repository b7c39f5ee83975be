//! How fast a destination takes large and small files, durably.

use super::{IN_FLIGHT, Nest, STEP, Tools, cost, noise};
use crate::moment::Moment;
use crate::units::{Bytes, Rate, Span};
use crate::world::{Buffer, Dress, Durability, Fs, Res};
use std::num::NonZeroU64;
use std::sync::atomic::{AtomicU64, Ordering};

/// The large file's name.
pub(super) const LARGE: &[u8] = b"large";
/// Bytes of one small file.
const SMALL: usize = 16 << 10;

/// What writing a large file has shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Written {
    /// Bytes a second, the sync counted.
    pub rate: Option<Rate>,
    /// How much was written.
    pub bytes: Bytes,
}

/// Writes one file of at most `most` bytes for at most `seconds`, then syncs it.
///
/// # Errors
/// A fault of the destination, or an interruption.
pub fn write_large(nest: &Nest, tools: Tools<'_>, most: Bytes, seconds: f64) -> Res<Written> {
    let mut buffer = Buffer::new(NonZeroU64::new(STEP as u64).unwrap_or(NonZeroU64::MIN));
    noise(buffer.bytes_mut(), 1);
    let file = nest.folder().stage(LARGE, most)?;
    let (began, mut at) = (tools.clock.ticks(), 0u64);
    while at + STEP as u64 <= most.0 && tools.clock.ticks() - began < seconds {
        tools.go_on()?;
        // No two blocks alike, for pools that would keep one of them only.
        let mark = at.to_le_bytes();
        for start in (0..STEP).step_by(4096) {
            if let Some(into) = buffer.bytes_mut().get_mut(start..start + mark.len()) {
                into.copy_from_slice(&mark);
            }
        }
        file.write_at(at, buffer.bytes())?;
        at += STEP as u64;
    }
    file.sync()?;
    let took = tools.clock.ticks() - began;
    let rate = (at > 0 && took > 0.0).then(|| Rate::from_work(Bytes(at), Span::from_secs_f64(took)));
    Ok(Written {
        rate,
        bytes: Bytes(at),
    })
}

/// Creates, dresses, names and syncs `most` small files, several at a time, for at most `seconds`,
/// and answers the seconds for each and how many there are: `small-0`, `small-1`, ….
///
/// # Errors
/// As for [`write_large`].
pub fn small_file_cost(
    fs: &dyn Fs,
    nest: &Nest,
    tools: Tools<'_>,
    (most, seconds): (u64, f64),
    rate: Option<Rate>,
) -> Res<(Option<f64>, u64)> {
    // Where one sync reaches everything, a copy syncs a whole group; elsewhere file by file.
    let at_once = fs.durability() == Durability::Local;
    let (next, done) = (AtomicU64::new(0), AtomicU64::new(0));
    let dress = Dress {
        mode: Some(0o644),
        mtime: Some(Moment::from_seconds(1_500_000_000)),
        ..Dress::default()
    };
    if at_once {
        fs.sync()?;
    }
    let began = tools.clock.ticks();
    let work = || -> Res<()> {
        let mut content = vec![0u8; SMALL];
        while tools.clock.ticks() - began < seconds {
            tools.go_on()?;
            let number = next.fetch_add(1, Ordering::Relaxed);
            if number >= most {
                break;
            }
            noise(&mut content, number * 2 + 3);
            let staged = format!("small-{number}.part").into_bytes();
            let file = nest.folder().stage(&staged, Bytes(SMALL as u64))?;
            file.write_at(0, &content)?;
            file.dress(&dress)?;
            if !at_once {
                file.sync()?;
            }
            nest.folder().publish(&staged, &small_name(number))?;
            done.fetch_add(1, Ordering::Relaxed);
        }
        Ok(())
    };
    side_by_side(IN_FLIGHT, &work)?;
    match at_once {
        true => fs.sync()?,
        false => nest.folder().sync_names()?,
    }
    let took = tools.clock.ticks() - began;
    let files = done.into_inner();
    let per_byte = rate.map_or(0.0, |rate| 1.0 / rate.0.max(1) as f64);
    Ok((cost(took, files * SMALL as u64, files, per_byte), files))
}

/// The name of a small file.
pub(super) fn small_name(number: u64) -> Vec<u8> {
    format!("small-{number}").into_bytes()
}

/// Runs the same work in several threads; the first fault is the answer.
pub(super) fn side_by_side(threads: usize, work: &(dyn Fn() -> Res<()> + Sync)) -> Res<()> {
    std::thread::scope(|scope| {
        let crew: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        let ends = crew.into_iter().map(|one| {
            one.join()
                .unwrap_or_else(|cause| std::panic::resume_unwind(cause))
        });
        // All are waited for before the first fault is told.
        ends.collect::<Vec<_>>().into_iter().collect()
    })
}
