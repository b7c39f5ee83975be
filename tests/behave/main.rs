//! Behaviour of the real binary on real folders, from nothing to a released batch.

#![allow(clippy::disallowed_methods, clippy::expect_used, clippy::unwrap_used)]

mod awkward;
mod bad_input;
mod changing;
mod corruption;
mod different;
mod guards;
mod on_disks;
mod outside_scan;
mod pace;
mod plans;
mod proofs;
mod reads;
mod real_tree;
mod renamed;
mod scan_trouble;
mod scanning;
mod second_looks;
#[path = "../support/mod.rs"]
mod support;
mod twins;
mod util;
mod whole_move;
