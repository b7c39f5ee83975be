//! (in work) copy
