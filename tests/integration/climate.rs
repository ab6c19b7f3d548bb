//! What a machine's sensors say of the air: from its own agent over SNMP to the task on the page.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::time::Duration;

use jiff::SignedDuration;
use mock_agent::ClimatePlan;
use ullage::app::Running;
use ullage::config::PollSettings;
use ullage::domain::climate::{Climate, Report};
use ullage::domain::ids::DeviceId;
use ullage::usecase::ingest::ingest_climate;

use crate::pages::serve;
use crate::support::database::TestDatabase;
use crate::support::http::get;
use crate::support::loft::{Loft, moment};
use crate::support::said::{at, device};
use crate::support::wait_until;

/// A sensor of the kind of RFC 3433 that is in order.
fn sensor(index: u32, kind: i32, value: i32) -> ClimatePlan {
    ClimatePlan { index, kind, scale: 9, precision: 0, value, status: 1 }
}

fn settings() -> PollSettings {
    PollSettings {
        every: Duration::from_secs(900),
        timeout: Duration::from_secs(5),
        retries: 1,
        in_flight: 16,
    }
}

/// A room in which Bobbin (v2c), Thimble (v1) and Tassel (v3) report and Selvage has no sensor.
async fn room(speed: f64) -> Loft {
    Loft::open_with(moment("2026-10-20T10:02"), 1, speed, |scenario| {
        let [bobbin, thimble, _, tassel] = scenario.printers.as_mut_slice() else { panic!("four machines") };
        // Volts come first, then a broken sensor, then thousandths of a degree.
        bobbin.climate = vec![
            sensor(1, 4, 24),
            ClimatePlan { status: 3, ..sensor(2, 8, 19) },
            ClimatePlan { scale: 8, ..sensor(5, 8, 33_500) },
            sensor(6, 9, 22),
        ];
        thimble.climate = vec![ClimatePlan { precision: 1, ..sensor(1, 8, 215) }, sensor(2, 8, 70)];
        tassel.climate = vec![sensor(300, 9, 45)];
    })
    .await
}

async fn climates(loft: &Loft) -> BTreeMap<DeviceId, Report> {
    loft.service.store.climates(None).await.unwrap()
}

/// What is told of each machine in the room's order once all have been asked.
async fn told(loft: &Loft) -> Vec<Option<Climate>> {
    let reports = wait_until("three machines report", || async {
        Some(climates(loft).await).filter(|reports| reports.len() == 3)
    })
    .await;
    loft.demo.devices.iter().map(|(device, _)| reports.get(device).map(|report| report.climate)).collect()
}

fn page(address: SocketAddr, path: &str) -> String {
    let answer = get(address, path);
    assert_eq!(answer.status, 200, "{path}: {}", answer.body);
    answer.body.replace("&#39;", "'").replace("&#x27;", "'")
}

#[tokio::test(flavor = "multi_thread")]
async fn air_that_a_machine_reports_becomes_a_task_and_one_without_sensors_is_left_alone() {
    // The clock goes as in life: every machine is polled once.
    let loft = room(1.0).await;
    let agents = loft.demo.go_live(&loft.service.store, &loft.service.clock).await.unwrap();
    let mut polling = Running::new();
    polling.start_poller(&loft.service, &settings(), None).unwrap();
    let climate = |celsius, humidity_percent| Some(Climate { celsius, humidity_percent });
    let expected =
        vec![climate(Some(33.5), Some(22.0)), climate(Some(21.5), None), None, climate(None, Some(45.0))];
    assert_eq!(told(&loft).await, expected, "by version 2c, 1 and 3");
    let (address, pages) = serve(&loft.service).await;
    let machine = |place: usize| format!("/machines/{}", loft.demo.devices[place].0);
    let (task, why) = (
        "See to the room of Bobbin: too warm and too dry",
        "it reported 33.5 °C (wanted: 15 to 30) and 22 % relative humidity (wanted: 30 to 70); the maker's manual",
    );
    for path in ["/", "/tasks", "/api/v1/tasks"] {
        let body = page(address, path);
        assert!(body.contains(task) && body.contains(why), "{path}: {body}");
        assert_eq!(body.matches("See to the room").count(), 1, "{path}: {body}");
    }
    let body = page(address, &machine(0));
    assert!(
        body.contains("Its sensors said 33.5 °C and 22 % relative humidity (Tue 20 Oct 2026, 10:0"),
        "{body}"
    );
    assert!(page(address, &machine(1)).contains("That is as it is wanted."));
    assert!(!page(address, &machine(2)).contains("sensors"), "Selvage has none");
    let api = |place: usize| {
        let body = page(address, &format!("/api/v1/devices/{}", loft.demo.devices[place].0));
        serde_json::from_str::<serde_json::Value>(&body).unwrap()["climate"].clone()
    };
    assert_eq!((&api(0)["celsius"], &api(0)["humidity_percent"]), (&33.5.into(), &22.0.into()));
    assert!(api(0)["at"].as_str().is_some_and(|at| at.starts_with("2026-10-20T09:0")), "{}", api(0));
    let described: serde_json::Value = serde_json::from_str(&page(address, "/api/v1/openapi.json")).unwrap();
    let told: Vec<_> = api(0).as_object().unwrap().keys().cloned().collect();
    let schema = described["components"]["schemas"]["Climate"]["properties"].as_object().unwrap();
    assert_eq!(told, schema.keys().cloned().collect::<Vec<_>>());
    assert_eq!((&api(3)["celsius"], &api(2)), (&serde_json::Value::Null, &serde_json::Value::Null));
    pages.drain().await;
    polling.drain().await;
    assert_eq!(agents.sets_seen(), 0, "a poller only reads");
    agents.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn sensors_are_asked_no_more_than_once_an_hour() {
    // An hour passes in four seconds, and every machine is polled every quarter of one.
    let loft = room(900.0).await;
    let agents = loft.demo.go_live(&loft.service.store, &loft.service.clock).await.unwrap();
    let mut polling = Running::new();
    polling.start_poller(&loft.service, &settings(), None).unwrap();
    let bobbin = loft.demo.devices[0].0;
    let mut reported = Vec::new();
    while reported.len() < 3 {
        let last = reported.last().copied();
        let next = wait_until("Bobbin reports", || async {
            climates(&loft).await.get(&bobbin).map(|report| report.at).filter(|at| Some(*at) > last)
        });
        reported.push(next.await);
    }
    polling.drain().await;
    agents.stop().await;
    for pair in reported.windows(2) {
        let rest = pair[1].duration_since(pair[0]);
        assert!(rest >= SignedDuration::from_mins(60), "{reported:?}");
    }
    let polls: i64 =
        sqlx::query_scalar("select sum(polls) from poll_span where device_id = $1 and fault is null")
            .bind(bobbin.0)
            .fetch_one(loft.service.store.pool())
            .await
            .unwrap();
    assert!(polls > 3, "it was polled {polls} times meanwhile");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_newest_report_of_a_watched_machine_is_kept() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    let report = |poll, celsius| Report {
        at: at(poll),
        climate: Climate { celsius: Some(celsius), humidity_percent: None },
    };
    for (poll, celsius) in [(4, 31.0), (8, 22.25), (6, 35.0)] {
        ingest_climate(&store, bobbin, &report(poll, celsius)).await.unwrap();
    }
    ingest_climate(&store, DeviceId(4711), &report(9, 20.0)).await.unwrap();
    let kept = |id| {
        let store = store.clone();
        async move { store.climates(id).await.unwrap() }
    };
    assert_eq!(kept(None).await, BTreeMap::from([(bobbin, report(8, 22.25))]));
    assert_eq!(kept(Some(bobbin)).await.len(), 1);
    store.retire_device("Bobbin", at(9)).await.unwrap();
    ingest_climate(&store, bobbin, &report(10, 20.0)).await.unwrap();
    assert!(kept(None).await.is_empty() && kept(Some(bobbin)).await.is_empty());
}
