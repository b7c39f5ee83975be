//! The copy under faults and crashes: at every call to a file system something goes wrong once,
//! for ever, or the machine dies, and afterwards the ledger must not say more than the disk.

#![allow(clippy::disallowed_methods, reason = "tests ask the machine and its clock")]

#[path = "support/memfs/mod.rs"]
mod memfs;
#[path = "support/mod.rs"]
mod support;

#[path = "crash/canary.rs"]
mod canary;
#[path = "crash/cases.rs"]
mod cases;
#[path = "crash/following.rs"]
mod following;
#[path = "crash/large.rs"]
mod large;
#[path = "crash/loops.rs"]
mod loops;
#[path = "crash/lossy.rs"]
mod lossy;
#[path = "crash/moving.rs"]
mod moving;
#[path = "crash/names.rs"]
mod names;
#[path = "crash/removing.rs"]
mod removing;
#[path = "crash/repair.rs"]
mod repair;
#[path = "crash/repeats.rs"]
mod repeats;
#[path = "crash/rig.rs"]
mod rig;
#[path = "crash/weaker.rs"]
mod weaker;
#[path = "crash/witness.rs"]
mod witness;
