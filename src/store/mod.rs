//! All SQL, and the PostgreSQL that it runs on.

pub mod cluster;
