//! (in work) lifecycle
