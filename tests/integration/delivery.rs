//! What is to be told is told, once for all that a person can tell, and is never lost.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::sync::Mutex;

use jiff::civil::time;
use jiff::{SignedDuration, Timestamp};
use ullage::domain::alert::Grade;
use ullage::domain::alert::recipient::{Channel, NoticeKind, Peace, Quiet, Recipient, Route};
use ullage::domain::ids::{DeviceId, RecipientId};
use ullage::domain::outlook::Present;
use ullage::domain::poll::Poll;
use ullage::domain::rules::Rules;
use ullage::store::Store;
use ullage::store::outbox::Due;
use ullage::usecase::alerts::answer;
use ullage::usecase::deliver::{Carrier, Delivered, Failure, Pace, deliver};
use ullage::usecase::ingest::ingest;

use crate::support::database::TestDatabase;
use crate::support::said::{INK, answered, at, device, present};

/// Keeps what it carries in memory, and fails as it is told.
#[derive(Default)]
struct Memory {
    carried: Mutex<Vec<Due>>,
    failures: Mutex<Vec<Failure>>,
}

impl Carrier for Memory {
    async fn carry(&self, due: &Due) -> Result<(), Failure> {
        self.carried.lock().unwrap().push(due.clone());
        self.failures.lock().unwrap().pop().map_or(Ok(()), Err)
    }
}

impl Memory {
    fn failing(failures: &[Failure]) -> Self {
        Self { failures: Mutex::new(failures.to_vec()), ..Self::default() }
    }

    /// What came, as recipients' addresses with the kinds that each message told.
    fn told(&self) -> Vec<(String, Vec<NoticeKind>)> {
        let kinds = |due: &Due| due.items.iter().map(|item| item.kind).collect();
        self.carried
            .lock()
            .unwrap()
            .iter()
            .map(|due| (due.address.as_ref().unwrap().expose().to_owned(), kinds(due)))
            .collect()
    }

    fn keys(&self) -> Vec<String> {
        self.carried.lock().unwrap().iter().map(|due| due.key.clone()).collect()
    }
}

fn somebody(name: &str, channel: Channel, hours: i64) -> Recipient {
    let route = Route { rule: None, device: None, unseen_for: SignedDuration::from_hours(hours) };
    Recipient {
        id: RecipientId(0),
        name: name.to_owned(),
        channel,
        address: format!("{name}@loft.example"),
        least: Grade::Other,
        peace: Peace::default(),
        wants_cleared: channel == Channel::Webhook,
        routes: vec![route],
    }
}

async fn hear(store: &Store, device: DeviceId, polls: impl IntoIterator<Item = Poll>) {
    for poll in polls {
        let present = Present { now: poll.at, ..present(0) };
        ingest(store, device, "Weft", &[poll], &present, &Rules::default()).await.unwrap();
    }
}

async fn run(store: &Store, carrier: &Memory, now: Timestamp) -> Delivered {
    let pace = Pace { again: SignedDuration::from_mins(1), apart: SignedDuration::from_mins(10) };
    deliver(store, carrier, &pace, || now).await.unwrap()
}

#[tokio::test]
async fn many_alerts_are_one_mail_and_a_call_each_and_nobody_is_told_twice() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    store.add_recipient(&somebody("ada", Channel::Mail, 0), at(0)).await.unwrap();
    store.add_recipient(&somebody("books", Channel::Webhook, 0), at(0)).await.unwrap();
    let weft = device(&store, "Weft").await;
    hear(&store, weft, [answered(1, 300, 1000)]).await;
    let carrier = Memory::default();
    run(&store, &carrier, at(1)).await;
    let mut told = carrier.told();
    told.sort();
    assert_eq!(told.len(), 3, "{told:?}");
    assert_eq!(told[0], ("ada@loft.example".to_owned(), vec![NoticeKind::Opened; 2]));
    run(&store, &carrier, at(2)).await;
    assert_eq!(carrier.told().len(), 3, "told once");
    let alerts = store.alerts(true, None, 9).await.unwrap();
    assert!(alerts.iter().all(|row| row.alert.told_at == Some(at(1))), "{alerts:?}");

    // What clears is told to the program alone.
    hear(&store, weft, (3..9).map(|n| answered(n, INK, 9900))).await;
    run(&store, &carrier, at(9)).await;
    let told = carrier.told().split_off(3);
    assert_eq!(told, vec![("books@loft.example".to_owned(), vec![NoticeKind::Cleared]); 2]);
}

#[tokio::test]
async fn a_message_keeps_its_key_over_every_try_and_is_given_up_in_sight() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    store.add_recipient(&somebody("ada", Channel::Mail, 0), at(0)).await.unwrap();
    let weft = device(&store, "Weft").await;
    hear(&store, weft, [answered(1, 300, 9000)]).await;
    let later = Failure::Later("the server sleeps".to_owned());
    let carrier = Memory::failing(&[Failure::Never("no such mailbox".to_owned()), later]);
    assert_eq!(run(&store, &carrier, at(1)).await.failed, 1);
    assert_eq!(run(&store, &carrier, at(1)).await, Delivered::default(), "its turn has not come");
    assert_eq!(run(&store, &carrier, at(2)).await.given_up, 1);
    let message = store.messages(9).await.unwrap().remove(0);
    assert_eq!((message.fault.as_deref(), message.given_up_at), (Some("no such mailbox"), Some(at(2))));
    assert_eq!(run(&store, &carrier, at(900)).await, Delivered::default(), "given up is given up");
    assert!(store.try_again(message.id, at(901)).await.unwrap());
    assert_eq!(run(&store, &carrier, at(901)).await.sent, 1);
    let keys = carrier.keys();
    assert!(keys.len() == 3 && keys.iter().all(|key| *key == keys[0]), "{keys:?}");
    assert!(!store.try_again(message.id, at(902)).await.unwrap(), "it was handed over");
}

#[tokio::test]
async fn a_program_killed_in_the_middle_leaves_a_message_whose_turn_comes_again() {
    let database = TestDatabase::new().await;
    let (store, other) = (database.store().await, database.store().await);
    store.add_recipient(&somebody("ada", Channel::Mail, 0), at(0)).await.unwrap();
    let weft = device(&store, "Weft").await;
    hear(&store, weft, [answered(1, 300, 9000)]).await;
    // Taken, and never heard of again: what a program leaves that is killed between handing over and noting it.
    store.bundle(at(1), SignedDuration::ZERO).await.unwrap();
    let next = |_| at(2);
    let taken = store.take_due(at(1), next).await.unwrap().unwrap();
    assert!(other.take_due(at(1), next).await.unwrap().is_none(), "it is with the first program");
    let carrier = Memory::default();
    run(&other, &carrier, at(2)).await;
    assert_eq!(carrier.keys(), [taken.key], "again, by the same key");
}

#[tokio::test]
async fn two_programs_that_empty_one_outbox_hand_nothing_over_twice() {
    let database = TestDatabase::new().await;
    let (store, other) = (database.store().await, database.store().await);
    for n in 0..20 {
        store.add_recipient(&somebody(&format!("books{n}"), Channel::Webhook, 0), at(0)).await.unwrap();
    }
    let weft = device(&store, "Weft").await;
    hear(&store, weft, [answered(1, 300, 1000)]).await;
    let carrier = Memory::default();
    tokio::join!(run(&store, &carrier, at(1)), run(&other, &carrier, at(1)));
    let mut keys = carrier.keys();
    let all = keys.len();
    keys.sort();
    keys.dedup();
    assert_eq!((all, keys.len()), (40, 40));
}

#[tokio::test]
async fn whoever_looks_spares_the_next_and_what_clears_in_time_is_never_told() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    store.add_recipient(&somebody("bea", Channel::Mail, 4), at(0)).await.unwrap();
    let (weft, warp) = (device(&store, "Weft").await, device(&store, "Warp").await);
    let carrier = Memory::default();
    hear(&store, weft, [answered(1, 300, 9000)]).await;
    hear(&store, warp, [answered(1, 300, 9000)]).await;
    run(&store, &carrier, at(2)).await;
    assert!(carrier.told().is_empty(), "four hours are not over");
    let id = store.alerts(true, Some(weft), 1).await.unwrap()[0].alert.id;
    answer(&store, id, None, ("Ada", ""), (&present(3), &Rules::default())).await.unwrap().unwrap();
    hear(&store, warp, (4..9).map(|n| answered(n, INK, 9000))).await;
    run(&store, &carrier, at(40)).await;
    assert!(carrier.told().is_empty(), "{:?}", carrier.told());
    // Nobody looks at the next one.
    hear(&store, warp, (41..50).map(|n| answered(n, 300, 9000))).await;
    run(&store, &carrier, at(70)).await;
    assert_eq!(carrier.told(), [("bea@loft.example".to_owned(), vec![NoticeKind::Unseen])]);
}

#[tokio::test]
async fn a_second_person_is_told_when_nobody_has_seen_it_for_so_long_and_not_at_night() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    store.add_recipient(&somebody("ada", Channel::Mail, 0), at(0)).await.unwrap();
    let id = store.add_recipient(&somebody("bea", Channel::Mail, 4), at(0)).await.unwrap();
    // 7 o'clock in the print room is poll 0; four hours after poll 40 is past nine in the evening.
    let night = Quiet { from: time(20, 0, 0, 0), until: time(7, 30, 0, 0) };
    let peace = Peace { quiet: Some(night), working_days_only: false };
    assert!(store.change_recipient(id, Grade::Warning, peace).await.unwrap());
    assert!(!store.change_recipient(RecipientId(id.0 + 1), Grade::Warning, peace).await.unwrap());
    let weft = device(&store, "Weft").await;
    let carrier = Memory::default();
    hear(&store, weft, [answered(40, 300, 9000)]).await;
    run(&store, &carrier, at(40)).await;
    assert_eq!(carrier.told(), [("ada@loft.example".to_owned(), vec![NoticeKind::Opened])]);
    // Four hours later it is night; half past seven in the morning is poll 98.
    for n in [56, 60, 97] {
        run(&store, &carrier, at(n)).await;
        assert_eq!(carrier.told().len(), 1, "poll {n}");
    }
    run(&store, &carrier, at(98)).await;
    assert_eq!(carrier.told()[1..], [("bea@loft.example".to_owned(), vec![NoticeKind::Unseen])]);
    run(&store, &carrier, at(400)).await;
    assert_eq!(carrier.told().len(), 2, "each is told once");
}
