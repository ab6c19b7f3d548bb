//! A print head in a machine, and what is said of it.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;

use super::calendar::Calendar;
use super::ids::{DeviceId, HeadId};
use super::outlook::{Forecast, Present, Terms, prospect};
use super::part::{Part, PartKind};
use super::plumbing::Position;
use super::reading::{Amount, Capacity, Level, Role};
use super::units::Measure;

/// The ink after which a head's warranty ends, in millilitres, until somebody says otherwise: common practice,
/// no source.
pub const LIMIT_ML: f64 = 1200.0;
/// The finest difference of ink that is forecast with, in millilitres.
const GRAIN_ML: f64 = 0.1;

/// A print head, from the day it went in to the day it came out.
#[derive(Debug, Clone, PartialEq)]
pub struct Head {
    /// Its identity.
    pub id: HeadId,
    /// In which device.
    pub device: DeviceId,
    /// In which place.
    pub position: Position,
    /// The number of its part, where that is known.
    pub part: Option<String>,
    /// The day it went in; that day's ink counts as its own.
    pub in_on: Date,
    /// The day it came out, whose ink is its successor's; none while it is in.
    pub out_on: Option<Date>,
    /// The warranty's date stamped on it.
    pub warranty_until: Option<Date>,
    /// Ink after which its warranty ends, in millilitres.
    pub limit_ml: f64,
    /// Ink that had gone through it before its machine was watched, in millilitres.
    pub before_ml: f64,
    /// Who wrote it down.
    pub who: String,
    /// Why; may be empty.
    pub why: String,
}

/// What is said of a head as of a moment.
#[derive(Debug, Clone, PartialEq)]
pub struct HeadOutlook {
    /// Ink that has gone through it, in millilitres; none where no map says which.
    pub ml: Option<f64>,
    /// Ink through it per day.
    pub daily_ml: Option<f64>,
    /// When that reaches its limit.
    pub by_limit: Forecast,
}

impl HeadOutlook {
    /// Where nothing can be counted, for this reason.
    #[must_use]
    pub fn unknown(reason: &str) -> Self {
        Self { ml: None, daily_ml: None, by_limit: Forecast::NotYet(reason.to_owned()) }
    }

    /// Forecasts when a head through which `ml` have gone reaches its limit, from the ink through it per day.
    /// Colours move together, so it is the sum that is forecast, and not each colour by itself.
    #[must_use]
    pub fn new(
        head: &Head,
        ml: f64,
        daily: &BTreeMap<Date, f64>,
        seen_until: Timestamp,
        present: &Present,
    ) -> Self {
        let level = Level {
            measure: Measure::Millilitres,
            capacity: Capacity::Known(head.limit_ml),
            remaining: Amount::Measured((head.limit_ml - ml).max(0.0)),
            step: GRAIN_ML,
            oddity: None,
        };
        let terms = Terms { order_fill: 1.0, calendar: &Calendar::default(), borrowed: None };
        let prospect = prospect(Role::Consumed, &level, daily, seen_until, present, &terms);
        Self { ml: Some(ml), daily_ml: prospect.daily_use, by_limit: prospect.forecast }
    }
}

/// The limit of heads of a part: what it holds in millilitres is what goes through it under warranty.
#[must_use]
pub fn usual_limit(part: Option<&Part>) -> f64 {
    match part.and_then(|part| part.capacity) {
        Some((limit, Measure::Millilitres)) => limit,
        _ => LIMIT_ML,
    }
}

/// Whether a part is a head that goes into a device of that model.
#[must_use]
pub fn is_head_for(part: &Part, model: Option<&str>) -> bool {
    part.kind == PartKind::Head && part.fits_model(model)
}

#[cfg(test)]
pub(crate) mod tests {
    use jiff::ToSpan;
    use jiff::civil::date;
    use jiff::tz::TimeZone;

    use super::*;

    /// A head with the usual limit.
    pub(crate) fn head(position: i32, warranty_until: Option<Date>) -> Head {
        Head {
            id: HeadId(i64::from(position)),
            device: DeviceId(1),
            position: Position::new(position).unwrap(),
            part: Some("VO-H-1".to_owned()),
            in_on: date(2026, 3, 2),
            out_on: None,
            warranty_until,
            limit_ml: LIMIT_ML,
            before_ml: 0.0,
            who: "print room".to_owned(),
            why: String::new(),
        }
    }

    #[test]
    fn a_steady_flow_reaches_the_limit_when_it_must() {
        let present = Present { now: "2026-11-25T08:00:00Z".parse().unwrap(), zone: TimeZone::UTC };
        let today = present.today();
        let daily = (1..=90).map(|back| (today.checked_sub(i64::from(back).days()).unwrap(), 10.0)).collect();
        let outlook = HeadOutlook::new(&head(1, None), 900.0, &daily, present.now, &present);
        let days = outlook.by_limit.horizon().unwrap();
        let away = today.until(days.middle).unwrap().get_days();
        assert!((27..=34).contains(&away) && days.early <= days.middle, "{days:?}");
        let full = HeadOutlook::new(&head(1, None), 1300.0, &daily, present.now, &present);
        assert_eq!(full.by_limit.horizon().unwrap().early, today);
    }
}
