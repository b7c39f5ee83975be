//! (in work) release
