//! (in work) forecast
