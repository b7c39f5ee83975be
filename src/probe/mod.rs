//! Measures the two ends: how fast they read and write, what a file costs, what they keep.
//!
//! Nothing is written at a source: it is read at places spread over it, past the cache. At the
//! destination everything lies in one folder of ours ([`Nest`]), which is cleared at the end, on an
//! error and when somebody stops; what a power cut leaves is cleared by the next probe.

mod keeps;
mod nest;
mod read;
mod speed;
mod write;

pub use keeps::{Kept, keeps, seen};
pub use nest::Nest;
pub use read::{Large, Small, read_back, read_large, read_small, small_ones};
pub use speed::hash_rate;
pub use write::{Written, small_file_cost, write_large};

use crate::world::{Clock, Fault, FaultKind, Res, Stop};

/// Small files in flight, as many as a copy begins with (hazard P1: 4 to 8).
const IN_FLIGHT: usize = 4;
/// Bytes of one read or write.
const STEP: usize = 4 << 20;

/// The clock, and whether to end.
#[derive(Clone, Copy)]
pub struct Tools<'a> {
    /// Tells the time.
    pub clock: &'a dyn Clock,
    /// Whether to end.
    pub stop: &'a Stop,
}

impl Tools<'_> {
    fn go_on(&self) -> Res<()> {
        match self.stop.is_set() {
            true => Err(Fault::ours("probe", b".", FaultKind::Crash, "interrupted")),
            false => Ok(()),
        }
    }
}

/// Bytes that no file system packs: a multiplicative generator (Marsaglia, "Xorshift RNGs", 2003;
/// shifts from memory), the same each time.
fn noise(into: &mut [u8], seed: u64) {
    let mut state = seed | 1;
    for piece in into.chunks_mut(8) {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        let bytes = state.wrapping_mul(0x2545_F491_4F6C_DD1D).to_le_bytes();
        piece.copy_from_slice(&bytes[..piece.len()]);
    }
}

/// Seconds for each file, the time for its bytes taken away.
fn cost(seconds: f64, bytes: u64, files: u64, per_byte: f64) -> Option<f64> {
    (files > 0).then(|| (seconds - bytes as f64 * per_byte).max(0.0) / files as f64)
}
