//! Behaviour of the real binary on real folders, from nothing to a released batch.

#![allow(clippy::disallowed_methods, clippy::expect_used, clippy::unwrap_used)]

mod absorb_looks;
mod absorbing;
mod attacks;
mod awkward;
mod bad_input;
mod carry_ends;
mod carry_refuses;
mod carrying;
mod changing;
mod corruption;
mod cutover;
mod different;
mod exposed;
mod fixity;
mod guards;
mod hidden_edits;
mod learning;
mod moved;
mod odd_hours;
mod on_disks;
mod outside_scan;
mod pace;
mod permissions;
mod plans;
mod pools;
mod probing;
mod proofs;
mod reads;
mod real_tree;
mod removing;
mod renamed;
mod renaming;
mod run;
mod scan_trouble;
mod scanning;
mod scheduler;
mod second_looks;
mod served;
mod serving;
mod signing;
#[path = "../support/mod.rs"]
mod support;
mod twins;
mod util;
mod view;
mod waybills;
mod whole_move;
