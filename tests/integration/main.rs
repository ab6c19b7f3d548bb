//! The integration tests, in one binary.

mod access;
mod alerts;
mod cluster;
mod commands;
mod delivery;
mod demo;
mod discover;
mod forecasts;
mod heads;
mod import;
mod ingest;
mod keeping;
mod kills;
mod leases;
mod live;
mod month_mail;
mod months;
mod openid;
mod order_point;
mod orders;
mod pages;
mod rehearsals;
mod rules;
mod runs;
mod setup;
mod shelf;
mod slots;
mod slots_commands;
mod spool;
mod structure;
#[allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]
mod support;
mod swaps;
mod truth;
mod upgrade;
mod watched;
