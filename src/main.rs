//! The binary: parse, one call, exit code.

fn main() {}
