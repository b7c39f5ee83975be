//! Poolward plans and proves the move of a large file archive from an old NAS to a new ZFS pool.
//!
//! The map, in reading order. A module uses lower floors only, plus the arrows named here; a test
//! (`tests/tidy`) reads every `use crate::` and holds the code to it.
//!
//! - Floor 0, words: [`units`], [`names`], [`moment`], [`digest`], [`entry`], [`sizes`],
//!   [`trouble`].
//! - Floor 1, pure decisions: [`survey`], [`pool`], [`plan`] (uses survey, pool), [`lifecycle`]
//!   (uses plan), [`forecast`] (uses plan, pool), [`report`] (uses all of floor 1), [`web`].
//! - Floor 2, stores: [`world`] (the seam to file systems, clock and stop), [`index`], [`ledger`].
//! - Floor 3, hands: [`scan`], [`copy`], [`verify`], [`release`], [`probe`], [`serve`]: they do I/O
//!   and decide nothing.
//! - Floor 4: [`ops`], one file a verb: gather, decide, record.
//! - Floor 5: [`cli`], arguments, settings, printing, exit codes.
//!
//! What is absent, and must stay so: the plan sees no clock; the forecast changes no plan; only
//! [`ledger`] knows SQL; only [`index`] knows bincode; only [`release`] removes at a source, and
//! only what the ledger calls verified; only [`cli`] prints or reads the environment; only [`serve`]
//! listens; floors 0 and 1 touch no file, clock, thread or randomness.

#![cfg_attr(
    test,
    allow(clippy::disallowed_methods, reason = "tests ask the machine and its clock")
)]

pub mod digest;
pub mod entry;
pub mod moment;
pub mod names;
pub mod sizes;
pub mod trouble;
pub mod units;

pub mod forecast;
pub mod lifecycle;
pub mod plan;
pub mod pool;
pub mod report;
pub mod survey;
pub mod web;

pub mod index;
pub mod ledger;
pub mod world;

pub mod copy;
pub mod probe;
pub mod release;
pub mod scan;
pub mod serve;
pub mod verify;

pub mod ops;

pub mod cli;
