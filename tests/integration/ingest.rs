//! Polls into a real database: all of a poll or nothing, and once.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use jiff::SignedDuration;
use ullage::demo::bring_in;
use ullage::domain::ids::DeviceId;
use ullage::domain::poll::Poll;
use ullage::domain::rules::Rules;
use ullage::store::Store;
use ullage::usecase::ingest::ingest;

use crate::support::contents::{assert_same, contents};
use crate::support::database::TestDatabase;
use crate::support::loft::{Loft, moment};
use crate::support::said::{answered, device, present, silent};
use crate::support::wait_until;

async fn take(store: &Store, device: DeviceId, polls: &[Poll], n: i64) {
    ingest(store, device, "Bobbin", polls, &present(n), &Rules::default()).await.unwrap();
}

async fn count(store: &Store, table: &str) -> i64 {
    let sql = format!("select count(*) from {table}");
    sqlx::query_scalar(sqlx::AssertSqlSafe(sql)).fetch_one(store.pool()).await.unwrap()
}

#[tokio::test]
async fn a_poll_is_one_transaction() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    take(&store, bobbin, &[answered(1, 4000, 600)], 1).await;
    // Low ink and a receptacle past its order point: every table that a poll can reach has a row.
    take(&store, bobbin, &[answered(2, 3990, 590), answered(3, 3980, 580)], 3).await;
    let written = ["device", "poll_span", "slot", "outlook", "install", "marker_month", "alert"];
    let mut transactions: Vec<(String, String)> = Vec::new();
    for table in written {
        let sql = format!("select distinct xmin::text from {table} order by 1 desc limit 1");
        let found = sqlx::query_scalar(sqlx::AssertSqlSafe(sql)).fetch_all(store.pool()).await.unwrap();
        transactions.extend(found.into_iter().map(|xmin: String| (table.to_owned(), xmin)));
    }
    assert_eq!(transactions.len(), written.len());
    // The alert was opened by the first poll; the rest was written anew by the second batch.
    let (alert, rest) = transactions.split_last().unwrap();
    assert!(rest.iter().all(|(_, xmin)| *xmin == rest[0].1), "{transactions:?}");
    assert_ne!(alert.1, rest[0].1);
}

#[tokio::test]
async fn a_failed_poll_is_recorded_as_such_and_is_no_reading() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    take(&store, bobbin, &[silent(1)], 1).await;
    assert_eq!(count(&store, "reading").await + count(&store, "slot").await, 0);
    take(&store, bobbin, &[answered(2, 4000, 9000), silent(3), silent(4)], 4).await;
    assert_eq!(count(&store, "reading").await, 2, "one for each supply, from the one answer");
    let spans: Vec<(i32, Option<String>)> =
        sqlx::query_as("select polls, fault from poll_span order by started_at")
            .fetch_all(store.pool())
            .await
            .unwrap();
    let fault = Some("it did not answer".to_owned());
    assert_eq!(spans, [(1, fault.clone()), (1, None), (2, fault.clone())]);
    let row = store.devices(None).await.unwrap().remove(0);
    assert_eq!(row.fault, fault);
    assert_eq!(row.last_answer_at, Some(present(2).now));
    assert_eq!(store.poll_targets().await.unwrap()[0].failures, 2);
    let seen: Vec<bool> = sqlx::query_scalar("select seen_at = $1::timestamptz from slot")
        .bind(present(2).now.to_string())
        .fetch_all(store.pool())
        .await
        .unwrap();
    assert_eq!(seen, [true, true], "silence confirms no level");
}

#[tokio::test]
async fn a_batch_brought_in_twice_counts_once() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    let polls: Vec<Poll> =
        (1..40)
            .map(|n| {
                if n % 7 == 0 { silent(n) } else { answered(n, 4000 - 10 * i32::try_from(n).unwrap(), 9000) }
            })
            .collect();
    take(&store, bobbin, &polls, 40).await;
    let once = contents(store.pool()).await;
    assert!(once["reading"].len() > 30);
    take(&store, bobbin, &polls, 41).await;
    take(&store, bobbin, &polls[10..20], 42).await;
    assert_same(&once, &contents(store.pool()).await);
}

/// Two machines for a day, one of them with jitter and silent for so long that it is called dark; a swap.
async fn a_day() -> Loft {
    let mut loft = Loft::open_with(moment("2026-10-27T10:00"), 1, 1.0, |scenario| {
        scenario.printers.retain(|printer| printer.name == "Bobbin" || printer.name == "Tassel");
        scenario.printers[0].inks[1].swapped_on = Some(-1);
        let silence = mock_agent::DarkPlan { from: -0.9, until: Some(-0.4), still_working: true };
        scenario.printers[1].dark.push(silence);
    })
    .await;
    loft.service.rules.practice.dark_after = SignedDuration::from_hours(6);
    loft
}

#[tokio::test]
async fn polls_one_by_one_give_what_one_batch_gives() {
    let (one, all) = (a_day().await, a_day().await);
    let until = moment("2026-10-27T09:00");
    bring_in(&all.service, &all.demo, (all.opened, until), |_| {}, || true).await.unwrap();
    let mut at = one.opened;
    while at < until {
        let next = at + SignedDuration::from_mins(15);
        bring_in(&one.service, &one.demo, (at, next), |_| {}, || true).await.unwrap();
        at = next;
    }
    let (one, all) = (contents(one.service.store.pool()).await, contents(all.service.store.pool()).await);
    assert_eq!(all["install"].len(), 8, "seven supplies, and one swap");
    assert!(all["alert"].iter().any(|row| row.contains("dark")), "{:?}", all["alert"]);
    assert_same(&all, &one);
}

/// A level that wavers and then stands still is fitted anew when it moves again, and not before.
#[tokio::test]
async fn levels_that_stand_still_are_booked_the_same_one_by_one_and_in_a_batch() {
    let (first, second) = (TestDatabase::new().await, TestDatabase::new().await);
    let (one, all) = (first.store().await, second.store().await);
    let (of_one, of_all) = (device(&one, "Bobbin").await, device(&all, "Bobbin").await);
    let levels = [4000, 3990, 3994, 3994, 3994, 3994, 3980, 3985, 3985, 3985, 3985, 3985];
    let polls: Vec<Poll> = (1..).zip(levels).map(|(n, level)| answered(n, level, 9000)).collect();
    take(&all, of_all, &polls, 20).await;
    for poll in &polls {
        take(&one, of_one, std::slice::from_ref(poll), 20).await;
    }
    assert_same(&contents(all.pool()).await, &contents(one.pool()).await);
}

#[tokio::test]
async fn a_poll_that_fails_in_the_middle_keeps_nothing_and_can_be_brought_in_again() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    take(&store, bobbin, &[answered(1, 4000, 9000)], 1).await;
    let before = contents(store.pool()).await;
    let polls = [answered(2, 3900, 8900), answered(3, 3800, 8800)];

    // Outlooks are written last: whoever holds them stops the poll when all the rest is written.
    let other = database.store().await;
    let mut holder = other.pool().begin().await.unwrap();
    sqlx::query("lock table outlook in exclusive mode").execute(&mut *holder).await.unwrap();
    let (taker, batch) = (store.clone(), polls.clone());
    let under_way = tokio::spawn(async move {
        ingest(&taker, bobbin, "Bobbin", &batch, &present(3), &Rules::default()).await
    });
    let pool = other.pool().clone();
    let waiting: i32 = wait_until("the poll waits for the lock", || async {
        sqlx::query_scalar(
            "select pid from pg_stat_activity
             where datname = current_database() and wait_event_type = 'Lock'",
        )
        .fetch_optional(&pool)
        .await
        .unwrap()
    })
    .await;
    let killed: bool =
        sqlx::query_scalar("select pg_terminate_backend($1)").bind(waiting).fetch_one(&pool).await.unwrap();
    assert!(killed);
    let failed = under_way.await.unwrap();
    assert!(failed.is_err(), "a lost connection is told");
    holder.rollback().await.unwrap();
    assert_same(&before, &contents(store.pool()).await);

    take(&store, bobbin, &polls, 3).await;
    assert_eq!(count(&store, "reading").await, 6);
}

#[tokio::test]
async fn a_device_that_is_no_longer_watched_is_passed_over() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    take(&store, bobbin, &[answered(1, 4000, 9000)], 1).await;
    assert!(store.retire_device("Bobbin", present(2).now).await.unwrap());
    let before = contents(store.pool()).await;
    take(&store, bobbin, &[answered(3, 3000, 8000)], 3).await;
    assert_same(&before, &contents(store.pool()).await);
    assert!(store.poll_targets().await.unwrap().is_empty());
    // Its name and address are free for its successor, which starts anew.
    let successor = device(&store, "Bobbin").await;
    take(&store, successor, &[answered(4, 5000, 10_000)], 4).await;
    assert_eq!(store.devices(None).await.unwrap().len(), 1);
    assert_eq!(count(&store, "reading").await, 4);
}

/// What is there of one machine whose clock-keeper put the clock back: three polls, two from before, and what follows.
#[tokio::test]
async fn a_clock_that_was_put_back_leaves_readings_in_order() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    take(&store, bobbin, &[answered(8, 4000, 9000), answered(9, 3900, 9000)], 9).await;
    let before = contents(store.pool()).await;
    // Put back by an hour: what is asked now comes at times that lie before the last.
    take(&store, bobbin, &[answered(5, 3890, 9000)], 5).await;
    take(&store, bobbin, &[answered(6, 3880, 9000), silent(7)], 7).await;
    take(&store, bobbin, &[answered(9, 3870, 9000)], 9).await;
    assert_same(&before, &contents(store.pool()).await);
    // Once it has caught up, what was used meanwhile is seen at once, in order.
    take(&store, bobbin, &[answered(10, 3860, 9000)], 10).await;
    let levels: Vec<i32> = sqlx::query_scalar(
        "select reading.level from reading join slot on slot.id = slot_id where supply_index = 1 order by at",
    )
    .fetch_all(store.pool())
    .await
    .unwrap();
    assert_eq!(levels, [4000, 3900, 3860]);
    let row = store.devices(None).await.unwrap().remove(0);
    assert_eq!((row.last_answer_at, row.fault), (Some(present(10).now), None));
}
