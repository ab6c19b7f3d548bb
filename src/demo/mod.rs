//! A running print room of simulated machines: their history by the same way in as live polls, then live
//! over SNMP, with a clock that may run faster than life.

mod heads;
mod history;
mod orders;
mod room;
mod shelf;
mod swaps;

pub use heads::fit_heads;
pub use history::{bring_in, catch_up, kept_until, poll_days};
pub use orders::place_orders;
pub use room::{DemoRoom, Opening};
pub use shelf::fill_shelf;
pub use swaps::write_swaps;
