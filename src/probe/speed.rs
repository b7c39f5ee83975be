//! How fast this machine hashes.

use super::{STEP, Tools, noise};
use crate::digest::TreeHasher;
use crate::units::{Bytes, Rate, Span};
use crate::world::Res;
use std::sync::atomic::{AtomicU64, Ordering};

/// As many hash at once as a copy of large files begins with.
const AT_ONCE: usize = 2;

/// Bytes a second of BLAKE3 with its tree, as a copy computes it, over about `seconds`.
///
/// # Errors
/// Only an interruption.
pub fn hash_rate(tools: Tools<'_>, seconds: f64) -> Res<Rate> {
    let done = AtomicU64::new(0);
    let began = tools.clock.ticks();
    let work = || -> Res<()> {
        let mut bytes = vec![0u8; STEP];
        noise(&mut bytes, 1);
        let mut hasher = TreeHasher::new();
        while tools.clock.ticks() - began < seconds {
            tools.go_on()?;
            hasher.update(&bytes);
            done.fetch_add(STEP as u64, Ordering::Relaxed);
        }
        std::hint::black_box(hasher.finish());
        Ok(())
    };
    super::write::side_by_side(AT_ONCE, &work)?;
    let took = tools.clock.ticks() - began;
    Ok(Rate::from_work(
        Bytes(done.into_inner()),
        Span::from_secs_f64(took),
    ))
}
