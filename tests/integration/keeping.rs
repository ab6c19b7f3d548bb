//! Readings over years: packed, one a day, and nothing that was worked out from them changes.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};
use ullage::demo::bring_in;
use ullage::domain::ids::{DeviceId, SlotId};
use ullage::domain::month::Month;
use ullage::domain::outlook::Present;
use ullage::domain::polarity::PinScope;
use ullage::domain::reading::Polarity;
use ullage::domain::rules::Rules;
use ullage::report::csv;
use ullage::store::Store;
use ullage::store::keeping::ByMonth;
use ullage::store::past::KeptReading;
use ullage::store::supply::Readings;
use ullage::usecase::book::Note;
use ullage::usecase::ingest::ingest;
use ullage::usecase::keeping::{Tidied, tidy};
use ullage::usecase::month::month_report;
use ullage::usecase::slots::{Telling, tell};

use crate::support::chance::Chance;
use crate::support::contents::contents;
use crate::support::database::TestDatabase;
use crate::support::loft::{Loft, moment};
use crate::support::said::{answered, at, device, present};
use crate::support::wait_until;

/// What is worked out from readings: units, the ledger, and what is asked.
async fn worked_out(store: &Store) -> BTreeMap<String, Vec<String>> {
    let mut all = contents(store.pool()).await;
    all.retain(|table, _| ["install", "ledger_day", "question"].contains(&table.as_str()));
    all
}

async fn number(store: &Store, sql: &'static str) -> i64 {
    sqlx::query_scalar(sql).fetch_one(store.pool()).await.unwrap()
}

/// Has everything of a machine worked out anew from the readings that are kept.
async fn anew(store: &Store, device: DeviceId, present: &Present) {
    sqlx::query("update slot_track set version = 0").execute(store.pool()).await.unwrap();
    let nothing = Telling::Counts { scope: PinScope::Device(device), polarity: None };
    let note = Note { who: "Ada".to_owned(), why: String::new() };
    tell(store, device, &nothing, &note, None, (present, &Rules::default())).await.unwrap().unwrap();
    let stale = sqlx::query_scalar::<_, i64>(
        "select count(*) from slot_track join slot on slot.id = slot_id where version = 0 and slot.device_id = $1",
    );
    assert_eq!(stale.bind(device.0).fetch_one(store.pool()).await.unwrap(), 0);
}

async fn all_anew(loft: &Loft, present: &Present) -> BTreeMap<String, Vec<String>> {
    for (device, _) in &loft.demo.devices {
        anew(&loft.service.store, *device, present).await;
    }
    worked_out(&loft.service.store).await
}

async fn reports(store: &Store, present: &Present) -> Vec<String> {
    let mut files = Vec::new();
    for month in ["2026-08", "2026-09", "2026-10"] {
        let month: Month = month.parse().unwrap();
        let report = month_report(store, month, present).await.unwrap();
        files.push(String::from_utf8(csv::month(&report).unwrap()).unwrap());
    }
    files
}

/// A machine that counts tenths of a millilitre and one with jitter, from the 31st of August to the 12th of October;
/// by the 20th of December, with two months in detail, August and September have one reading a day.
async fn old_loft() -> (Loft, Present, Present) {
    let now = moment("2026-10-12T10:00");
    let some = |scenario: &mut mock_agent::Scenario| {
        scenario.printers.retain(|printer| ["Bobbin", "Tassel"].contains(&printer.name.as_str()));
    };
    let loft = Loft::open_with(now, 42, f64::MIN_POSITIVE, some).await;
    bring_in(&loft.service, &loft.demo, (loft.opened, now), |_| {}, || true).await.unwrap();
    let zone = loft.service.zone.clone();
    let later = Present { now: moment("2026-12-20T10:00"), zone: zone.clone() };
    (loft, Present { now, zone }, later)
}

/// A slot's readings as pages ask for them: a span, pages backwards, and what follows a moment.
async fn asked(store: &Store, of: (DeviceId, SlotId), now: Timestamp) -> Vec<Vec<KeptReading>> {
    let from = now - SignedDuration::from_hours(24 * 30);
    let mut answers = vec![store.readings_of(of, Readings::Between(from, now)).await.unwrap()];
    let mut before = None;
    loop {
        let page = store.readings_of(of, Readings::Before(before, 700)).await.unwrap();
        let Some(first) = page.first().map(|reading| reading.at) else { break };
        before = Some(first);
        answers.push(page);
        answers.push(store.readings_of(of, Readings::From(first, 16)).await.unwrap());
    }
    answers
}

/// Every slot's readings as pages ask for them, and as charts do.
async fn pages(loft: &Loft, now: Timestamp) -> Vec<Vec<Vec<KeptReading>>> {
    let store = &loft.service.store;
    let slots: Vec<(i64, i64)> =
        sqlx::query_as("select device_id, id from slot order by id").fetch_all(store.pool()).await.unwrap();
    let mut all = Vec::new();
    for (device, slot) in slots {
        all.push(asked(store, (DeviceId(device), SlotId(slot)), now).await);
    }
    all
}

async fn charts(loft: &Loft, now: Timestamp) -> Vec<String> {
    let mut all = Vec::new();
    for (device, _) in &loft.demo.devices {
        let from = now - SignedDuration::from_hours(24 * 30);
        all.push(format!("{:?}", loft.service.store.readings_between(*device, from, now).await.unwrap()));
    }
    all
}

#[tokio::test]
async fn packed_and_thinned_out_readings_change_nothing_that_was_worked_out() {
    let (loft, present, later) = old_loft().await;
    let store = &loft.service.store;
    let before = worked_out(store).await;
    assert!(before["install"].len() > 10 && before["ledger_day"].len() > 100);
    let told = reports(store, &present).await;
    let readings = number(store, "select count(*) from reading_all").await;
    let (shown, drawn) = (pages(&loft, present.now).await, charts(&loft, present.now).await);
    assert!(shown.iter().any(|answers| answers.len() > 5), "none has many pages");

    let done = tidy(store, 0, &later, || true).await.unwrap();
    assert_eq!(done, Tidied { packed: 6, thinned: 0 });
    assert_eq!(number(store, "select count(*) from reading").await, 0, "all of it is packed");
    assert_eq!(number(store, "select count(*) from reading_all").await, readings);
    assert_eq!(pages(&loft, present.now).await, shown);
    assert_eq!(charts(&loft, present.now).await, drawn);

    // A step at a time, as if it were killed after each.
    for _ in 0..4 {
        let steps = std::cell::Cell::new(0);
        tidy(store, 2, &later, || steps.replace(steps.get() + 1) == 0).await.unwrap();
    }
    assert_eq!(number(store, "select count(*) from reading_month where not daily").await, 2, "October");
    assert_eq!(tidy(store, 2, &later, || true).await.unwrap(), Tidied::default(), "once is enough");
    let left = number(store, "select count(*) from reading_all").await;
    assert!(left * 2 < readings, "{left} of {readings}");
    assert_eq!(worked_out(store).await, before);
    assert_eq!(all_anew(&loft, &present).await, before, "worked out anew");
    assert_eq!(reports(store, &present).await, told);

    // What comes then is followed as if nothing had been thinned out.
    let next = Present { now: present.now + SignedDuration::from_hours(30), ..present.clone() };
    bring_in(&loft.service, &loft.demo, (present.now, next.now), |_| {}, || true).await.unwrap();
    let live = worked_out(store).await;
    assert_eq!(all_anew(&loft, &next).await, live);
    followed_afresh(&loft, &next).await;
    sqlx::query("delete from slot_base").execute(store.pool()).await.unwrap();
    let without = all_anew(&loft, &next).await;
    assert_ne!(without["ledger_day"], live["ledger_day"], "the followers that were kept are needed");
}

/// Followers that cannot be gone on with: the past stays all the same, and adds up.
async fn followed_afresh(loft: &Loft, present: &Present) {
    let store = &loft.service.store;
    let past = "select sum(used) from ledger_day where day < '2026-09-30'";
    let used: f64 = sqlx::query_scalar(past).fetch_one(store.pool()).await.unwrap();
    sqlx::query("update slot_base set state = '{}'").execute(store.pool()).await.unwrap();
    all_anew(loft, present).await;
    let kept: f64 = sqlx::query_scalar(past).fetch_one(store.pool()).await.unwrap();
    assert!((used - kept).abs() < 1e-6, "{used} ml, then {kept} ml");
    let unsettled = "select count(*) from install join lateral (
                         select coalesce(sum(used), 0) as used from ledger_day where install_id = install.id) as sum
                     on true where abs(start_left - end_left - used) > 1e-6 * greatest(1, start_left)
                     and end_left <= start_left";
    assert_eq!(number(store, unsettled).await, 0, "units whose ledger does not add up");
    let unpinned = loft.demo.devices[0].0;
    let pin = Telling::Counts { scope: PinScope::Device(unpinned), polarity: Some(Polarity::Filled) };
    let note = Note { who: "Ada".to_owned(), why: String::new() };
    tell(store, unpinned, &pin, &note, None, (present, &Rules::default())).await.unwrap().unwrap();
    assert_eq!(number(store, unsettled).await, 0, "the other way to count holds from the detail on");
}

#[tokio::test]
async fn what_no_month_is_made_for_is_kept_and_moved_once_it_is() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    let polls: Vec<_> = (0..8).map(|n| answered(n, 5000 - 5 * i32::try_from(n).unwrap(), 9000)).collect();
    ingest(&store, bobbin, "Bobbin", &polls, &present(8), &Rules::default()).await.unwrap();
    let elsewhere = "select count(*) from reading_other";
    assert_eq!(number(&store, elsewhere).await, 9, "September had no part of its own");
    let september = at(0).to_zoned(jiff::tz::TimeZone::UTC).date().first_of_month();
    for table in [ByMonth::Readings, ByMonth::Runs] {
        assert!(store.make_month(table, september).await.unwrap());
        assert!(!store.make_month(table, september).await.unwrap(), "once");
    }
    assert_eq!(number(&store, elsewhere).await, 0);
    assert_eq!(number(&store, "select count(*) from reading_2026_09").await, 9);
    assert_eq!(number(&store, "select count(*) from poll_span_2026_09").await, 1);
    // The run goes on in it.
    ingest(&store, bobbin, "Bobbin", &[answered(8, 4000, 9000)], &present(8), &Rules::default())
        .await
        .unwrap();
    assert_eq!(number(&store, "select sum(polls) from poll_span").await, 9);
    assert_eq!(store.drop_empty_months(september).await.unwrap(), 0, "it is not empty");
    // A machine that is taken away takes its readings along, wherever they are.
    tidy(&store, 0, &present(100 * 96), || true).await.unwrap();
    assert_eq!(number(&store, "select count(*) from reading_all").await, 10);
    sqlx::query("delete from device").execute(store.pool()).await.unwrap();
    assert_eq!(number(&store, "select count(*) from reading_all").await, 0);
}

#[tokio::test]
async fn a_month_that_is_over_keeps_no_room_of_what_was_written_over() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    // Steps of many sizes, so that a month takes some octets.
    let mut chance = Chance(7);
    let polls: Vec<_> = (0..2000_i32)
        .map(|n| {
            let mut of = |full: i32| full - 2 * n - i32::try_from(chance.below(19)).unwrap();
            answered(i64::from(n), of(4900), of(9000))
        })
        .collect();
    ingest(&store, bobbin, "Bobbin", &polls, &present(2000), &Rules::default()).await.unwrap();
    tidy(&store, 0, &present(2000), || true).await.unwrap();
    let october = present(40 * 96).now.to_zoned(jiff::tz::TimeZone::UTC).date().first_of_month();
    let room = "select pg_total_relation_size('reading_month_2026_09')";
    assert_eq!(store.write_loose_months_anew(october).await.unwrap(), 0, "nothing was written over");
    // Whenever PostgreSQL cleans up by itself: not in the middle of this.
    let alone =
        "alter table reading_month_2026_09 set (autovacuum_enabled = off, toast.autovacuum_enabled = off)";
    sqlx::raw_sql(alone).execute(store.pool()).await.unwrap();
    for _ in 0..80 {
        // As packing does each day.
        let written = "update reading_month set level_steps = level_steps[:], place_steps = place_steps[:]";
        sqlx::raw_sql(written).execute(store.pool()).await.unwrap();
    }
    let (before, read) =
        (number(&store, room).await, number(&store, "select sum(level) from reading_all").await);
    let september = october.checked_sub(jiff::Span::new().months(1)).unwrap();
    assert_eq!(store.write_loose_months_anew(september).await.unwrap(), 0, "it is not over");
    assert_eq!(store.write_loose_months_anew(october).await.unwrap(), 1);
    // While PostgreSQL takes samples of a table, old rows have to stay: then the next day's job does it.
    wait_until("nothing is written anew any more", || async {
        (store.write_loose_months_anew(october).await.unwrap() == 0).then_some(())
    })
    .await;
    let after = number(&store, room).await;
    assert!(after * 2 < before, "{before} octets became {after}");
    assert_eq!(number(&store, "select sum(level) from reading_all").await, read);
}
