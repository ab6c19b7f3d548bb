//! What the page of one supply shows, as plain data.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::domain::account::{Account, MonthUse};
use crate::domain::cover::ComingUnit;
use crate::domain::ledger::Days;
use crate::domain::life::UnitInside;
use crate::domain::outlook::fan::Fan;
use crate::domain::outlook::{Grounds, Outlook};
use crate::domain::part::Part;
use crate::domain::shelf::Lot;
use crate::domain::standard::SupplyUnit;
use crate::usecase::questions::SlotUnits;
use crate::usecase::view::{AlertLine, Device, Trend};

/// The page of one supply.
#[derive(Debug, Clone)]
pub struct SupplyView {
    /// The day in the site's zone.
    pub today: Date,
    /// Its machine.
    pub device: Device,
    /// What is known of the slot, and the units that were in it.
    pub slot: SlotUnits,
    /// The span that `trend` covers.
    pub from: Timestamp,
    /// The end of that span.
    pub to: Timestamp,
    /// The course of its level.
    pub trend: Trend,
    /// The spans within `from..to` in which the device did not answer.
    pub gaps: Vec<(Timestamp, Timestamp)>,
    /// What is said of it; `None` before its first reading.
    pub said: Option<Said>,
    /// The unit that is in it, where it is known which lot it came from.
    pub inside: Option<UnitInside>,
    /// The parts that fit, with what there is of each.
    pub parts: Vec<PartHeld>,
    /// What was used on each of the last days.
    pub days: Days,
    /// What was used by month, the latest first.
    pub months: Vec<MonthUse>,
    /// One page of its readings, newest first, each with what came of it.
    pub readings: Vec<ReadingLine>,
    /// The day from which on every reading is kept, where older ones are one a day.
    pub detail_from: Option<Date>,
    /// Where the page of older readings begins, if there are any.
    pub older: Option<Timestamp>,
    /// Open alerts about it.
    pub alerts: Vec<AlertLine>,
}

/// What is said of a supply, and why.
#[derive(Debug, Clone)]
pub struct Said {
    /// What is said of it.
    pub outlook: Outlook,
    /// The day by which to order.
    pub order_by: Option<Date>,
    /// The likely course of its level; `None` where there is no date.
    pub fan: Option<Fan>,
    /// What the forecast rests on.
    pub grounds: Grounds,
    /// For a receptacle: the day on which it reaches its order point at even odds.
    pub order_point: Option<Date>,
    /// The fill at which a receptacle's successor is ordered, a share.
    pub order_fill: f64,
}

/// A reading as it came, and what came of it.
#[derive(Debug, Clone)]
pub struct ReadingLine {
    /// When the supply came to say this.
    pub at: Timestamp,
    /// What the device counts in.
    pub unit: SupplyUnit,
    /// `prtMarkerSuppliesMaxCapacity` as it came.
    pub max_capacity: i32,
    /// `prtMarkerSuppliesLevel` as it came.
    pub level: i32,
    /// What came of it.
    pub account: Account,
}

/// What there is of a part.
#[derive(Debug, Clone)]
pub struct PartHeld {
    /// The part.
    pub part: Part,
    /// Its lots on the shelf, oldest first, each with the last day that it is good for.
    pub lots: Vec<(Lot, Option<Date>)>,
    /// What is on order of it: how many, and where.
    pub coming: Vec<(u32, ComingUnit)>,
}
