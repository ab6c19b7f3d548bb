//! A simulated receptacle that passes 70 % is told once: whichever way its device counts, however its sensor rounds
//! and wavers, across restarts, and with two pollers that bring the same polls in at the same time.
//!
//! The order point of 70 % is common practice; no source is known.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use jiff::{SignedDuration, Timestamp};
use mock_agent::{Polarity, PrinterPlan, Rounding, Unit};
use ullage::demo::poll_days;
use ullage::domain::alert::Rule;
use ullage::domain::alert::recipient::{Channel, NoticeKind, Peace, Recipient};
use ullage::domain::ids::{DeviceId, RecipientId};
use ullage::domain::outlook::Present;
use ullage::domain::poll::Poll;
use ullage::domain::rules::Rules;
use ullage::store::Store;
use ullage::usecase::alerts::judge_all;
use ullage::usecase::ingest::ingest;

use crate::support::loft::{Loft, moment};

/// Days of history; the receptacles fill from about 45 % to 80 % in them.
const DAYS: u32 = 16;
/// What a receptacle holds: a small one, so that few days fill it.
const CAPACITY_ML: f64 = 200.0;
/// Room left at the end.
const STANDS_AT: f64 = 0.20;
/// No reading of these sensors is further from the truth, as a share of the receptacle.
const ERROR: f64 = 0.025;

/// Every way of telling: which way it is counted, in what, rounded how, with how much wavering.
const WAYS: [(Polarity, Unit, Rounding, f64); 6] = [
    (Polarity::Remaining, Unit::TenthsOfMillilitres, Rounding::Nearest, 0.0),
    (Polarity::Remaining, Unit::TenthsOfMillilitres, Rounding::Nearest, 30.0),
    (Polarity::Remaining, Unit::Percent, Rounding::Ceil, 1.4),
    (Polarity::Filled, Unit::TenthsOfMillilitres, Rounding::Floor, 0.0),
    (Polarity::Filled, Unit::HundredthsOfFluidOunces, Rounding::Nearest, 12.0),
    (Polarity::Filled, Unit::Percent, Rounding::Floor, 1.4),
];

fn printers(template: &PrinterPlan) -> Vec<PrinterPlan> {
    let printer = |(n, (polarity, unit, rounding, jitter)): (usize, (Polarity, Unit, Rounding, f64))| {
        let mut plan = template.clone();
        plan.name = format!("Spool {n}");
        plan.serial = format!("VO-007{n}");
        (plan.sensor.unit, plan.sensor.rounding, plan.sensor.jitter) = (unit, rounding, jitter);
        let waste = plan.waste.as_mut().unwrap();
        (waste.polarity, waste.stands_at, waste.capacity_ml) = (polarity, Some(STANDS_AT), CAPACITY_ML);
        plan
    };
    WAYS.into_iter().enumerate().map(printer).collect()
}

/// What a poll tells of how full the receptacle is, by the way in which its device is known to count.
fn fill_told(poll: &Poll, polarity: Polarity) -> f64 {
    let waste = poll.outcome.as_ref().unwrap().supplies.last().unwrap();
    let share = f64::from(waste.level) / f64::from(waste.max_capacity);
    if polarity == Polarity::Filled { share } else { 1.0 - share }
}

/// Brings polls in as one of several programs would, and judges what is the case then.
async fn bring(store: Store, devices: &[(DeviceId, String)], polls: &[Vec<Poll>], present: Present) {
    for ((device, name), polls) in devices.iter().zip(polls) {
        ingest(&store, *device, name, polls, &present, &Rules::default()).await.unwrap();
    }
    judge_all(&store, &present, &Rules::default()).await.unwrap();
    store.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_receptacle_that_passes_70_percent_is_told_once_however_its_device_tells_it() {
    let now = moment("2026-10-20T10:00");
    let change = |scenario: &mut mock_agent::Scenario| scenario.printers = printers(&scenario.printers[0]);
    let loft = Loft::open_with(now, DAYS, f64::MIN_POSITIVE, change).await;
    let ada = Recipient {
        id: RecipientId(0),
        name: "Ada".to_owned(),
        channel: Channel::Webhook,
        address: "https://books.loft.example/".to_owned(),
        least: ullage::domain::alert::Grade::Other,
        peace: Peace::default(),
        wants_cleared: true,
        routes: Vec::new(),
    };
    loft.service.store.add_recipient(&ada, loft.opened).await.unwrap();
    let devices = &loft.demo.devices;
    // When each first told a fill of 70 %, and when it first told one that no error accounts for.
    let mut first: Vec<(Option<Timestamp>, Option<Timestamp>)> = vec![(None, None); devices.len()];
    let mut begins = loft.opened;
    while begins < now {
        let ends = begins.checked_add(SignedDuration::from_hours(24)).unwrap().min(now);
        let polls = poll_days(&loft.demo, begins, ends).await.unwrap();
        for ((polls, (polarity, ..)), first) in polls.iter().zip(WAYS).zip(&mut first) {
            let reached = |fill: f64| {
                polls.iter().find(|poll| fill_told(poll, polarity) >= fill - 1e-9).map(|poll| poll.at)
            };
            first.0 = first.0.or(reached(0.70));
            first.1 = first.1.or(reached(0.70 + 2.0 * ERROR));
        }
        // Both programs begin anew every day, and hear the same.
        let (one, other) = (loft.database.store().await, loft.database.store().await);
        let present = || Present { now: ends, zone: loft.service.zone.clone() };
        tokio::join!(bring(one, devices, &polls, present()), bring(other, devices, &polls, present()));
        begins = ends;
    }
    for ((device, name), (may, must)) in devices.iter().zip(first) {
        let mut alerts = loft.service.store.alerts(true, Some(*device), 100).await.unwrap();
        alerts.extend(loft.service.store.alerts(false, Some(*device), 100).await.unwrap());
        alerts.retain(|row| row.alert.rule == Rule::WasteOrderPoint);
        assert_eq!(alerts.len(), 1, "{name}: {alerts:?}");
        let alert = &alerts[0].alert;
        assert_eq!(alert.cleared_at, None, "{name}");
        let (may, must) = (may.unwrap(), must.unwrap());
        assert!(may <= alert.opened_at && alert.opened_at <= must, "{name}: {alert:?}, {may} to {must}");
    }
    let told: Vec<(String, i64)> = sqlx::query_as(
        "select kind, count(*) from notice join alert on alert.id = alert_id where rule = 'waste_order_point'
         group by kind",
    )
    .fetch_all(loft.service.store.pool())
    .await
    .unwrap();
    let each = i64::try_from(devices.len()).unwrap();
    assert_eq!(told, [(NoticeKind::Opened.word().to_owned(), each)], "each is told once");
}
