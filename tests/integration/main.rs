//! The integration tests, in one binary.

mod cluster;
mod structure;
