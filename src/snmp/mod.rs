//! Speaks SNMP: bytes, one socket for many devices, and the printer tables as domain values.
//!
//! Nothing here can write to a device: a request is a [`pdu::Request`], and that has no set.
//!
//! From the outside in: [`read_printer`] asks for a printer's tables by a [`plan`], and asks through the
//! [`transport`]; that puts requests into bytes with [`ber`], or with `usm` for version 3.
//! [`printer_mib`] then turns what came into a [`crate::domain::snapshot::Snapshot`].

mod ask;
mod batch;
pub mod ber;
pub mod credential;
pub mod discover;
pub mod error;
#[cfg(test)]
mod hostile_tests;
mod ids;
#[cfg(test)]
mod live_tests;
#[cfg(test)]
mod mock_tests;
pub mod notification;
pub mod oid;
pub mod pdu;
mod pending;
pub mod plan;
mod plans;
pub mod printer_mib;
pub mod printer_rows;
pub mod read_printer;
pub mod sensors;
pub mod sweep;
#[cfg(test)]
mod testing;
mod text;
pub mod transport;
mod usm;
mod usm_crypto;
mod usm_keys;
pub mod value;
mod wheel;
