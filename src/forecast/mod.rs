//! When each batch will be done: rates, windows, simulation, fit and comparison.
//!
//! Pure: `now` is handed in, the plan is never changed. Bytes are integers coming in and going
//! out; seconds and rates are floats inside.

pub mod link;
pub mod windows;
