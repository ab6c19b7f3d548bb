//! What the pages show, as plain data: names beside ids, and the domain's own words for the rest.

use std::collections::BTreeSet;

use jiff::Timestamp;
use jiff::civil::Date;

use super::heads::view::HeadLine;
use super::questions::UnitsView;
use super::sift::Leaf;
use crate::domain::account::MonthUse;
use crate::domain::alert::Alert;
use crate::domain::alert::recipient::Recipient;
use crate::domain::care::Availability;
use crate::domain::climate::{Comfort, Report};
use crate::domain::cover::{ComingUnit, CoveringUnit};
use crate::domain::ids::{DeviceId, LotId, OrderId, SlotId};
use crate::domain::life::UnitInside;
use crate::domain::month::{Costs, DeviceMonth, Figures, Month, MonthReport};
use crate::domain::order::Order;
use crate::domain::outlook::{Outlook, Slot};
use crate::domain::part::{Currency, Part};
use crate::domain::reading::Capacity;
use crate::domain::reorder::room::PartAdvice;
use crate::domain::shelf::{Lot, Movement, Standing};
use crate::domain::snapshot::{DeviceAlert, Marker, MediaInput};
use crate::domain::standard::{DetectedErrors, DeviceStatus, PrinterStatus};
use crate::domain::task::Task;
use crate::domain::units::Measure;
use crate::store::orders::OrderStep;
pub use crate::store::outbox::MessageRow as MessageLine;
pub use crate::store::since::Since;

/// A device as it is known: who it is, where, and how it does.
#[derive(Debug, Clone)]
pub struct Device {
    /// Its identity here.
    pub id: DeviceId,
    /// What the print room calls it.
    pub name: String,
    /// The address it is polled at, `host:port`.
    pub address: String,
    /// The SNMP version it is polled with: `v1`, `v2c` or `v3`.
    pub snmp: String,
    /// Where it stands, as it says itself.
    pub location: Option<String>,
    /// Whom its ink is charged to.
    pub cost_centre: Option<String>,
    /// What kind of machine it says it is.
    pub model: Option<String>,
    /// Its serial number, where it gives one.
    pub serial: Option<String>,
    /// When it last answered.
    pub last_answer_at: Option<Timestamp>,
    /// Since when it has been silent, if the last poll failed; with the reason of the last failure.
    pub silent: Option<Silence>,
    /// `hrDeviceStatus` at the last answer.
    pub device_status: Option<DeviceStatus>,
    /// `hrPrinterStatus` at the last answer.
    pub printer_status: Option<PrinterStatus>,
    /// `hrPrinterDetectedErrorState` at the last answer.
    pub errors: DetectedErrors,
    /// When its agent started, as of the last answer.
    pub up_since: Option<Timestamp>,
}

/// A device that does not answer.
#[derive(Debug, Clone)]
pub struct Silence {
    /// When it last answered, or was added.
    pub since: Timestamp,
    /// Whether that is long enough that its head care is in doubt.
    pub dark: bool,
    /// What the last poll met, in a sentence without its full stop.
    pub fault: String,
}

/// One supply's outlook with its device's name, and the day by which the next unit is to be ordered.
#[derive(Debug, Clone)]
pub struct OutlookLine {
    /// The device's name.
    pub device_name: String,
    /// What is said of the supply.
    pub outlook: Outlook,
    /// The day by which to order, where a forecast or an order point gives one; may lie in the past.
    pub order_by: Option<Date>,
    /// Days that the supplier takes, as assumed for `order_by`.
    pub lead_days: u32,
    /// The unit on the shelf that is for it.
    pub shelf: Option<CoveringUnit>,
    /// The unit on order that is for it, where none is on the shelf.
    pub on_order: Option<ComingUnit>,
}

/// How many machines answer, and those that do not.
#[derive(Debug, Clone, Default)]
pub struct Answering {
    /// How many are watched.
    pub machines: usize,
    /// How many of them answered their last poll, or have not been asked yet.
    pub answering: usize,
    /// Those whose head care is in doubt, longest silent first: a few that are named.
    pub dark: Vec<Device>,
    /// How many those are in all.
    pub dark_in_all: usize,
    /// One that missed its last poll and is not dark yet.
    pub missed: Option<Device>,
    /// How many those are in all.
    pub missed_in_all: usize,
}

impl Answering {
    /// So many dark machines are named.
    const NAMED: usize = 4;

    /// Of all devices.
    #[must_use]
    pub fn of<'a>(devices: impl Iterator<Item = &'a Device>) -> Self {
        let is_dark = |device: &&Device| device.silent.as_ref().is_some_and(|silence| silence.dark);
        let (silent, answering): (Vec<&Device>, Vec<&Device>) =
            devices.partition(|device| device.silent.is_some());
        let machines = silent.len() + answering.len();
        let (mut dark, missed): (Vec<&Device>, Vec<&Device>) = silent.into_iter().partition(is_dark);
        dark.sort_by_key(|device| device.silent.as_ref().map(|silence| silence.since));
        Self {
            machines,
            answering: answering.len(),
            dark_in_all: dark.len(),
            dark: dark.into_iter().take(Self::NAMED).cloned().collect(),
            missed_in_all: missed.len(),
            missed: missed.first().map(|device| (*device).clone()),
        }
    }
}

/// The page Today.
#[derive(Debug, Clone)]
pub struct TodayView {
    /// The day in the site's zone.
    pub today: Date,
    /// How many machines answer.
    pub answering: Answering,
    /// What is to be done, earliest first: the first page of it.
    pub tasks: Vec<Task>,
    /// How many things are to be done in all.
    pub tasks_in_all: usize,
    /// How many of them are due today or late.
    pub due_today: usize,
    /// The supplies that end first, earliest first; at most as many as were asked for.
    pub earliest: Vec<OutlookLine>,
    /// How many supplies are watched in all.
    pub supplies: usize,
    /// How many alerts of ours are open.
    pub open_alerts: usize,
    /// What to order of each part that one of `tasks` is about.
    pub orders: Vec<AdviceLine>,
}

/// A line of the page Machines.
#[derive(Debug, Clone)]
pub struct MachineLine {
    /// The device.
    pub device: Device,
    /// Its supply that ends first.
    pub first_to_end: Option<OutlookLine>,
    /// How many alerts of ours are open at it.
    pub open_alerts: usize,
}

/// The course of one supply's level.
#[derive(Debug, Clone)]
pub struct Trend {
    /// Which supply.
    pub slot: Slot,
    /// What the amounts are counted in.
    pub measure: Measure,
    /// What it can hold, at the end of the span.
    pub capacity: Capacity,
    /// When, and what was left (or the room left); a point where it changed, and one at each end.
    pub points: Vec<(Timestamp, f64)>,
    /// When a new unit went in.
    pub swaps: Vec<Timestamp>,
    /// For a receptacle: which way its device is taken to count, and why, as a sentence.
    pub counts: Option<String>,
}

/// An alert of ours with the names it needs to be read.
#[derive(Debug, Clone)]
pub struct AlertLine {
    /// The alert.
    pub alert: Alert,
    /// The device's name, if it is about one.
    pub device_name: Option<String>,
    /// What a person calls the supply.
    pub slot_label: Option<String>,
    /// The part's number, if it is about one.
    pub part_number: Option<String>,
}

/// A row of the device's own alert table, and since when it stands there.
#[derive(Debug, Clone)]
pub struct StandingAlert {
    /// The row.
    pub alert: DeviceAlert,
    /// When it was first seen.
    pub since: Timestamp,
}

/// The page of one machine.
#[derive(Debug, Clone)]
pub struct MachineView {
    /// The day in the site's zone.
    pub today: Date,
    /// The device.
    pub device: Device,
    /// Its supplies, in the device's own order.
    pub lines: Vec<OutlookLine>,
    /// The span that `trends` cover.
    pub from: Timestamp,
    /// The end of that span.
    pub to: Timestamp,
    /// The course of each supply, in the same order as `lines`.
    pub trends: Vec<Trend>,
    /// What each supply used by month, the latest month first; in the same order.
    pub used: Vec<(SlotId, Vec<MonthUse>)>,
    /// The spans within `from..to` in which the device did not answer, for longer than one missed poll.
    pub gaps: Vec<(Timestamp, Timestamp)>,
    /// How the span was spent, as far as the machine tells.
    pub availability: Availability,
    /// What its sensors last reported of the air, where it has any.
    pub climate: Option<Report>,
    /// The air that is wanted.
    pub comfort: Comfort,
    /// The heads that are in it, place by place.
    pub heads: Vec<HeadLine>,
    /// The units that are in it, where it is known which lots they were issued from; in the order of `lines`.
    pub units: Vec<(String, UnitInside)>,
    /// Media loaded, at the last answer.
    pub media: Vec<MediaInput>,
    /// Life counts, at the last answer.
    pub markers: Vec<Marker>,
    /// What the device itself complains of, at the last answer.
    pub standing: Vec<StandingAlert>,
    /// Alerts of ours at this device, open ones first, newest first.
    pub alerts: Vec<AlertLine>,
    /// The units that its slots went through, and what is asked about them.
    pub went_in: UnitsView,
}

/// The page of alerts.
#[derive(Debug, Clone)]
pub struct AlertsView {
    /// Open ones, the gravest first, each with those that follow from it: one page of what was found.
    pub open: Leaf<AlertGroup>,
    /// How many are open in all, with those that follow from others.
    pub open_in_all: usize,
    /// Cleared ones, newest first: one page of them.
    pub cleared: Vec<AlertLine>,
    /// Whether more have cleared before those.
    pub cleared_go_on: bool,
    /// Whether anybody is told.
    pub anybody_told: bool,
}

/// The page of those who are told of alerts.
#[derive(Debug, Clone)]
pub struct ToldView {
    /// Everybody who is told, by name.
    pub recipients: Vec<Recipient>,
    /// The devices that are watched, by name.
    pub devices: Vec<(DeviceId, String)>,
    /// Messages: those given up first, then those on their way, then those that were handed over.
    pub messages: Vec<MessageLine>,
    /// Whether a mail server is set.
    pub mail_is_set: bool,
    /// Whether a secret is set that calls are signed with.
    pub calls_are_signed: bool,
}

/// An open alert with those that follow from it.
#[derive(Debug, Clone)]
pub struct AlertGroup {
    /// The alert.
    pub head: AlertLine,
    /// What follows from it.
    pub folded: Vec<AlertLine>,
}

impl AlertGroup {
    /// The alert, and what follows from it.
    pub fn lines(&self) -> impl Iterator<Item = &AlertLine> {
        std::iter::once(&self.head).chain(&self.folded)
    }
}

/// The page of a month.
#[derive(Debug, Clone)]
pub struct MonthView {
    /// The report without its machines, and with the first few of its adjustments.
    pub report: MonthReport,
    /// What all machines come to.
    pub figures: Figures,
    /// The machines, by name: one page of those that were asked for.
    pub machines: Leaf<DeviceMonth>,
    /// How many adjustments there are.
    pub adjustments_in_all: usize,
    /// Who closed the month, and when.
    pub closing: Option<Closing>,
    /// Months that have anything to report, newest first.
    pub months: Vec<Month>,
}

/// A report as it is handed in: as it was frozen where the month is closed, else as of now. Every format is
/// made from this.
#[derive(Debug, Clone)]
pub struct Statement {
    /// The report.
    pub report: MonthReport,
    /// The same as JSON, byte for byte.
    pub document: String,
    /// Who closed the month, and when.
    pub closing: Option<Closing>,
}

/// That a month was closed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Closing {
    /// When.
    pub at: Timestamp,
    /// By whom.
    pub who: String,
    /// The SHA-256 of the report as JSON, as 64 hexadecimal digits.
    pub sha256: String,
}

/// The sums of one month.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MonthPoint {
    /// Millilitres of ink used.
    pub ink_ml: f64,
    /// Units swapped.
    pub swaps: u32,
    /// What was used is worth.
    pub cost: Costs,
}

/// A machine or a cost centre over the months.
#[derive(Debug, Clone)]
pub struct TrendRow {
    /// Its name; none for the machines that are charged to nobody.
    pub name: Option<String>,
    /// Which machine, where it is one.
    pub device: Option<DeviceId>,
    /// One a month.
    pub points: Vec<MonthPoint>,
}

/// The months side by side.
#[derive(Debug, Clone)]
pub struct TrendView {
    /// The months that are shown, oldest first.
    pub months: Vec<Month>,
    /// Whether machines were watched from the first day of each on.
    pub whole: Vec<bool>,
    /// Those that were closed.
    pub closed: BTreeSet<Month>,
    /// The month that is running.
    pub running: Month,
    /// Every month that has anything to report, newest first.
    pub known: Vec<Month>,
    /// All machines together, one a month.
    pub all: Vec<MonthPoint>,
    /// Each machine, by name.
    pub machines: Vec<TrendRow>,
    /// Each cost centre, by name.
    pub cost_centres: Vec<TrendRow>,
    /// The currencies in which there is a price.
    pub currencies: Vec<Currency>,
}

/// The shelf.
#[derive(Debug, Clone)]
pub struct ShelfView {
    /// The day in the site's zone.
    pub today: Date,
    /// The catalogue by number, each part with its lots.
    pub parts: Vec<PartLine>,
}

/// A part on the shelf.
#[derive(Debug, Clone)]
pub struct PartLine {
    /// The catalogue entry.
    pub part: Part,
    /// Units on the shelf, past their date or not.
    pub units: u32,
    /// Its lots, oldest first.
    pub lots: Vec<LotLine>,
    /// The machines that take it.
    pub machines: TakenBy,
}

/// The machines that take a part: of many only the first few are named.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct TakenBy {
    /// The first by name, at most [`TakenBy::NAMED`].
    pub named: Vec<String>,
    /// How many there are.
    pub in_all: usize,
}

impl TakenBy {
    /// So many are named.
    pub const NAMED: usize = 12;

    /// Of machines by name.
    #[must_use]
    pub fn of(machines: &[&str]) -> Self {
        let named = machines.iter().take(Self::NAMED).map(|name| (*name).to_owned()).collect();
        Self { named, in_all: machines.len() }
    }
}

/// "fits Bobbin, Loft", "fits Bobbin, Loft and 9,988 more", "fits no watched machine".
impl std::fmt::Display for TakenBy {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match (self.named.join(", "), self.in_all - self.named.len()) {
            (none, _) if none.is_empty() => write!(f, "fits no watched machine"),
            (all, 0) => write!(f, "fits {all}"),
            (first, more) => write!(f, "fits {first} and {more} more"),
        }
    }
}

/// A lot, and how it stands with it.
#[derive(Debug, Clone)]
pub struct LotLine {
    /// The lot.
    pub lot: Lot,
    /// The last day it is good for; none where it does not spoil.
    pub good_until: Option<Date>,
    /// Whether it will be used in time.
    pub standing: Standing,
    /// The machine in which it is best used first.
    pub use_first_in: Option<String>,
}

/// The page of one part.
#[derive(Debug, Clone)]
pub struct PartView {
    /// The day in the site's zone.
    pub today: Date,
    /// The part with its lots.
    pub line: PartLine,
    /// The lot to take from today.
    pub proposed: Option<LotId>,
    /// Lots of which units are out, with machines.
    pub out: Vec<Lot>,
    /// The slots it fits, the one that ends first in front; of many the first few of those that were asked for.
    pub slots: Leaf<SlotChoice>,
    /// Its latest movements, newest first.
    pub movements: Vec<MovementLine>,
}

/// A slot that a part fits.
#[derive(Debug, Clone)]
pub struct SlotChoice {
    /// The slot.
    pub slot: Slot,
    /// Its device's name.
    pub device_name: String,
    /// The earliest day on which it is likely to end; the end of time where no date can be given.
    pub ends: Date,
}

/// A line of the shelf's ledger with the names it needs to be read.
#[derive(Debug, Clone)]
pub struct MovementLine {
    /// The movement.
    pub movement: Movement,
    /// When its lot was made.
    pub made_on: Date,
    /// Where its lot lies.
    pub place: String,
    /// The device's name.
    pub device_name: Option<String>,
}

/// What to order of a part, with its words.
#[derive(Debug, Clone)]
pub struct AdviceLine {
    /// The advice.
    pub advice: PartAdvice,
    /// Why, in a sentence without its full stop.
    pub why: String,
    /// What happens if nothing is ordered, in a sentence without its full stop.
    pub otherwise: Option<String>,
    /// The draft that has the part already, and how many units of it.
    pub drafted: Option<(OrderId, u32)>,
    /// Whether units of it came, went or were ordered since this was worked out, so that it may be wrong.
    pub moved: bool,
}

/// The page of orders.
#[derive(Debug, Clone)]
pub struct OrdersView {
    /// The day in the site's zone.
    pub today: Date,
    /// What to order, earliest first.
    pub advice: Vec<AdviceLine>,
    /// What to order for slots without a part in the catalogue.
    pub others: Vec<Task>,
    /// Orders, the newest first.
    pub orders: Vec<Order>,
    /// The catalogue.
    pub parts: Vec<Part>,
}

/// The page of one order.
#[derive(Debug, Clone)]
pub struct OrderView {
    /// The day in the site's zone.
    pub today: Date,
    /// The order.
    pub order: Order,
    /// What was done with it, in turn.
    pub steps: Vec<OrderStep>,
    /// Where what comes of each line is likely put; empty where nothing says so.
    pub places: Vec<String>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_many_machines_the_first_are_named() {
        let names: Vec<String> = (1..=14).map(|n| format!("Loom {n}")).collect();
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        let words = |n: usize| TakenBy::of(&names[..n]).to_string();
        assert_eq!(
            (words(0).as_str(), words(2).as_str()),
            ("fits no watched machine", "fits Loom 1, Loom 2")
        );
        assert!(words(12).ends_with(", Loom 12") && words(14).ends_with(", Loom 12 and 2 more"));
    }
}
