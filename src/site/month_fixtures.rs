//! Months of the Vellmoor Opera for tests of the pages.

use super::fixtures::{at, now};
use crate::domain::ids::DeviceId;
use crate::domain::month::{Costs, Month};
use crate::domain::part::{Currency, Price};
use crate::report::testing::sample;
use crate::usecase::month::NotClosed;
use crate::usecase::view::{Closing, MonthPoint, Statement, TrendRow, TrendView};

pub(crate) fn months() -> Vec<Month> {
    ["2026-11", "2026-10", "2026-09"].map(|month| month.parse().unwrap()).into()
}

pub(crate) fn statement(first: &str, month: Month) -> Statement {
    let mut report = sample();
    first.clone_into(&mut report.devices[0].name);
    (report.month, report.complete) = (month, month.to_string() != "2026-11");
    if !report.complete {
        report.as_of = now();
    }
    let document = crate::report::json::month(&report).unwrap();
    let closing = (month.to_string() == "2026-09").then(|| Closing {
        at: at("2026-10-02T09:30:00Z"),
        who: "<b>the stage manager</b>".to_owned(),
        sha256: "ab".repeat(32),
    });
    Statement { report, document, closing }
}

pub(crate) fn nothing_in(month: Month) -> Statement {
    let mut report = sample();
    report.month = month;
    report.devices.clear();
    report.parts.clear();
    report.alerts.clear();
    report.adjustments.clear();
    report.compared.clear();
    report.needs = None;
    Statement { report, document: String::new(), closing: None }
}

pub(crate) fn trend(first: &str) -> TrendView {
    let months: Vec<Month> = ["2026-09", "2026-10", "2026-11"].map(|month| month.parse().unwrap()).into();
    let euro = Currency::from_code("EUR").unwrap();
    let points = |ml: [f64; 3]| {
        let price = |ml: f64| Price { minor: (ml * 24.387).round() as i64, currency: euro };
        let point = |ml: f64| MonthPoint { ink_ml: ml, swaps: 2, cost: Costs::from_iter([price(ml)]) };
        ml.map(point).to_vec()
    };
    let row = |name: Option<&str>, device: Option<i64>, ml| TrendRow {
        name: name.map(str::to_owned),
        device: device.map(DeviceId),
        points: points(ml),
    };
    TrendView {
        whole: vec![false, true, true],
        closed: [months[0]].into(),
        running: months[2],
        known: months.iter().rev().copied().collect(),
        all: points([2100.0, 2399.9, 1720.4]),
        machines: vec![
            row(Some(first), Some(1), [1700.0, 1900.2, 1420.4]),
            row(Some("Selvage"), Some(3), [400.0, 499.7, 300.0]),
        ],
        cost_centres: vec![
            row(Some("Scenery"), None, [1700.0, 1900.2, 1420.4]),
            row(None, None, [400.0, 499.7, 300.0]),
        ],
        currencies: vec![euro],
        months,
    }
}

pub(crate) fn no_trend() -> TrendView {
    let none = trend("");
    TrendView {
        months: vec![],
        whole: vec![],
        known: vec![],
        all: vec![],
        machines: vec![],
        cost_centres: vec![],
        currencies: vec![],
        ..none
    }
}

/// The running month cannot be closed; any other can.
pub(crate) fn closed(month: Month, who: String) -> Result<Closing, NotClosed> {
    if month.to_string() == "2026-11" {
        return Err(NotClosed::NotOver(month));
    }
    Ok(Closing { at: now(), who, sha256: "cd".repeat(32) })
}
