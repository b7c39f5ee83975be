//! (in work) pool
