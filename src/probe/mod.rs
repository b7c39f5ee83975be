//! (in work) probe
