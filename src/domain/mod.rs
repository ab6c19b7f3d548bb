//! What the readings mean. Pure: no I/O, no SQL, no HTTP, no SNMP, no clock and no randomness; the
//! present comes in as a value.

pub mod ids;
pub mod snapshot;
pub mod standard;
pub mod units;
