//! What programs that watch the service are told: that it is ready or why not, and its figures.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use tokio::net::TcpListener;
use ullage::app::{Running, Service, StoreDesk};
use ullage::clock::Clock;
use ullage::poller::worker::Desk;
use ullage::spool::Spool;

use crate::support::database::TestDatabase;
use crate::support::http::get;
use crate::support::loft::config;
use crate::support::said::{answered, at, device, silent};
use crate::support::wait_until;

/// The value of a line.
fn value(text: &str, line: &str) -> f64 {
    let found = text.lines().find_map(|one| one.strip_prefix(line)?.strip_prefix(' '));
    found.unwrap_or_else(|| panic!("{line} is not in:\n{text}")).parse().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn figures_are_told_and_a_service_without_its_store_is_there_and_not_ready() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let (bobbin, thimble) = (device(&store, "Bobbin").await, device(&store, "Thimble").await);
    let mut service = Service::new(store.clone(), Clock::scaled(at(9), 1e-9), &config());
    let dir = tempfile::tempdir().unwrap();
    service.spool = Some(Spool::open(dir.path(), 1_000_000).unwrap());
    let desk = StoreDesk::new(service.clone());
    for (device, poll) in [(bobbin, answered(1, 4000, 9000)), (thimble, silent(1))] {
        desk.asked(poll.outcome.is_ok(), std::time::Duration::from_millis(120));
        desk.take(device, "Bobbin", poll).await.unwrap();
    }
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let mut running = Running::new();
    let alerts = running.start_alerts(&service);
    alerts.ring();
    alerts.status().wait_for(|status| status.runs > 0).await.unwrap();
    running.start_site(&service, listener, None);
    let ask = |path: &'static str| async move {
        tokio::task::spawn_blocking(move || get(address, path)).await.unwrap()
    };
    let metrics = ask("/metrics").await;
    assert_eq!(metrics.status, 200);
    assert!(metrics.head.contains("content-type: application/openmetrics-text; version=1.0.0"));
    let text = metrics.body;
    assert!(text.ends_with("# EOF\n") && !text.contains("Bobbin"), "{text}");
    for (line, wanted) in [
        ("ullage_polls_total{outcome=\"answered\"}", 1.0),
        ("ullage_polls_total{outcome=\"silent\"}", 1.0),
        ("ullage_poll_seconds_bucket{le=\"0.1\"}", 0.0),
        ("ullage_poll_seconds_bucket{le=\"0.25\"}", 2.0),
        ("ullage_poll_seconds_sum", 0.24),
        ("ullage_devices{state=\"answering\"}", 1.0),
        ("ullage_devices{state=\"silent\"}", 1.0),
        ("ullage_devices{state=\"dark\"}", 0.0),
        ("ullage_spool_polls", 0.0),
        ("ullage_store_answers", 1.0),
        ("ullage_outbox_messages{state=\"waiting\"}", 0.0),
        ("ullage_job_failing{job=\"alerts\"}", 0.0),
        ("ullage_job_last_success_seconds{job=\"alerts\"}", at(9).as_second() as f64),
    ] {
        assert!((value(&text, line) - wanted).abs() < 1e-9, "{line}:\n{text}");
    }
    assert_eq!((ask("/readyz").await.status, ask("/readyz").await.body), (200, "ready\n".to_owned()));

    store.close().await;
    desk.take(bobbin, "Bobbin", answered(2, 3990, 9000)).await.unwrap();
    let not = ask("/readyz").await;
    assert_eq!(not.status, 503);
    assert!(not.body.contains("wait for it on this disk: 1\n"), "{}", not.body);
    assert_eq!((ask("/healthz").await.status, ask("/healthz").await.body), (200, "ok".to_owned()));
    alerts.ring();
    wait_until("the job fails", || async { alerts.status().borrow().fault.clone() }).await;
    running.drain().await;
}
