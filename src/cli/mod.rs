//! (in work) cli
