//! What the readings mean. Pure: no I/O, no SQL, no HTTP, no SNMP, no clock and no randomness; the
//! present comes in as a value.

pub mod advice;
pub mod alert;
pub mod analysis;
pub mod calendar;
pub mod care;
pub mod cover;
pub mod fitted;
pub mod flow;
pub mod head;
pub mod horizon;
pub mod ids;
pub mod install;
pub mod ledger;
pub mod lending;
pub mod life;
pub mod month;
pub mod order;
pub mod outlook;
pub mod part;
pub mod plumbing;
pub mod polarity;
pub mod poll;
pub mod reading;
pub mod reorder;
pub mod rightness;
pub mod rules;
pub mod run;
pub mod shelf;
pub mod sign;
pub mod sizes;
pub mod snapshot;
pub mod standard;
pub mod stream;
mod swap;
pub mod task;
pub mod units;
