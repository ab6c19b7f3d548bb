//! Simulated printers that answer SNMP and know the truth about their own supplies.
//!
//! A [`Scenario`] describes a room. A [`Room`] plays it in quarters of an hour: jobs, head care, swaps,
//! alerts, machines that are switched off. [`Room::mib`] is what a printer tells, [`Room::truth`] is what
//! really happened. [`respond`] answers one datagram; [`AgentServer`] does so over UDP.

mod alert;
mod ber;
mod calendar;
mod check;
mod demand;
mod history;
mod machine;
pub mod many;
pub mod message;
mod mib;
pub mod notify;
mod oid;
mod respond;
mod room;
mod scenario;
mod sensor;
mod server;
mod supply;
mod truth;
pub mod usm;
mod walk;

pub use ber::BerError;
pub use machine::Hand;
pub use oid::{Oid, OidError, Value};
pub use respond::{Agent, EngineClock, engine_id, respond};
pub use room::{Credential, Printer, Room};
pub use scenario::{
    CarePlan, ClimatePlan, DarkPlan, HeadPlan, InkPlan, OffHours, PrinterPlan, Scenario, ScenarioError,
    SensorPlan, SnmpPlan, Version, WastePlan, WorkPlan,
};
pub use sensor::{Polarity, Rounding, Unit};
pub use server::{AgentError, AgentServer, Bind, Now};
pub use truth::{DarkSpan, HeadTruth, PrinterTruth, SupplyTruth, Swap, Truth};
