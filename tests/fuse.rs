//! The file system that fails on purpose, itself tested, and a scan through it.

#![allow(clippy::disallowed_methods, clippy::expect_used, clippy::unwrap_used)]

mod support;

#[path = "fuse/helper.rs"]
mod helper;
#[path = "fuse/reads.rs"]
mod reads;
#[path = "fuse/scanning.rs"]
mod scanning;
