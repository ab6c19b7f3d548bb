//! The month: its edges, and the supply report that goes to the person who pays for the ink.

mod build;
mod money;
mod presence;
mod report;
mod stock;
#[cfg(test)]
mod tests;
mod totals;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

pub use build::{AlertSpan, DeviceRecord, LotFlow, Records, SlotSums, TakenRecord, build};
pub use money::{Costs, share_of_price};
pub use presence::{PollRun, Presence, coverage, gaps};
pub use report::{
    Adjustment, AlertMonth, Beside, Compared, DeviceMonth, Forecasts, Gap, MonthReport, Output, PartMonth,
    PartNeed, Silence, SupplyMonth, thousandths,
};
pub use stock::StockFlow;
pub use totals::{Figures, GroupTotal, SupplyTotal};

/// A calendar month.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub struct Month(Date);

impl Month {
    /// The month that a day lies in.
    #[must_use]
    pub fn of(day: Date) -> Self {
        Self(day.first_of_month())
    }

    /// Its first day.
    #[must_use]
    pub fn first_day(self) -> Date {
        self.0
    }

    /// Its last day.
    #[must_use]
    pub fn last_day(self) -> Date {
        self.0.last_of_month()
    }

    /// The month before; the same month at the beginning of the calendar.
    #[must_use]
    pub fn before(self) -> Self {
        Self(self.0.yesterday().map_or(self.0, Date::first_of_month))
    }

    /// The month after; the same month at the end of the calendar.
    #[must_use]
    pub fn after(self) -> Self {
        Self(self.0.last_of_month().tomorrow().unwrap_or(self.0))
    }

    /// The same month a year before; itself at the beginning of the calendar.
    #[must_use]
    pub fn year_before(self) -> Self {
        Self(Date::new(self.0.year() - 1, self.0.month(), 1).unwrap_or(self.0))
    }

    /// Its first moment in a zone, and the first moment after it. A midnight that a clock change skips is the
    /// first moment after it.
    #[must_use]
    pub fn edges(self, zone: &TimeZone) -> (Timestamp, Timestamp) {
        let midnight = |day: Date| zone.to_timestamp(day.at(0, 0, 0, 0));
        let begins = midnight(self.first_day()).unwrap_or(Timestamp::MIN);
        (begins, midnight(self.after().first_day()).unwrap_or(Timestamp::MAX))
    }

    /// The month whose report is to be handed in on a day, where that is done from a day of each month on: the month
    /// before, or none yet.
    #[must_use]
    pub fn to_hand_in(today: Date, from_day: i8) -> Option<Self> {
        (today.day() >= from_day).then(|| Self::of(today).before())
    }

    /// What its report is called.
    #[must_use]
    pub fn report_title(self) -> String {
        format!("Supply report, {}", self.name())
    }

    /// The month and year in words: `October 2026`.
    #[must_use]
    pub fn name(self) -> String {
        self.0.strftime("%B %Y").to_string()
    }
}

/// As `2026-10`.
impl std::fmt::Display for Month {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:04}-{:02}", self.0.year(), self.0.month())
    }
}

/// Why a text is not a month.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{0}' is not a month: write it as 2026-10")]
pub struct NotAMonth(String);

impl std::str::FromStr for Month {
    type Err = NotAMonth;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let wrong = || NotAMonth(text.chars().take(40).collect());
        let (year, month) = text.split_once('-').ok_or_else(wrong)?;
        if year.len() != 4 || month.len() != 2 || !text.bytes().all(|b| b.is_ascii_digit() || b == b'-') {
            return Err(wrong());
        }
        let (year, month) = (year.parse().map_err(|_| wrong())?, month.parse().map_err(|_| wrong())?);
        Date::new(year, month, 1).map(Self).map_err(|_| wrong())
    }
}

impl From<Month> for String {
    fn from(month: Month) -> Self {
        month.to_string()
    }
}

impl TryFrom<String> for Month {
    type Error = NotAMonth;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        text.parse()
    }
}
