//! (in work) ops
