//! (in work) world
