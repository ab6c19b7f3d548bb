//! The poller over SNMP: from a machine's own agent to the store.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::time::{Duration, Instant};

use jiff::SignedDuration;
use tokio::net::UdpSocket;
use ullage::app::Running;
use ullage::config::PollSettings;
use ullage::domain::alert::Rule;
use ullage::domain::ids::DeviceId;
use ullage::store::credentials::CredentialRow;
use ullage::store::devices::{DeviceRow, NewDevice};

use crate::support::loft::{Loft, moment};
use crate::support::wait_until;

/// Loopback answers at once; whoever has not answered by then will not.
fn settings(timeout: Duration) -> PollSettings {
    PollSettings { every: Duration::from_secs(900), timeout, retries: 0, in_flight: 16 }
}

async fn row(loft: &Loft, device: DeviceId) -> DeviceRow {
    loft.service.store.devices(Some(device)).await.unwrap().remove(0)
}

/// What the store has as a device's last levels: index, unit, capacity, level.
async fn kept(loft: &Loft, device: DeviceId) -> Vec<(i32, i32, i32, i32)> {
    sqlx::query_as(
        "select supply_index, unit, max_capacity, level from slot where device_id = $1 order by supply_index",
    )
    .bind(device.0)
    .fetch_all(loft.service.store.pool())
    .await
    .unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_version_is_read_and_the_store_holds_what_the_machines_say() {
    // The clock goes as in life, so that the room stands still while the test looks.
    let loft = Loft::open(moment("2026-10-20T10:02"), 1, 1.0).await;
    let agents = loft.demo.go_live(&loft.service.store, &loft.service.clock).await.unwrap();
    let mut running = Running::new();
    running.start_poller(&loft.service, &settings(Duration::from_secs(5)), None).unwrap();
    for (place, (device, name)) in loft.demo.devices.iter().enumerate() {
        let row = wait_until(&format!("{name} answers"), || async {
            Some(row(&loft, *device).await).filter(|row| row.last_answer_at.is_some())
        })
        .await;
        let told = loft.told(place);
        assert!(told.len() >= 3, "{name}: {told:?}");
        assert_eq!(kept(&loft, *device).await, told, "{name}");
        let plan = &loft.scenario.printers[place];
        assert_eq!((row.fault, row.serial.as_deref()), (None, Some(plan.serial.as_str())), "{name}");
        assert_eq!(row.model.as_deref(), Some(plan.description.as_str()), "{name}");
    }
    let versions: Vec<String> =
        loft.service.store.devices(None).await.unwrap().into_iter().map(|row| row.snmp).collect();
    assert_eq!(versions, ["v2c", "v2c", "v3", "v1"], "Bobbin, Selvage, Tassel, Thimble");
    running.drain().await;
    assert!(agents.answered() > 10, "{} datagrams", agents.answered());
    assert_eq!(agents.sets_seen(), 0, "a poller only reads");
    agents.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_machine_that_goes_dark_alerts_once_and_clears_when_it_is_back() {
    // An hour passes in a second; Selvage is off from eleven to a quarter past four.
    let mut loft = Loft::open_with(moment("2026-10-20T09:30"), 0, 3600.0, |scenario| {
        scenario.printers.retain(|printer| printer.name == "Selvage" || printer.name == "Bobbin");
        let day = 24.0;
        let plan = mock_agent::DarkPlan { from: 11.0 / day, until: Some(16.25 / day), still_working: false };
        scenario.printers[1].dark.push(plan);
    })
    .await;
    loft.service.rules.practice.dark_after = SignedDuration::from_hours(2);
    let agents = loft.demo.go_live(&loft.service.store, &loft.service.clock).await.unwrap();
    let mut running = Running::new();
    running.start_poller(&loft.service, &settings(Duration::from_millis(150)), None).unwrap();
    let (selvage, _) = loft.demo.devices[1];
    let store = &loft.service.store;
    let dark = |open: bool| async move {
        let mut alerts = store.alerts(open, Some(selvage), 100).await.unwrap();
        alerts.retain(|row| row.alert.rule == Rule::Dark);
        alerts
    };
    wait_until("Selvage answers", || async { row(&loft, selvage).await.last_answer_at }).await;
    let opened = wait_until("Selvage is called dark", || async { dark(true).await.pop() }).await;
    assert!(
        opened.alert.summary.contains("Selvage has not answered for 2 hours"),
        "{}",
        opened.alert.summary
    );
    let silent = row(&loft, selvage).await;
    assert!(silent.fault.as_ref().is_some_and(|fault| fault.contains("did not answer")), "{silent:?}");
    let silent_for = opened.alert.opened_at.duration_since(silent.last_answer_at.unwrap());
    assert!(silent_for >= SignedDuration::from_hours(2), "{silent_for:?}");

    let cleared = wait_until("Selvage is back", || async { dark(false).await.pop() }).await;
    assert!(cleared.alert.cleared_at.unwrap() >= moment("2026-10-20T16:15"), "{cleared:?}");
    // It goes on, and nothing opens again: three more answers are enough to see that.
    let back = wait_until("Selvage goes on answering", || async {
        let row = row(&loft, selvage).await;
        let since = row.last_answer_at?.duration_since(cleared.alert.cleared_at?);
        (since > SignedDuration::from_mins(40)).then_some(row)
    })
    .await;
    assert_eq!(back.fault, None);
    running.drain().await;
    assert_eq!((dark(true).await.len(), dark(false).await.len()), (0, 1));
    let bobbin = loft.demo.devices[0].0;
    assert!(store.alerts(false, Some(bobbin), 100).await.unwrap().is_empty());
    agents.stop().await;
}

/// Puts a device at an address of loopback into the store of a room.
async fn watch(loft: &Loft, name: &str, port: u16, credential: CredentialRow) -> DeviceId {
    let device = NewDevice {
        name: name.to_owned(),
        host: "127.0.0.1".to_owned(),
        port,
        cost_centre: None,
        poll_every_s: 900,
    };
    let store = &loft.service.store;
    let site = store.put_site(&loft.scenario.name, &loft.scenario.time_zone).await.unwrap();
    store.add_device(site, &credential, &device, loft.service.clock.now()).await.unwrap()
}

fn community(word: &str) -> CredentialRow {
    CredentialRow { version: "v2c".to_owned(), community: Some(word.to_owned()), ..CredentialRow::default() }
}

fn user(name: &str, password: &str) -> CredentialRow {
    CredentialRow {
        version: "v3".to_owned(),
        user_name: Some(name.to_owned()),
        auth: Some(("sha256".to_owned(), password.to_owned())),
        privacy: Some(("aes128".to_owned(), "footlight-row".to_owned())),
        ..CredentialRow::default()
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn wrong_credentials_are_told_as_what_they_are() {
    // Faster than life, so that a device that is added later is looked at soon.
    let loft = Loft::open(moment("2026-10-20T10:02"), 1, 20.0).await;
    let clock = loft.service.clock.clone();
    let now = std::sync::Arc::new(move || clock.now());
    let room = std::sync::Arc::clone(&loft.demo.room);
    let agents = mock_agent::AgentServer::start(room, now, mock_agent::Bind::AnyPort).await.unwrap();
    let port = |place: usize| agents.addresses()[place].port();
    let wrong = [
        (watch(&loft, "word", port(0), community("lost")).await, "its community or user is the one set here"),
        (watch(&loft, "name", port(3), user("nobody", "velvet-curtain")).await, "has no SNMPv3 user"),
    ];
    let mut running = Running::new();
    running.start_poller(&loft.service, &settings(Duration::from_millis(300)), None).unwrap();
    for (device, says) in wrong {
        let fault = wait_until(says, || async { row(&loft, device).await.fault }).await;
        assert!(fault.contains(says), "{fault}");
        assert!(!fault.contains('\n') && !fault.contains("lost"), "one line, no secret: {fault}");
        assert!(kept(&loft, device).await.is_empty(), "no reading");
    }
    // One address is one device: the password is tried once the user is out of the way.
    loft.service.store.retire_device("name", loft.service.clock.now()).await.unwrap();
    let device = watch(&loft, "password", port(3), user("loft", "wrong-curtain")).await;
    let fault = wait_until("the wrong password", || async { row(&loft, device).await.fault }).await;
    assert!(fault.contains("password"), "{fault}");
    running.drain().await;
    agents.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn silence_is_asked_after_ever_more_seldom() {
    let mut loft = Loft::open_with(moment("2026-10-20T10:00"), 0, 3600.0, |scenario| {
        scenario.printers.truncate(1);
    })
    .await;
    loft.service.rules.practice.dark_after = SignedDuration::from_hours(100);
    let silent = UdpSocket::bind("127.0.0.1:0").await.unwrap();
    let store = &loft.service.store;
    store.retire_device("Bobbin", loft.opened).await.unwrap();
    let device = watch(&loft, "mute", silent.local_addr().unwrap().port(), community("public")).await;
    let mut running = Running::new();
    running.start_poller(&loft.service, &settings(Duration::from_millis(100)), None).unwrap();
    let mut asked = Vec::new();
    let mut buffer = [0; 2000];
    while asked.len() < 5 {
        let heard = tokio::time::timeout(crate::support::DEADLINE, silent.recv_from(&mut buffer));
        heard.await.expect("it is asked again and again").unwrap();
        asked.push(Instant::now());
    }
    running.drain().await;
    let waits: Vec<f64> = asked.windows(2).map(|pair| (pair[1] - pair[0]).as_secs_f64()).collect();
    // In hours of the room's clock, with at most a tenth taken off: a quarter, a half, one, and no more.
    for (wait, least) in waits.iter().zip([0.225, 0.45, 0.9, 0.9]) {
        assert!(*wait >= least, "{waits:?}");
    }
    let targets = store.poll_targets().await.unwrap();
    let mute = targets.iter().find(|target| target.id == device).unwrap();
    assert!((4..=6).contains(&mute.failures), "{mute:?}");
    let spans: Vec<(i32, bool)> = sqlx::query_as("select polls, fault is not null from poll_span")
        .fetch_all(store.pool())
        .await
        .unwrap();
    assert!(spans.iter().all(|(_, failed)| *failed), "{spans:?}");
    assert_eq!(spans.iter().map(|(polls, _)| *polls).sum::<i32>(), i32::try_from(mute.failures).unwrap());
}

/// The printerV2Alert of RFC 3805 §6 as a trap of version 2c.
fn printer_alert() -> Vec<u8> {
    use mock_agent::message::{CommunityMessage, Pdu};
    use mock_agent::{Oid, Value};
    let alert = Value::ObjectId(Oid(vec![1, 3, 6, 1, 2, 1, 43, 18, 2, 0, 1]));
    let varbinds = vec![(Oid(vec![1, 3, 6, 1, 6, 3, 1, 1, 4, 1, 0]), alert)];
    let pdu = Pdu { kind: 0xa7, request_id: 1, status: 0, index: 0, varbinds };
    CommunityMessage { version: 1, community: b"public".to_vec(), pdu }.encode()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_machine_that_notifies_is_polled_at_once() {
    // A minute passes in a second: the schedule would poll again after a quarter of one.
    let loft = Loft::open(moment("2026-10-20T10:02"), 1, 60.0).await;
    let agents = loft.demo.go_live(&loft.service.store, &loft.service.clock).await.unwrap();
    let ear = UdpSocket::bind("127.0.0.1:0").await.unwrap();
    let at = ear.local_addr().unwrap();
    let mut running = Running::new();
    running.start_poller(&loft.service, &settings(Duration::from_secs(5)), Some(ear)).unwrap();
    let device = loft.demo.devices[0].0;
    let answered = || async { row(&loft, device).await.last_answer_at };
    let first = wait_until("the machine answers", answered).await;
    let sender = UdpSocket::bind("127.0.0.1:0").await.unwrap();
    let next = wait_until("it is polled for its hint", || async {
        sender.send_to(&printer_alert(), at).await.unwrap();
        answered().await.filter(|next| *next > first)
    })
    .await;
    let waited = next.duration_since(first);
    assert!(waited < SignedDuration::from_secs(800), "the schedule came first: {waited}");
    assert!(waited >= SignedDuration::from_secs(30), "polled again without rest: {waited}");
    running.drain().await;
    agents.stop().await;
}
