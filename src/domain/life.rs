//! What a unit is good until: its date of manufacture and how long it lasts, the date stamped on it, and for a
//! print head the ink that has gone through it.
//!
//! One place for the shelf, for what is in the machines, and for heads.

use jiff::Span;
use jiff::civil::Date;

use super::head::{Head, HeadOutlook};
use super::outlook::{Forecast, Horizon};

/// The last day that what was made on a day is good for; none where it does not spoil. A month that is too
/// short for the day ends it on its last one.
///
/// For a cartridge that is the day by which its ink is used, for a head on the shelf the day by which it is put
/// in.
#[must_use]
pub fn good_until(made_on: Date, shelf_life_months: Option<u32>) -> Option<Date> {
    let months = Span::new().try_months(i64::from(shelf_life_months?));
    Some(months.and_then(|months| made_on.checked_add(months)).unwrap_or(Date::MAX))
}

/// Whether the last day that something is good for lies before `today`; what does not spoil is never past.
#[must_use]
pub fn is_past(good_until: Option<Date>, today: Date) -> bool {
    good_until.is_some_and(|until| until < today)
}

/// Whether a day lies ahead, and no further than so many days.
#[must_use]
pub fn is_near(day: Date, today: Date, ahead_days: u32) -> bool {
    let reach = Span::new().try_days(ahead_days).and_then(|days| today.checked_add(days));
    today <= day && day <= reach.unwrap_or(Date::MAX)
}

/// The unit in a slot, where it is known which lot it was issued from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnitInside {
    /// The number of its part.
    pub part: String,
    /// When it was made.
    pub made_on: Date,
    /// Months from then that it is good for; none where it does not spoil.
    pub shelf_life_months: Option<u32>,
}

impl UnitInside {
    /// The last day that it is good for.
    #[must_use]
    pub fn good_until(&self) -> Option<Date> {
        good_until(self.made_on, self.shelf_life_months)
    }
}

/// What ends a head's warranty.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bound {
    /// The date stamped on it.
    Date,
    /// The ink that has gone through it.
    Limit,
}

/// How long a head is warranted: until a date, or until so much ink has gone through it, whichever comes first
/// (common practice, no source).
#[derive(Debug, Clone, PartialEq)]
pub enum Warranty {
    /// It is over.
    Over(Bound),
    /// It ends between these days, and what is likelier to end it.
    Ends {
        /// The spread of days; one day thrice where only a date is known.
        days: Horizon,
        /// What likely ends it.
        bound: Bound,
        /// Why it is not known yet when the limit is reached: it may be earlier than the date.
        not_yet: Option<String>,
    },
    /// No date is known, and the limit cannot be forecast yet, for this reason.
    NotYet(String),
}

impl Warranty {
    /// That of a head in a machine.
    #[must_use]
    pub fn of(head: &Head, outlook: &HeadOutlook, today: Date) -> Self {
        if outlook.ml.is_some_and(|ml| ml >= head.limit_ml) {
            return Self::Over(Bound::Limit);
        }
        match (head.warranty_until, &outlook.by_limit) {
            (Some(until), _) if until < today => Self::Over(Bound::Date),
            (Some(until), Forecast::Known(limit)) => Self::Ends {
                // The quantile of the earlier of two days is the earlier of quantiles where one day is certain.
                days: Horizon {
                    early: limit.early.min(until),
                    middle: limit.middle.min(until),
                    late: limit.late.min(until),
                },
                bound: if limit.middle < until { Bound::Limit } else { Bound::Date },
                not_yet: None,
            },
            (Some(until), Forecast::NotYet(reason)) => Self::Ends {
                days: Horizon { early: until, middle: until, late: until },
                bound: Bound::Date,
                not_yet: Some(reason.clone()),
            },
            (None, Forecast::Known(limit)) => Self::Ends { days: *limit, bound: Bound::Limit, not_yet: None },
            (None, Forecast::NotYet(reason)) => Self::NotYet(reason.clone()),
        }
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;
    use proptest::prelude::*;

    use super::*;
    use crate::domain::head::tests::head;

    const TODAY: Date = date(2026, 11, 25);

    fn outlook(ml: Option<f64>, by_limit: Forecast) -> HeadOutlook {
        HeadOutlook { ml, daily_ml: None, by_limit }
    }

    fn days(early: Date, middle: Date, late: Date) -> Forecast {
        Forecast::Known(Horizon { early, middle, late })
    }

    #[test]
    fn a_warranty_ends_at_its_date_or_its_limit_whichever_comes_first() {
        let limit = days(date(2026, 12, 4), date(2027, 1, 9), date(2027, 3, 1));
        let until = |until| Warranty::of(&head(1, until), &outlook(Some(1100.0), limit.clone()), TODAY);
        let ends = |early, middle, late, bound| Warranty::Ends {
            days: Horizon { early, middle, late },
            bound,
            not_yet: None,
        };
        assert_eq!(
            until(Some(date(2027, 2, 1))),
            ends(date(2026, 12, 4), date(2027, 1, 9), date(2027, 2, 1), Bound::Limit)
        );
        assert_eq!(
            until(Some(date(2026, 12, 1))),
            ends(date(2026, 12, 1), date(2026, 12, 1), date(2026, 12, 1), Bound::Date)
        );
        assert_eq!(until(Some(date(2026, 11, 24))), Warranty::Over(Bound::Date));
        assert_eq!(until(None), ends(date(2026, 12, 4), date(2027, 1, 9), date(2027, 3, 1), Bound::Limit));
        let over =
            Warranty::of(&head(1, Some(date(2027, 2, 1))), &outlook(Some(1200.0), limit.clone()), TODAY);
        assert_eq!(over, Warranty::Over(Bound::Limit));
    }

    #[test]
    fn a_limit_that_is_not_known_yet_leaves_the_date_and_says_so() {
        let not_yet = || Forecast::NotYet("4 of the 10 days of history it needs are in".to_owned());
        let dated = Warranty::of(&head(1, Some(TODAY)), &outlook(None, not_yet()), TODAY);
        assert!(matches!(dated, Warranty::Ends { bound: Bound::Date, not_yet: Some(_), .. }), "{dated:?}");
        let bare = Warranty::of(&head(1, None), &outlook(None, not_yet()), TODAY);
        assert!(matches!(bare, Warranty::NotYet(_)), "{bare:?}");
    }

    proptest! {
        #[test]
        fn what_is_near_is_not_past(made in 0i32..2000, months in 0u32..60, ahead in 0u32..400) {
            let made_on = date(2022, 1, 1).checked_add(Span::new().days(made)).unwrap();
            let until = good_until(made_on, Some(months)).unwrap();
            prop_assert!(until >= made_on);
            prop_assert!(!(is_near(until, TODAY, ahead) && is_past(Some(until), TODAY)));
        }
    }
}
