//! The integration tests, in one binary.

mod cluster;
mod ingest;
mod structure;
#[allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]
mod support;
