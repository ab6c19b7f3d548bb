//! The page of a supply for tests.

use jiff::civil::date;
use jiff::{SignedDuration, Timestamp};

use super::fixtures::{self, Fixture, TODAY, at, device, lines, now};
use super::source::SourceError;
use super::supply_source::SupplySource;
use crate::domain::account::{Account, MonthUse, Verdict};
use crate::domain::cover::ComingUnit;
use crate::domain::ids::{DeviceId, LotId, OrderId, PartId, SlotId, SupplyIndex};
use crate::domain::install::Arrival;
use crate::domain::ledger::DayUse;
use crate::domain::life::UnitInside;
use crate::domain::outlook::fan::Fan;
use crate::domain::outlook::{Forecast, Grounds};
use crate::domain::part::Part;
use crate::domain::reading::{Amount, Oddity};
use crate::domain::shelf::Lot;
use crate::domain::standard::SupplyUnit;
use crate::domain::units::Measure;
use crate::usecase::supply::Asked;
use crate::usecase::supply::view::{PartHeld, ReadingLine, Said, SupplyView};

impl SupplySource for Fixture {
    async fn supply(
        &self,
        (device, index): (DeviceId, SupplyIndex),
        asked: Asked,
    ) -> Result<Option<SupplyView>, SourceError> {
        let full = || match (device, index) {
            (DeviceId(1), SupplyIndex(1)) => Some(cyan(asked)),
            (DeviceId(1), SupplyIndex(9)) => Some(waste(asked)),
            _ => None,
        };
        self.give(full, None).await
    }

    async fn supply_of(&self, slot: SlotId) -> Result<Option<(DeviceId, SupplyIndex)>, SourceError> {
        self.give(|| (slot == SlotId(9)).then_some((DeviceId(1), SupplyIndex(9))), None).await
    }
}

/// What cyan and the receptacle of a machine used.
pub(crate) fn used() -> Vec<(SlotId, Vec<MonthUse>)> {
    vec![
        (SlotId(1), vec![month("2026-11", 91.0), month("2026-10", 160.5)]),
        (SlotId(9), vec![month("2026-11", 40.0)]),
    ]
}

fn month(text: &str, used: f64) -> MonthUse {
    MonthUse {
        month: text.parse().unwrap(),
        used: DayUse { used, spread: 12.0, unseen: 0.0 },
        working_days: 21,
    }
}

/// A course that comes down from a level in so many days.
fn course(left: f64, days: i64) -> Vec<(Timestamp, f64)> {
    let at = |part: i64| now() + SignedDuration::from_hours(24 * days * part / 24);
    (0..=24).map(|part| (at(part), left * (1.0 - part as f64 / 24.0))).collect()
}

fn said(line: usize, days: [i64; 3]) -> Said {
    let line = lines("Bobbin").remove(line);
    let left = line.outlook.level.remaining.measured().unwrap();
    let [early, middle, late] = days.map(|days| course(left, days));
    Said {
        outlook: line.outlook,
        order_by: line.order_by,
        fan: Some(Fan { early, middle, late }),
        grounds: Grounds {
            history_days: 118,
            mean: Some(5.2),
            lately: Some(6.1),
            rate: Some(5.9),
            week: Some([1.3, 1.4, 1.2, 1.3, 1.2, 0.4, 0.1]),
            borrowed: None,
            shut_ahead: 3,
        },
        order_point: None,
        order_fill: 0.7,
    }
}

fn readings() -> Vec<ReadingLine> {
    let line = |when: &str, level, verdict, asked| ReadingLine {
        at: at(when),
        unit: SupplyUnit::TenthsOfMilliliters,
        max_capacity: 7750,
        level,
        account: Account { verdict, asked },
    };
    let ml = Measure::Millilitres;
    vec![
        line("2026-11-25T08:00:00Z", 100, Verdict::Waits, false),
        line("2026-11-25T07:45:00Z", 2510, Verdict::Believed(251.0, ml), false),
        line("2026-11-25T07:30:00Z", 9000, Verdict::Odd(Oddity::LevelAboveCapacity), false),
        line("2026-11-25T07:15:00Z", 40, Verdict::LeftOut, false),
        line("2026-11-25T07:00:00Z", -3, Verdict::NoFigure(Amount::SomeLeft), false),
        line("2026-11-24T10:15:00Z", 6600, Verdict::Believed(660.0, ml), true),
        line("2026-11-20T08:15:00Z", 7750, Verdict::NewUnit(Arrival::Risen, 775.0, ml), false),
    ]
}

fn cyan(asked: Asked) -> SupplyView {
    let days = i32::from(asked.days);
    let from = now() - SignedDuration::from_hours(24 * i64::from(days));
    let gaps = vec![(at("2026-11-22T23:05:00Z"), at("2026-11-23T06:10:00Z"))];
    let lot = Lot {
        id: LotId(2),
        part: PartId(1),
        made_on: date(2024, 7, 1),
        place: "Shelf B".to_owned(),
        left_over: None,
        units: 3,
        out: 0,
    };
    let coming =
        ComingUnit { part: "VO-C-775".to_owned(), order: OrderId(7), expected_on: Some(date(2026, 12, 1)) };
    SupplyView {
        today: TODAY,
        device: device(1, "Bobbin"),
        slot: super::units_fixtures::units("Bobbin").slots.remove(0),
        from,
        to: now(),
        trend: fixtures::trend(&lines("Bobbin")[0], days, &gaps),
        gaps,
        said: Some(said(0, [34, 48, 71])),
        inside: Some(UnitInside {
            part: "VO-C-775".to_owned(),
            made_on: date(2024, 7, 1),
            shelf_life_months: Some(30),
        }),
        parts: vec![PartHeld {
            part: part(),
            lots: vec![(lot, Some(date(2027, 1, 1)))],
            coming: vec![(2, coming)],
        }],
        days: (1..=25)
            .map(|day| (date(2026, 11, day), DayUse { used: f64::from(day % 7), ..DayUse::default() }))
            .collect(),
        months: vec![month("2026-11", 91.0), month("2026-10", 160.5)],
        readings: if asked.before.is_some() { Vec::new() } else { readings() },
        detail_from: Some(date(2024, 11, 1)),
        older: asked.before.is_none().then(|| at("2026-11-20T08:15:00Z")),
        alerts: Vec::new(),
    }
}

fn part() -> Part {
    let cartridge = |part: &Part| part.number.starts_with("VO-C");
    super::shelf_fixtures::shelf("Bobbin").parts.into_iter().map(|line| line.part).find(cartridge).unwrap()
}

fn waste(asked: Asked) -> SupplyView {
    let line = &lines("Bobbin")[8];
    let mut said = said(8, [8, 14, 24]);
    said.order_point = Some(TODAY);
    said.grounds = Grounds { history_days: 6, mean: Some(9.0), ..Grounds::default() };
    if asked.days == 7 {
        said.outlook.forecast = Forecast::NotYet("6 of the 10 days of history it needs are in".to_owned());
        said.fan = None;
    }
    SupplyView {
        slot: super::units_fixtures::units("Bobbin").slots.remove(1),
        trend: fixtures::trend(line, i32::from(asked.days), &[]),
        gaps: Vec::new(),
        said: Some(said),
        inside: None,
        parts: Vec::new(),
        months: Vec::new(),
        ..cyan(asked)
    }
}
