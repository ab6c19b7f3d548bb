//! What was forecast is kept, held against what came, and not worked out without need.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::collections::BTreeMap;

use jiff::civil::Date;
use ullage::domain::ids::{DeviceId, SlotId};
use ullage::domain::month::{Forecasts, Month};
use ullage::domain::outlook::Forecast;
use ullage::domain::poll::Poll;
use ullage::domain::rightness::Came;
use ullage::domain::rules::Rules;
use ullage::store::Store;
use ullage::store::outlooks::{OutlookRow, Wanted};
use ullage::usecase::ingest::ingest;
use ullage::usecase::month::month_report;
use ullage::usecase::rightness::{due_in_month, past_forecasts};

use crate::support::database::TestDatabase;
use crate::support::said::{answered, device, present, silent};

/// Polls a day.
const DAY: i64 = 96;

async fn take(store: &Store, device: DeviceId, polls: &[Poll], n: i64, rules: &Rules) {
    ingest(store, device, "Bobbin", polls, &present(n), rules).await.unwrap();
}

/// Days of ten millilitres each between eight and four o'clock from a level of 500 ml, a swap when it is gone; the
/// receptacle takes one a day. One batch a day, at its end.
async fn live_through(store: &Store, bobbin: DeviceId, days: i64) {
    for day in 0..days {
        let polls: Vec<Poll> = (0..DAY)
            .map(|quarter| {
                let spent = 100 * day + (quarter * 100 / 32).min(100);
                let (ink, room) = (5000 - spent % 5000, 9000 - 10 * day);
                answered(day * DAY + quarter + 1, i32::try_from(ink).unwrap(), i32::try_from(room).unwrap())
            })
            .collect();
        take(store, bobbin, &polls, (day + 1) * DAY, &Rules::default()).await;
    }
}

async fn ink(store: &Store) -> SlotId {
    SlotId(
        sqlx::query_scalar("select id from slot where supply_index = 1")
            .fetch_one(store.pool())
            .await
            .unwrap(),
    )
}

fn day(text: &str) -> Date {
    text.parse().unwrap()
}

#[tokio::test]
async fn a_days_first_forecast_is_kept_and_held_against_what_was_used() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    live_through(&store, bobbin, 70).await;
    let now = present(70 * DAY);
    let ink = ink(&store).await;
    let ever = (day("2026-01-01"), day("2026-12-31"));
    let kept = past_forecasts(&store, ink, ever, &now).await.unwrap();
    // The first ten days give no forecast; there is one of each day since.
    assert_eq!(kept.first().unwrap().0.day, day("2026-09-11"));
    assert_eq!(kept.len(), 61);
    let (first, verdict) = &kept[0];
    // What was left that morning, and what had gone since midnight: 400 ml last another forty days.
    assert!((first.to_use - 400.0).abs() < 11.0, "{first:?}");
    let verdict = verdict.unwrap();
    assert_eq!(verdict.came, Came::Within, "{first:?} {verdict:?}");
    assert_eq!(verdict.ended, Some(day("2026-10-21")));
    assert_eq!(kept.last().unwrap().1, None, "what was said today is open");
    let october = due_in_month(&store, "2026-10".parse::<Month>().unwrap(), &now).await.unwrap();
    assert!(october.judged() >= 2 && october.within == october.judged(), "{october:?}");
    assert!(october.mean_days_off.unwrap() < 4.0, "{october:?}");
    let report = month_report(&store, "2026-10".parse().unwrap(), &now).await.unwrap();
    assert_eq!(report.forecasts, Forecasts::from(october), "the month's report tells it");
    let august = month_report(&store, "2026-08".parse().unwrap(), &now).await.unwrap();
    assert_eq!(august.forecasts, Forecasts::NotKept);
}

#[tokio::test]
async fn only_the_first_of_each_old_week_is_kept_and_nothing_of_a_silent_machine() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    live_through(&store, bobbin, 91).await;
    let days: Vec<Date> =
        sqlx::query_scalar("select day::text from outlook_day where slot_id = $1 order by day")
            .bind(ink(&store).await.0)
            .fetch_all(store.pool())
            .await
            .unwrap()
            .iter()
            .map(|text: &String| text.parse().unwrap())
            .collect();
    // The last day is 1 December; sixty days before is 2 October, so that September is over for long enough. Its last
    // week began in it, and goes on by the day.
    let mondays = ["2026-09-14", "2026-09-21", "2026-09-28"].map(day);
    assert_eq!(days[..5], [day("2026-09-11"), mondays[0], mondays[1], mondays[2], day("2026-10-01")]);
    assert_eq!(days.len(), 4 + 31 + 30 + 1);
    let (n, rules) = (93 * DAY, Rules::default());
    take(&store, bobbin, &[silent(n)], n, &rules).await;
    let row = store.forecasts_of(ink(&store).await, (day("2026-12-02"), day("2026-12-31"))).await.unwrap();
    assert_eq!(row, [], "of a machine that does not answer nothing new is known");
}

/// The moments and versions of outlooks: `ctid` changes with each writing, so what was worked out is told by `xmin`
/// of the pace, which is written with it and is not touched when an outlook is only confirmed.
async fn worked_out(store: &Store) -> BTreeMap<i64, String> {
    sqlx::query_as("select slot_id, xmin::text from slot_pace")
        .fetch_all(store.pool())
        .await
        .unwrap()
        .into_iter()
        .collect()
}

#[tokio::test]
async fn a_poll_without_news_confirms_what_is_said_and_works_out_nothing() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    live_through(&store, bobbin, 20).await;
    let n = 20 * DAY;
    let rules = Rules::default();
    // The first poll after midnight works out both supplies; later ones of the same quarter of the day none.
    take(&store, bobbin, &[answered(n + 1, 3000, 8810)], n + 1, &rules).await;
    let before = worked_out(&store).await;
    assert_eq!(before.len(), 2);
    take(&store, bobbin, &[answered(n + 2, 3000, 8810)], n + 2, &rules).await;
    assert_eq!(worked_out(&store).await, before);
    let as_of: Vec<bool> = sqlx::query_scalar("select as_of = $1::timestamptz from outlook")
        .bind(present(n + 2).now.to_string())
        .fetch_all(store.pool())
        .await
        .unwrap();
    assert_eq!(as_of, [true, true], "it is confirmed as of now");
    // Ink that went is news of the ink alone; other rules are news of everything.
    take(&store, bobbin, &[answered(n + 3, 2990, 8810)], n + 3, &rules).await;
    let after = worked_out(&store).await;
    let changed: Vec<i64> = after.keys().copied().filter(|slot| after[slot] != before[slot]).collect();
    assert_eq!(changed, [ink(&store).await.0]);
    let mut others = Rules::default();
    others.practice.lead_days = 30;
    take(&store, bobbin, &[answered(n + 4, 2990, 8810)], n + 4, &others).await;
    let last = worked_out(&store).await;
    assert!(last.iter().all(|(slot, xmin)| *xmin != after[slot]), "{last:?} {after:?}");
    let order_by = store.outlooks(Wanted::Device(bobbin)).await.unwrap();
    assert!(order_by.iter().all(|row| row.basis.is_some()));
}

#[tokio::test]
async fn a_new_machine_borrows_from_others_of_its_model_and_says_so_by_a_wider_spread() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let settled = ["Bobbin", "Tassel"];
    for name in settled {
        let device = device(&store, name).await;
        live_through(&store, device, 40).await;
    }
    let young = device(&store, "Selvage").await;
    let n = 40 * DAY + 1;
    take(&store, young, &[answered(n, 4000, 9000)], n, &Rules::default()).await;
    let said = |rows: Vec<OutlookRow>| rows.into_iter().map(|row| row.outlook.forecast).collect::<Vec<_>>();
    let lent = said(store.outlooks(Wanted::Device(young)).await.unwrap());
    let lent = lent[0].horizon().expect("two machines of the model lend");
    let today = present(n).today();
    let days = |day: Date| day.since(today).unwrap().total((jiff::Unit::Day, today)).unwrap();
    // 400 ml at about ten a day; nobody knows yet whether this machine is used like the others.
    assert!((20.0..60.0).contains(&days(lent.middle)), "{lent:?}");
    assert!(days(lent.late) > 2.0 * days(lent.early), "{lent:?}");
    let lone = TestDatabase::new().await;
    let store = lone.store().await;
    let alone = device(&store, "Selvage").await;
    take(&store, alone, &[answered(n, 4000, 9000)], n, &Rules::default()).await;
    let rows = said(store.outlooks(Wanted::Device(alone)).await.unwrap());
    assert_eq!(rows[0], Forecast::NotYet("0 of the 10 days of history it needs are in".to_owned()));
}
