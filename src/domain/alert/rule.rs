//! The rules, what each of them measures, and the values that they have until somebody says otherwise.

use jiff::SignedDuration;
use serde::{Deserialize, Serialize};

use super::Grade;
use super::ruleset::Setting;

/// A rule of ours.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Rule {
    /// A receptacle has reached the fill at which the next one is ordered.
    WasteOrderPoint,
    /// A container is nearly used up.
    LowSupply,
    /// The day by which the next container is to be ordered is near, and the shelf holds none for it.
    OrderBy,
    /// A supply is likely to run out or fill up within some working days.
    RunOut,
    /// The device itself says that a supply is empty or full.
    ReplaceNow,
    /// A swap that was due has not been made.
    SwapDue,
    /// A print head's warranty is about to end.
    HeadWarranty,
    /// Something on the shelf passes its date soon, or has passed it.
    StockDate,
    /// A device has not answered for so long that its head care is in doubt.
    Dark,
    /// A device reports an error that a person has to see to.
    DeviceError,
    /// A device has not answered for some time.
    PollFailing,
    /// A supply has not been read for long, though its device answers.
    Stale,
    /// Use of late is far from what the forecast goes by.
    ForecastOff,
}

/// What a rule's figure is counted in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Gauge {
    /// Hundredths of a receptacle that are full.
    PercentFull,
    /// Hundredths of a container that are left.
    PercentLeft,
    /// Working days from today to a day that lies ahead.
    WorkingDaysAhead,
    /// Days from today to a day that lies ahead.
    DaysAhead,
    /// Days since a day that has passed.
    DaysPast,
    /// Hours.
    Hours,
    /// How many times as much.
    Times,
    /// It is so (1) or it is not (0): nothing to set.
    Said,
}

impl Gauge {
    /// Whether an alert opens when the figure rises; else when it falls.
    #[must_use]
    pub fn rises(self) -> bool {
        !matches!(self, Self::PercentLeft | Self::WorkingDaysAhead | Self::DaysAhead)
    }

    /// The least and the most that can be set.
    #[must_use]
    pub fn bounds(self) -> (f64, f64) {
        match self {
            Self::PercentFull | Self::PercentLeft => (0.0, 100.0),
            Self::WorkingDaysAhead | Self::DaysAhead | Self::DaysPast => (0.0, 366.0),
            Self::Hours => (0.0, 24.0 * 60.0),
            Self::Times => (1.0, 100.0),
            Self::Said => (1.0, 1.0),
        }
    }
}

impl Rule {
    /// Every rule; what others follow from stands before them.
    pub const ALL: [Self; 13] = [
        Self::Dark,
        Self::PollFailing,
        Self::DeviceError,
        Self::ReplaceNow,
        Self::SwapDue,
        Self::RunOut,
        Self::WasteOrderPoint,
        Self::OrderBy,
        Self::LowSupply,
        Self::HeadWarranty,
        Self::StockDate,
        Self::Stale,
        Self::ForecastOff,
    ];

    /// The word by which it is stored and exchanged.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::WasteOrderPoint => "waste_order_point",
            Self::LowSupply => "low_supply",
            Self::OrderBy => "order_by",
            Self::RunOut => "run_out",
            Self::ReplaceNow => "replace_now",
            Self::SwapDue => "swap_due",
            Self::HeadWarranty => "head_warranty",
            Self::StockDate => "stock_date",
            Self::Dark => "dark",
            Self::DeviceError => "device_error",
            Self::PollFailing => "poll_failing",
            Self::Stale => "stale",
            Self::ForecastOff => "forecast_off",
        }
    }

    /// From its stored word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|rule| rule.word() == word)
    }

    /// What its figure is counted in.
    #[must_use]
    pub fn gauge(self) -> Gauge {
        match self {
            Self::WasteOrderPoint => Gauge::PercentFull,
            Self::LowSupply => Gauge::PercentLeft,
            Self::RunOut => Gauge::WorkingDaysAhead,
            Self::OrderBy | Self::HeadWarranty | Self::StockDate => Gauge::DaysAhead,
            Self::SwapDue => Gauge::DaysPast,
            Self::Dark | Self::PollFailing | Self::Stale => Gauge::Hours,
            Self::ForecastOff => Gauge::Times,
            Self::ReplaceNow | Self::DeviceError => Gauge::Said,
        }
    }

    /// What it goes by until somebody says otherwise: common practice, no source.
    #[must_use]
    pub fn usual(self) -> Setting {
        let (open_at, clear_at, grade) = match self {
            Self::WasteOrderPoint => (70.0, 65.0, Grade::Warning),
            Self::LowSupply => (10.0, 15.0, Grade::Warning),
            Self::OrderBy => (1.0, 4.0, Grade::Warning),
            Self::RunOut => (3.0, 5.0, Grade::Warning),
            Self::ReplaceNow => (1.0, 1.0, Grade::Critical),
            Self::SwapDue => (1.0, 1.0, Grade::Warning),
            Self::HeadWarranty => (30.0, 45.0, Grade::Other),
            Self::StockDate => (30.0, 45.0, Grade::Other),
            Self::Dark => (24.0, 24.0, Grade::Critical),
            Self::DeviceError => (1.0, 1.0, Grade::Warning),
            Self::PollFailing => (2.0, 2.0, Grade::Warning),
            Self::Stale => (24.0, 24.0, Grade::Warning),
            Self::ForecastOff => (3.0, 2.0, Grade::Other),
        };
        // A door that is open while somebody stands at the machine is no news.
        let lasting = match self {
            Self::DeviceError => SignedDuration::from_mins(15),
            _ => SignedDuration::ZERO,
        };
        Setting { on: true, grade, open_at, clear_at, lasting }
    }

    /// The rules that this one follows from: while one of them is open for the same supply, or for its device,
    /// this one tells nothing new.
    #[must_use]
    pub fn follows_from(self) -> &'static [Self] {
        match self {
            Self::PollFailing => &[Self::Dark],
            Self::Stale | Self::DeviceError | Self::ForecastOff => &[Self::Dark, Self::PollFailing],
            Self::RunOut | Self::SwapDue => &[Self::ReplaceNow],
            Self::LowSupply => &[Self::ReplaceNow, Self::RunOut],
            _ => &[],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_rule_is_known_by_its_word_and_clears_on_the_other_side_of_where_it_opens() {
        for rule in Rule::ALL {
            assert_eq!(Rule::from_word(rule.word()), Some(rule));
            let setting = rule.usual();
            assert_eq!(setting.fault(rule), None, "{rule:?}");
            assert!(setting.on);
        }
    }

    #[test]
    fn what_others_follow_from_is_judged_before_them() {
        for (place, rule) in Rule::ALL.iter().enumerate() {
            for cause in rule.follows_from() {
                assert!(Rule::ALL[..place].contains(cause), "{rule:?} before {cause:?}");
            }
        }
    }
}
