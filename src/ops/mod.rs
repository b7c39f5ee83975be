//! One file a verb: gather, decide, record. No decision is made here that a lower floor could make.

pub mod settings;
