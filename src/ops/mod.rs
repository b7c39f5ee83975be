//! One file a verb: gather, decide, record. No decision is made here that a lower floor could make.

pub mod adopt;
pub mod batch;
pub mod begin;
pub mod changes;
pub mod content;
pub mod copy;
pub mod demo;
pub mod desk;
pub mod gather;
pub mod guard;
pub mod hold;
pub mod items;
pub mod late;
pub mod manifest;
pub mod plan;
pub mod pool;
pub mod release;
pub mod report;
pub mod restored;
pub mod scan;
pub mod schedule;
pub mod settings;
mod some_again;
pub mod status;
pub mod store;
pub mod twins;
pub mod verify;
