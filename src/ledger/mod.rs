//! (in work) ledger
