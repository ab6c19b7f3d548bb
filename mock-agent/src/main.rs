//! The `mock-agent` program.

fn main() {}
