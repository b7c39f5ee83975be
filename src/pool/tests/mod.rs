//! The pool against measured tables, published tables and properties.

mod allocation;
mod capacity;
mod choices;
mod layouts;
mod names;
mod properties;
mod published;
mod staging;
