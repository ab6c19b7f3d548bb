//! Dated things for a person to do, each with its reason.

use jiff::civil::Date;

use super::ids::{DeviceId, SlotId};

/// What kind of thing is to be done; of one day, in this order: what keeps a machine running comes before what can
/// wait until the afternoon.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum TaskKind {
    /// Take the old unit out and put a new one in.
    Swap,
    /// Order from the supplier.
    Order,
    /// Go and look.
    Check,
    /// Say what only a person who was there can know.
    Answer,
}

impl TaskKind {
    /// The word for it on a page.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Swap => "Swap",
            Self::Check => "Check",
            Self::Answer => "Answer",
            Self::Order => "Order",
        }
    }
}

/// A dated thing for a person to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Task {
    /// The day by which it should be done; in the past, it is late.
    pub due: Date,
    /// What kind of thing.
    pub kind: TaskKind,
    /// What to do, as a headline: "Order 1 waste receptacle for Bobbin".
    pub what: String,
    /// Why, in one sentence without its full stop.
    pub why: String,
    /// At which device, if it is about one.
    pub device: Option<DeviceId>,
    /// For which supply, if it is about one.
    pub slot: Option<SlotId>,
    /// The number of the part, if it is about what lies on the shelf.
    pub part: Option<String>,
}
