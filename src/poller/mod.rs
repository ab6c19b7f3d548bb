//! Asks devices in time and hands over what they said. Knows SNMP and no SQL.

pub mod hints;
pub mod leases;
pub mod probe;
pub mod schedule;
pub mod sensors;
pub mod share;
pub mod worker;
