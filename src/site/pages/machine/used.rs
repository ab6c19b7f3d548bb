//! What each supply of a machine used, by day and by month.

use std::collections::BTreeSet;

use crate::domain::account::MonthUse;
use crate::domain::month::Month;
use crate::site::format;
use crate::site::ink::Ink;
use crate::site::pages::supply::supply_href;
use crate::usecase::view::MachineView;

/// The use of a machine's supplies as a table; months from the latest on.
pub(super) struct Used {
    pub(super) months: Vec<String>,
    pub(super) rows: Vec<Row>,
}

/// What one supply used.
pub(super) struct Row {
    pub(super) label: String,
    pub(super) href: String,
    pub(super) ink: Ink,
    /// Use on a working day of the latest month.
    pub(super) per_day: String,
    pub(super) cells: Vec<String>,
}

impl Used {
    pub(super) fn of(view: &MachineView) -> Self {
        let known = view.used.iter().flat_map(|(_, months)| months.iter().map(|of| of.month));
        let months: BTreeSet<Month> = known.collect();
        let row = |(slot, used): &(_, Vec<MonthUse>)| {
            let trend = view.trends.iter().find(|trend| trend.slot.id == *slot)?;
            let of = |month: &Month| used.iter().find(|of| of.month == *month);
            let per_day = used.first().and_then(MonthUse::per_working_day);
            let cell = |month: &Month| {
                of(month).map_or_else(String::new, |of| format::amount(of.used.used, trend.measure))
            };
            Some(Row {
                label: trend.slot.label(),
                href: supply_href(&trend.slot),
                ink: Ink::of(&trend.slot),
                per_day: per_day.map_or_else(String::new, |rate| format::rate(rate, trend.measure)),
                cells: months.iter().rev().map(cell).collect(),
            })
        };
        Self {
            rows: view.used.iter().filter_map(row).collect(),
            months: months.iter().rev().map(|month| month.name()).collect(),
        }
    }
}
