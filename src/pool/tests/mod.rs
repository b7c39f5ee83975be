//! The pool against measured tables, published tables and properties.

mod allocation;
mod capacity;
