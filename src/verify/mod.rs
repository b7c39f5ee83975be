//! (in work) verify
