//! A month of the Vellmoor Opera for tests: every kind of figure that a report can hold.

use jiff::Timestamp;

use crate::domain::alert::Rule;
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::month::{
    Adjustment, AlertMonth, Beside, Compared, Costs, DeviceMonth, Forecasts, Gap, MonthReport, Output,
    PartMonth, PartNeed, Silence, StockFlow, SupplyMonth, share_of_price, thousandths,
};
use crate::domain::part::{Currency, Price};
use crate::domain::reading::Role;
use crate::domain::units::Measure;

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

fn euro(minor: i64) -> Price {
    Price { minor, currency: Currency::from_code("EUR").unwrap() }
}

fn supply(id: i64, label: &str, used: f64, swaps: u32) -> SupplyMonth {
    let (capacity, price) = (Some((775.0, Measure::Millilitres)), euro(18_900));
    let part = match label {
        "Cyan" | "Magenta" => Some(format!("VO-{}-775", &label[..1])),
        _ => None,
    };
    let left = f64::from(swaps) * 6.4;
    let worth =
        |amount| part.as_ref().and_then(|_| share_of_price(price, (amount, Measure::Millilitres), capacity));
    SupplyMonth {
        slot: SlotId(id),
        label: label.to_owned(),
        role: if label.starts_with("Waste") { Role::Filled } else { Role::Consumed },
        measure: Measure::Millilitres,
        used,
        spread: if id % 3 == 0 { thousandths(used * 0.125) } else { 0.0 },
        unseen: if id == 2 { 31.0 } else { 0.0 },
        swaps,
        left_in_swapped: left,
        cost: worth(used),
        left_cost: worth(left).filter(|_| swaps > 0),
        part,
    }
}

fn device(id: i64, name: &str, centre: Option<&str>, supplies: Vec<SupplyMonth>) -> DeviceMonth {
    DeviceMonth {
        device: DeviceId(id),
        name: name.to_owned(),
        site: "Vellmoor Opera print loft".to_owned(),
        model: Some("Eight-ink backdrop printer, 60 inch".to_owned()),
        cost_centre: centre.map(str::to_owned),
        output: (id != 3).then(|| Output { count: 1204 * id, unit: "meters".to_owned() }),
        coverage: if id == 1 { 0.982 } else { 1.0 },
        availability: Some(if id == 1 { 0.99 } else { 1.0 }),
        gaps: if id == 1 {
            vec![
                Gap {
                    from: at("2026-10-13T16:00:00Z"),
                    to: at("2026-10-13T22:00:00Z"),
                    why: Silence::Unanswered("it did not answer".to_owned()),
                },
                Gap {
                    from: at("2026-10-21T16:00:00Z"),
                    to: at("2026-10-21T23:00:00Z"),
                    why: Silence::NotAsked,
                },
            ]
        } else {
            vec![]
        },
        supplies,
        heads_replaced: None,
        taken: if id == 1 { Costs::from_iter([euro(37_800)]) } else { Costs::default() },
    }
}

fn part(number: &str, label: &str, units: StockFlow, price: i64) -> PartMonth {
    PartMonth {
        number: number.to_owned(),
        label: label.to_owned(),
        price: Some(euro(price)),
        value: Some(units.times(price)),
        units,
        swaps: 1,
    }
}

fn devices() -> Vec<DeviceMonth> {
    vec![
        device(
            1,
            "Bobbin",
            Some("Scenery"),
            vec![
                supply(1, "Cyan", 411.0, 1),
                supply(2, "Magenta", 305.5, 1),
                supply(3, "Yellow", 388.25, 0),
                supply(4, "Matte black", 96.0, 0),
                supply(5, "Photo black", 512.4, 1),
                supply(6, "Light magenta", 187.0, 0),
                supply(9, "Waste receptacle", 410.0, 1),
            ],
        ),
        device(
            3,
            "Selvage",
            None,
            vec![
                supply(31, "Photo black", 288.0, 0),
                supply(33, "Light grey", 134.0, 0),
                supply(34, "Cyan", 77.7, 0),
                supply(35, "Waste receptacle", 96.0, 0),
            ],
        ),
    ]
}

fn parts() -> Vec<PartMonth> {
    vec![
        part(
            "VO-C-775",
            "cyan cartridge",
            StockFlow { start: 2, received: 3, issued: 2, returned: 1, end: 4, ..StockFlow::default() },
            18_900,
        ),
        part(
            "VO-W-1500",
            "receptacle",
            StockFlow { start: 2, written_off: 1, counted: 1, end: 2, ..StockFlow::default() },
            4950,
        ),
    ]
}

/// A complete October.
pub(crate) fn sample() -> MonthReport {
    let compared = |beside, month: &str, ink_ml, minor| Compared {
        beside,
        month: month.parse().unwrap(),
        whole: true,
        ink_ml,
        swaps: 4,
        cost: Costs::from_iter([euro(minor)]),
    };
    MonthReport {
        month: "2026-10".parse().unwrap(),
        zone: "Europe/Lisbon".to_owned(),
        begins: at("2026-09-30T23:00:00Z"),
        ends: at("2026-11-01T00:00:00Z"),
        as_of: at("2026-11-01T00:00:00Z"),
        complete: true,
        devices: devices(),
        parts: parts(),
        alerts: vec![AlertMonth {
            rule: Rule::LowSupply,
            opened: 3,
            cleared: 2,
            open_at_end: 1,
            median_minutes: Some(95),
            slowest_minutes: Some(1510),
            seen: 2,
            median_seen_minutes: Some(12),
        }],
        adjustments: vec![Adjustment {
            about: "2026-09".parse().unwrap(),
            slot: SlotId(1),
            device: "Bobbin".to_owned(),
            label: "Cyan".to_owned(),
            measure: Measure::Millilitres,
            used: -12.5,
            spread: -12.5,
            unseen: 0.0,
            swaps: 0,
            left_in_swapped: 0.0,
            cost: Some(euro(-305)),
        }],
        compared: vec![
            compared(Beside::MonthBefore, "2026-09", 2210.0, 15_000),
            compared(Beside::YearBefore, "2025-10", 1980.5, 14_200),
        ],
        forecasts: Forecasts::Kept { within: 9, before: 1, after: 0, days_off: Some(2.4) },
        needs: Some(vec![
            PartNeed {
                part: Some("VO-C-775".to_owned()),
                label: "cyan cartridge".to_owned(),
                units: 6,
                on_shelf: 4,
                cost: Some(euro(37_800)),
            },
            PartNeed { part: None, label: "photo black".to_owned(), units: 1, on_shelf: 0, cost: None },
        ]),
    }
}

/// The same as it is handed in.
pub(crate) fn statement() -> crate::usecase::view::Statement {
    let report = sample();
    let document = super::json::month(&report).unwrap();
    crate::usecase::view::Statement { report, document, closing: None }
}
