//! Ullage reads the supplies of networked printers over SNMP into PostgreSQL, works out when each one
//! runs out or fills up, and says what to order, what to swap, and when.
//!
//! Data flows one way, and the modules are listed in that order:
//! devices → [`poller`] → readings → [`store`] → [`domain`] → [`site`], alerts, [`report`].

pub mod actor;
pub mod app;
pub mod cli;
pub mod clock;
pub mod config;
pub mod demo;
pub mod domain;
pub mod jobs;
pub mod notify;
pub mod openid;
pub mod poller;
pub mod report;
pub mod site;
pub mod snmp;
pub mod spool;
pub mod store;
pub mod usecase;
