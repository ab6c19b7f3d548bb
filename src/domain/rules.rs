//! What the domain goes by until somebody says otherwise.

use jiff::SignedDuration;

use super::calendar::Calendar;
use super::climate::Comfort;

/// What the domain goes by when it works things out.
#[derive(Debug, Clone, Default)]
pub struct Rules {
    /// Lead times and order points.
    pub practice: Practice,
    /// Where alerts open and clear.
    pub thresholds: Thresholds,
}

/// Where alerts about levels open and clear, as shares.
///
/// The order point of 70 % is common practice, no source; so is the low level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thresholds {
    /// A receptacle opens an alert at this fill.
    pub waste_open: f64,
    /// and clears it below this fill.
    pub waste_clear: f64,
    /// A container opens an alert at this share left.
    pub low_open: f64,
    /// and clears it above this share left.
    pub low_clear: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self { waste_open: 0.70, waste_clear: 0.65, low_open: 0.10, low_clear: 0.15 }
    }
}

/// What the advice takes for granted until somebody says otherwise: common practice, no source.
#[derive(Debug, Clone, PartialEq)]
pub struct Practice {
    /// Days that a supplier takes.
    pub lead_days: u32,
    /// The chance with which no machine is to stand without a part, between 0 and 1.
    pub service_level: f64,
    /// Days from one order to a supplier to the next.
    pub review_days: u32,
    /// The fill at which a receptacle's successor is ordered.
    pub waste_order_fill: f64,
    /// Tasks further ahead than this are not shown yet.
    pub look_ahead_days: u32,
    /// A device that has been silent for longer than this is called dark: its automatic head care may not
    /// be running.
    pub dark_after: SignedDuration,
    /// A lot whose date passes within so many days is told.
    pub expiry_ahead_days: u32,
    /// Ink that nothing was taken of for so many days may have settled.
    pub unused_after_days: u32,
    /// The air that is wanted around machines that report it.
    pub comfort: Comfort,
    /// The days on which nobody works; none, until somebody says so.
    pub calendar: Calendar,
}

impl Default for Practice {
    fn default() -> Self {
        Self {
            lead_days: 7,
            service_level: 0.95,
            review_days: 7,
            waste_order_fill: 0.70,
            look_ahead_days: 14,
            dark_after: SignedDuration::from_hours(24),
            expiry_ahead_days: 60,
            unused_after_days: 30,
            comfort: Comfort::default(),
            calendar: Calendar::default(),
        }
    }
}
