//! The month's totals, as they go to the person who pays for the ink.

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};

use super::ids::{DeviceId, SlotId};
use super::reading::Role;
use super::units::Measure;

/// A calendar month.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
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

/// What one supply did in a month.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyMonth {
    /// Which slot.
    pub slot: SlotId,
    /// What a person calls it.
    pub label: String,
    /// Used up or filled up.
    pub role: Role,
    /// What the amounts are counted in.
    pub measure: Measure,
    /// Used (or filled) in the month; of it, see the next two.
    pub used: f64,
    /// The part of `used` that fell into gaps and is spread over their days.
    pub spread: f64,
    /// What may have gone around swaps that nobody saw, at most; not in `used`.
    pub unseen: f64,
    /// Units swapped in the month.
    pub swaps: u32,
    /// What was still in the units taken out (for receptacles: the room they still had).
    pub left_in_swapped: f64,
}

/// What one device did in a month.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceMonth {
    /// Which device.
    pub device: DeviceId,
    /// Its name.
    pub name: String,
    /// Whom its ink is charged to.
    pub cost_centre: Option<String>,
    /// The marker's life count gained in the month, with its unit's word, where the device counts.
    pub output: Option<(i64, String)>,
    /// The share of the month, from the device's first answer on, for which it answered.
    pub coverage: f64,
    /// Its supplies, in the device's own order.
    pub supplies: Vec<SupplyMonth>,
}

/// The month's supply report.
#[derive(Debug, Clone, PartialEq)]
pub struct MonthReport {
    /// Which month.
    pub month: Month,
    /// False while the month is still running.
    pub complete: bool,
    /// The devices, by name.
    pub devices: Vec<DeviceMonth>,
}

impl MonthReport {
    /// Totals over all devices of what was used, per label and measure, consumed supplies first. Supplies
    /// counted in percent are left out: hundredths of units of unlike size do not add up.
    #[must_use]
    pub fn totals(&self) -> Vec<SupplyTotal> {
        let mut totals: Vec<SupplyTotal> = Vec::new();
        let supplies = self.devices.iter().flat_map(|device| &device.supplies);
        for supply in supplies.filter(|supply| supply.measure != Measure::Percent) {
            let same = |t: &&mut SupplyTotal| {
                t.label == supply.label && t.measure == supply.measure && t.role == supply.role
            };
            match totals.iter_mut().find(same) {
                Some(total) => {
                    total.used += supply.used;
                    total.swaps += supply.swaps;
                    total.left_in_swapped += supply.left_in_swapped;
                }
                None => totals.push(SupplyTotal {
                    label: supply.label.clone(),
                    role: supply.role,
                    measure: supply.measure,
                    used: supply.used,
                    swaps: supply.swaps,
                    left_in_swapped: supply.left_in_swapped,
                }),
            }
        }
        totals.sort_by(|a, b| {
            (a.role == Role::Filled, &a.label, a.measure.word()).cmp(&(
                b.role == Role::Filled,
                &b.label,
                b.measure.word(),
            ))
        });
        totals
    }
}

/// A sum over devices.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyTotal {
    /// What a person calls the supply.
    pub label: String,
    /// Used up or filled up.
    pub role: Role,
    /// What the amounts are counted in.
    pub measure: Measure,
    /// Used in the month.
    pub used: f64,
    /// Units swapped in the month.
    pub swaps: u32,
    /// What was still in the units taken out.
    pub left_in_swapped: f64,
}

/// The spans within `from..to` that no run of answered polls covers, earliest first. `answered` is sorted;
/// silences no longer than `patience` are the usual wait between polls and not gaps.
#[must_use]
pub fn gaps(
    answered: &[(Timestamp, Timestamp)],
    from: Timestamp,
    to: Timestamp,
    patience: SignedDuration,
) -> Vec<(Timestamp, Timestamp)> {
    let mut gaps = Vec::new();
    let mut covered_to = from;
    let end = std::iter::once((to, to));
    for (begins, ends) in answered.iter().copied().filter(|span| span.1 >= from && span.0 <= to).chain(end) {
        if begins.duration_since(covered_to) > patience {
            gaps.push((covered_to, begins));
        }
        covered_to = covered_to.max(ends.min(to));
    }
    gaps
}

/// The share of `from..to` that lies outside its [`gaps`]; 0 for an empty span.
#[must_use]
pub fn coverage(
    answered: &[(Timestamp, Timestamp)],
    from: Timestamp,
    to: Timestamp,
    patience: SignedDuration,
) -> f64 {
    let whole = to.duration_since(from).as_secs_f64();
    if whole <= 0.0 {
        return 0.0;
    }
    let silent: f64 =
        gaps(answered, from, to, patience).iter().map(|(a, b)| b.duration_since(*a).as_secs_f64()).sum();
    (1.0 - silent / whole).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn months_are_read_strictly_and_step_over_the_year() {
        let month: Month = "2026-12".parse().unwrap();
        assert_eq!(month.after().to_string(), "2027-01");
        assert_eq!(month.before().to_string(), "2026-11");
        assert_eq!(month.last_day().day(), 31);
        assert_eq!(month.name(), "December 2026");
        for wrong in ["2026-13", "2026-1", "26-01", "October", "", "2026-10-01", "+026-10"] {
            assert!(wrong.parse::<Month>().is_err(), "{wrong}");
        }
    }

    #[test]
    fn coverage_is_what_the_gaps_leave() {
        let at = |hours: i64| Timestamp::from_second(hours * 3600).unwrap();
        let patience = SignedDuration::from_mins(30);
        let answered = [(at(1), at(4)), (at(4), at(5)), (at(8), at(9))];
        assert_eq!(
            gaps(&answered, at(0), at(10), patience),
            [(at(0), at(1)), (at(5), at(8)), (at(9), at(10))]
        );
        assert!((coverage(&answered, at(0), at(10), patience) - 0.5).abs() < 1e-12);
        assert_eq!(gaps(&answered, at(2), at(5), patience), []);
        assert_eq!(coverage(&[], at(3), at(3), patience), 0.0);
        assert_eq!(coverage(&[], at(3), at(5), patience), 0.0);
    }
}
