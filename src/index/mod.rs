//! (in work) index
