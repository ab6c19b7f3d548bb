//! The pages over a real store, asked over a socket.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::net::SocketAddr;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use ullage::app::{Running, Service};
use ullage::clock::Clock;
use ullage::report::csv;
use ullage::usecase::month::month_report;

use crate::support::DEADLINE;
use crate::support::database::TestDatabase;
use crate::support::http::{get, get_as};
use crate::support::loft::{Loft, config, moment};

/// Serves the pages of a service, as the program does.
pub(crate) async fn serve(service: &Service) -> (SocketAddr, Running) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let mut running = Running::new();
    running.start_site(service, listener, None);
    (address, running)
}

#[tokio::test(flavor = "multi_thread")]
async fn every_page_shows_the_machines_and_the_file_is_the_report() {
    let loft = Loft::brought_in(moment("2026-10-20T10:00"), 2).await;
    let (address, running) = serve(&loft.service).await;
    // Two days are too few for a forecast, and enough for what is past its order point.
    let today = get(address, "/");
    assert!(today.body.contains("Order 1 waste receptacle for Bobbin"), "{}", today.body);
    assert!(!today.body.contains("No supply has been read"), "{}", today.body);
    for path in ["/", "/machines", "/alerts", "/months/2026-10"] {
        let page = get(address, path);
        assert_eq!(page.status, 200, "{path}: {}", page.body);
        assert!(page.head.contains("content-type: text/html; charset=utf-8"), "{path}: {}", page.head);
        assert!(page.body.contains("Bobbin"), "{path} names no machine: {}", page.body);
    }
    for (device, name) in &loft.demo.devices {
        let page = get(address, &format!("/machines/{device}"));
        assert_eq!(page.status, 200, "{name}: {}", page.body);
        assert!(page.body.contains(name), "{}", page.body);
        assert!(page.body.contains("Waste receptacle") && page.body.contains("<svg"), "{name}");
    }
    let months = get(address, "/months");
    assert!(months.status == 200 && months.body.contains("href=\"/months/2026-10\""), "{}", months.body);

    let file = get(address, "/months/2026-10.csv");
    assert_eq!(file.status, 200);
    assert!(file.head.contains("content-type: text/csv"), "{}", file.head);
    let present = loft.service.present();
    let report = month_report(&loft.service.store, "2026-10".parse().unwrap(), &present).await.unwrap();
    let bytes = csv::month(&report).unwrap();
    assert_eq!(file.body, String::from_utf8(bytes).unwrap());
    // A head and a row for each of 13 supplies.
    assert_eq!(file.body.lines().count(), 14);

    let unknown = get(address, "/machines/4711");
    assert_eq!(unknown.status, 404);
    assert!(unknown.body.contains("href=\"/machines\""), "a way back: {}", unknown.body);
    for wrong in ["/months/2026-13", "/months/2026-13.csv", "/machines/x", "/nothing"] {
        assert!((400..500).contains(&get(address, wrong).status), "{wrong}");
    }
    running.drain().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_empty_store_says_what_to_do_first() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let service = Service::new(store, Clock::scaled(moment("2026-10-20T10:00"), 1.0), &config());
    let (address, running) = serve(&service).await;
    let today = get(address, "/");
    assert_eq!(today.status, 200, "{}", today.body);
    assert!(today.body.contains("ullage devices add"), "{}", today.body);
    for path in ["/machines", "/alerts", "/months/2026-10", "/months/2026-10.csv"] {
        assert_eq!(get(address, path).status, 200, "{path}");
    }
    running.drain().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_open_page_is_told_of_changes_and_does_not_keep_the_service_from_ending() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let service = Service::new(store, Clock::scaled(moment("2026-10-20T10:00"), 1.0), &config());
    let (address, running) = serve(&service).await;
    let mut stream = tokio::net::TcpStream::connect(address).await.unwrap();
    stream.write_all(format!("GET /changes HTTP/1.1\r\nHost: {address}\r\n\r\n").as_bytes()).await.unwrap();
    let mut heard = String::new();
    until(&mut stream, &mut heard, "text/event-stream").await;
    // Listening has begun before the head is sent.
    service.outdate();
    until(&mut stream, &mut heard, "event: change").await;
    running.drain().await;
    let mut rest = Vec::new();
    tokio::time::timeout(DEADLINE, stream.read_to_end(&mut rest)).await.unwrap().unwrap();
    assert!(service.changes.listen().is_none(), "nobody listens to a service that has ended");
}

/// Reads until a text has been heard.
async fn until(stream: &mut tokio::net::TcpStream, heard: &mut String, text: &str) {
    let mut bytes = [0; 1024];
    while !heard.contains(text) {
        let read = tokio::time::timeout(DEADLINE, stream.read(&mut bytes)).await.expect(text).unwrap();
        assert!(read > 0, "the stream ended before '{text}': {heard}");
        heard.push_str(&String::from_utf8_lossy(&bytes[..read]));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_is_refused_under_a_foreign_name_and_says_nothing_of_the_room() {
    let loft = Loft::open(moment("2026-10-20T10:00"), 1, 1.0).await;
    let (address, running) = serve(&loft.service).await;
    for host in ["loft.example", "127.0.0.1.example", ""] {
        let refused = get_as(address, "/machines", host);
        assert!((400..500).contains(&refused.status), "{host}: {}", refused.status);
        assert!(!refused.body.contains("Bobbin"), "{host}: {}", refused.body);
    }
    let own = get_as(address, "/machines", "localhost");
    assert!(own.status == 200 && own.body.contains("Bobbin"), "{}", own.body);
    running.drain().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_store_that_is_gone_gives_an_error_page_without_inner_words() {
    let loft = Loft::open(moment("2026-10-20T10:00"), 1, 1.0).await;
    let (address, running) = serve(&loft.service).await;
    loft.service.store.close().await;
    let page = get(address, "/");
    assert_eq!(page.status, 500, "{}", page.body);
    assert!(!page.body.contains("pool") && !page.body.contains("PgPool"), "{}", page.body);
    running.drain().await;
}
