//! (in work) scan
