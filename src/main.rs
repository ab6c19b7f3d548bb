//! The `ullage` program.

fn main() {}
