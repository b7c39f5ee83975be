//! (in work) report
