//! Past readings from files: the same as if they had been polled, once, and never against what is kept.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::fmt::Write;
use std::path::Path;

use ullage::domain::poll::Poll;
use ullage::domain::reading::Role;
use ullage::domain::rules::Rules;
use ullage::domain::standard::SupplyUnit;
use ullage::store::Store;
use ullage::usecase::import::{Imported, PastRow, PastSlot, Refusal, import};
use ullage::usecase::ingest::ingest;

use crate::support::contents::{assert_same, contents};
use crate::support::database::TestDatabase;
use crate::support::program::ullage;
use crate::support::said::{INK, WASTE, answered, at, device, present};

/// A job, a swap, and a receptacle that fills.
fn polls(from: i64, to: i64) -> Vec<Poll> {
    let level = |n: i64| i32::try_from(if n < 30 { 900 - 20 * n } else { 5000 - 15 * (n - 30) }).unwrap();
    (from..to).map(|n| answered(n, level(n), 9000 - i32::try_from(n).unwrap())).collect()
}

fn slots() -> Vec<PastSlot> {
    let slot = |name: &str, role| PastSlot {
        name: name.to_owned(),
        role,
        unit: SupplyUnit::TenthsOfMilliliters,
        first_ml: None,
    };
    vec![slot("1", Role::Consumed), slot("2", Role::Filled)]
}

/// The same as rows of a file, slot after slot.
fn rows(polls: &[Poll]) -> Vec<PastRow> {
    let of = |slot: usize| {
        polls.iter().map(move |poll| {
            let supply = &poll.outcome.as_ref().unwrap().supplies[slot];
            PastRow { line: 0, slot, at: poll.at, max_capacity: supply.max_capacity, level: supply.level }
        })
    };
    of(0).chain(of(1)).zip(2..).map(|(row, line)| PastRow { line, ..row }).collect()
}

async fn bring(store: &Store, rows: Vec<PastRow>) -> Result<Imported, Refusal> {
    let site = store.put_site("Vellmoor Opera print loft", "Europe/Lisbon").await.unwrap();
    import(store, (site, "Bobbin"), &slots(), rows, &present(100), &Rules::default()).await.unwrap()
}

#[tokio::test]
async fn a_file_gives_what_polls_would_have_given_and_twice_gives_nothing_more() {
    let (first, second) = (TestDatabase::new().await, TestDatabase::new().await);
    let (polled, brought) = (first.store().await, second.store().await);
    let bobbin = device(&polled, "Bobbin").await;
    ingest(&polled, bobbin, "Bobbin", &polls(1, 60), &present(100), &Rules::default()).await.unwrap();
    let all = rows(&polls(1, 60));
    let some: Vec<PastRow> = all.iter().filter(|row| row.at < at(40)).copied().collect();
    assert_eq!(bring(&brought, some).await, Ok(Imported { new: 78, known: 0, made: true }));
    assert_eq!(bring(&brought, all.clone()).await, Ok(Imported { new: 40, known: 78, made: false }));
    let (ours, theirs) = (contents(polled.pool()).await, contents(brought.pool()).await);
    for table in ["reading", "install", "ledger_day", "poll_span", "question"] {
        assert_eq!(ours[table], theirs[table], "{table}");
    }
    assert_eq!(theirs["install"].len(), 3);
    assert!(theirs["alert"].is_empty(), "what is past opens no alert: {:?}", theirs["alert"]);
    assert!(brought.poll_targets().await.unwrap().is_empty(), "it is not watched");
    assert_eq!(bring(&brought, all).await, Ok(Imported { new: 0, known: 118, made: false }));
    assert_same(&theirs, &contents(brought.pool()).await);
}

#[tokio::test]
async fn what_lies_before_a_watched_machines_history_is_put_before_it() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    ingest(&store, bobbin, "Bobbin", &polls(20, 60), &present(100), &Rules::default()).await.unwrap();
    let row = store.devices(None).await.unwrap().remove(0);
    assert_eq!(bring(&store, rows(&polls(1, 30))).await, Ok(Imported { new: 38, known: 20, made: false }));
    let sql = "select start_left, end_left from install join slot on slot.id = slot_id where supply_index = 1
               order by from_at";
    let units: Vec<(f64, f64)> = sqlx::query_as(sql).fetch_all(store.pool()).await.unwrap();
    assert_eq!(units.len(), 2, "{units:?}");
    assert!((units[0].0 - 88.0).abs() < 1e-9, "{units:?}");
    let now = store.devices(None).await.unwrap().remove(0);
    assert_eq!((now.last_answer_at, now.fault), (row.last_answer_at, row.fault));
    let kept = contents(store.pool()).await;

    let mut wrong = rows(&polls(15, 30));
    wrong[10].level = 1234;
    let refused = bring(&store, wrong).await.unwrap_err().to_string();
    assert!(refused.starts_with("line 12: slot 1 says 1234 of 5000 at "), "{refused}");
    assert!(refused.contains("where the store has 400 of 5000; leave out the rows from"), "{refused}");
    let ahead = PastRow { line: 2, slot: 0, at: at(101), max_capacity: INK, level: 1 };
    assert!(matches!(bring(&store, vec![ahead]).await, Err(Refusal::Ahead { line: 2, .. })));
    let once = PastRow { at: at(0), ..ahead };
    let twice = vec![once, PastRow { level: 2, line: 3, ..once }];
    assert!(matches!(bring(&store, twice).await, Err(Refusal::Twice { line: 3, .. })));
    assert_eq!(bring(&store, Vec::new()).await, Err(Refusal::Empty));
    assert_same(&kept, &contents(store.pool()).await);
}

#[tokio::test]
async fn the_command_takes_a_file_whole_or_says_why_not() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let dir = tempfile::tempdir().unwrap();
    let mut file = "slot,at,capacity,level\n".to_owned();
    for n in 1..6 {
        writeln!(file, "cyan,{},{INK},{}", at(n), 4000 - 10 * n).unwrap();
        writeln!(file, "waste,{},{WASTE},{}", at(n), 9000 - n).unwrap();
    }
    std::fs::write(dir.path().join("readings.csv"), &file).unwrap();
    std::fs::write(dir.path().join("wrong.csv"), file.replacen("3980", "3981", 1)).unwrap();
    std::fs::write(dir.path().join("torn.csv"), format!("{file}cyan,noon,1,1\n")).unwrap();
    std::fs::write(dir.path().join("slots.csv"), "slot,class,unit\ncyan,consumed,15\nwaste,filled,15\n")
        .unwrap();
    let mut all = String::new();
    for file in ["torn.csv", "readings.csv", "readings.csv", "wrong.csv", "none.csv"] {
        let words = ["import-readings", "--readings", file, "--slots", "slots.csv", "--device", "Bobbin"];
        let output = run(dir.path(), &database.url(), &words);
        writeln!(all, "$ ullage {}\n{output}", words.join(" ")).unwrap();
    }
    insta::assert_snapshot!(all);
    let kept = contents(store.pool()).await;
    assert_eq!((kept["device"].len(), kept["reading"].len()), (1, 10));
}

fn run(dir: &Path, url: &str, words: &[&str]) -> String {
    let output = ullage(dir).args(words).current_dir(dir).env("DATABASE_URL", url).output().unwrap();
    crate::support::program::said(&output, &[])
}
