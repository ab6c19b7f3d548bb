//! A month's report by mail: to everybody who is named, with its files, and once.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::sync::Mutex;

use jiff::SignedDuration;
use ullage::domain::month::Month;
use ullage::domain::outlook::Present;
use ullage::domain::rules::Rules;
use ullage::report::{Format, Paper, month_file};
use ullage::store::Store;
use ullage::store::outbox::Due;
use ullage::usecase::deliver::{Carrier, Failure, Pace, deliver};
use ullage::usecase::ingest::ingest;
use ullage::usecase::month::mail::{MailError, mail, mail_in_time};
use ullage::usecase::month::statement;

use crate::support::database::TestDatabase;
use crate::support::program::{finish, said, ullage};
use crate::support::said::{answered, device, present};

/// Polls of a day.
const DAY: i64 = 96;

/// Keeps what it carries, and fails at first.
#[derive(Default)]
struct Memory(Mutex<Vec<Due>>);

impl Carrier for Memory {
    async fn carry(&self, due: &Due) -> Result<(), Failure> {
        let mut carried = self.0.lock().unwrap();
        carried.push(due.clone());
        if carried.len() == 1 { Err(Failure::Later("the line is busy".to_owned())) } else { Ok(()) }
    }
}

fn september() -> Month {
    "2026-09".parse().unwrap()
}

fn to(names: &[&str]) -> Vec<String> {
    names.iter().map(|name| format!("{name}@loft.example")).collect()
}

async fn room(database: &TestDatabase) -> Store {
    let store = database.store().await;
    let id = device(&store, "Bobbin").await;
    let polls: Vec<_> = (0..200).map(|n| answered(n, 5000 - 5 * i32::try_from(n).unwrap(), 9000)).collect();
    ingest(&store, id, "Bobbin", &polls, &present(200), &Rules::default()).await.unwrap();
    store
}

/// The first moment of a day of October 2026, as the room's clocks go.
fn october(day: i8) -> Present {
    let zone = present(0).zone;
    let now = zone.to_timestamp(jiff::civil::date(2026, 10, day).at(0, 0, 0, 0)).unwrap();
    Present { now, zone }
}

/// Where a message goes.
fn address(due: &Due) -> &str {
    due.address.as_ref().unwrap().expose()
}

#[tokio::test]
async fn a_report_goes_to_everybody_on_its_day_and_to_nobody_twice() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    let paper = Paper::Letter;
    let early = mail_in_time(&store, 3, &to(&["ada"]), (paper, &october(2))).await.unwrap();
    assert_eq!((early.to, early.before), (vec![], vec![]));
    let ahead = october(3);
    // Two services at once, and later the same again with somebody new.
    let names = to(&["ada", "bell"]);
    let (one, other) = tokio::join!(
        mail_in_time(&store, 3, &names, (paper, &ahead)),
        mail_in_time(&store, 3, &names, (paper, &ahead))
    );
    let mut sent = [one.unwrap().to, other.unwrap().to].concat();
    sent.sort();
    assert_eq!(sent, names);
    let later = mail(&store, september(), &to(&["ada", "cleo"]), (paper, &october(9))).await.unwrap();
    assert_eq!((later.to, later.before), (to(&["cleo"]), to(&["ada"])));

    let carrier = Memory::default();
    let pace = Pace { again: SignedDuration::from_mins(1), apart: SignedDuration::from_mins(10) };
    for minutes in [0, 2, 20] {
        let now = october(9).now + SignedDuration::from_mins(minutes);
        deliver(&store, &carrier, &pace, || now).await.unwrap();
    }
    let carried = carrier.0.into_inner().unwrap();
    let mut addresses: Vec<&str> = carried.iter().map(address).collect();
    assert_eq!(addresses[0], *addresses.last().unwrap(), "what failed comes again");
    let first: Vec<&Due> = carried.iter().filter(|due| address(due) == addresses[0]).collect();
    assert_eq!((first.len(), &first[0].key), (2, &first[1].key), "under the same key");
    assert_eq!(first[0].report, first[1].report, "with the same files");
    addresses.sort_unstable();
    addresses.dedup();
    assert_eq!(addresses, to(&["ada", "bell", "cleo"]));

    let report = carried[0].report.as_ref().unwrap();
    assert_eq!(report.month, september());
    let names: Vec<&str> = report.files.iter().map(|file| file.name.as_str()).collect();
    assert_eq!(names, ["supplies-2026-09.pdf", "supplies-2026-09.xlsx"]);
    let then = statement(&store, september(), &ahead).await.unwrap();
    assert_eq!(report.files[0].content, month_file(Format::Pdf, &then, paper).unwrap());
    let told = store.messages(9).await.unwrap();
    assert!(told.iter().all(|row| row.summary == "Supply report, September 2026" && row.sent_at.is_some()));
}

#[tokio::test]
async fn a_month_without_readings_is_not_mailed() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    let august: Month = "2026-08".parse().unwrap();
    let refused = mail(&store, august, &to(&["ada"]), (Paper::A4, &present(30 * DAY))).await.unwrap_err();
    assert!(matches!(refused, MailError::Nothing(month) if month == august), "{refused}");
    let september = mail_in_time(&store, 1, &to(&["ada"]), (Paper::A4, &present(0))).await.unwrap();
    assert_eq!(september.to, Vec::<String>::new());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_report_is_mailed_by_hand_once() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    let dir = tempfile::tempdir().unwrap();
    let settings = "[mail]\nserver = \"mail.loft.example\"\nfrom = \"ullage@loft.example\"\n\
                    [report]\nmail_to = [\"ada@loft.example\"]\n";
    let mut text = String::new();
    for settings in [settings, settings, ""] {
        std::fs::write(dir.path().join("ullage.toml"), settings).unwrap();
        let command = &mut ullage(dir.path());
        let done = finish(command.args(["report", "2026-09", "--mail"]).env("DATABASE_URL", database.url()));
        text += &said(&done, &[]);
    }
    assert_eq!(store.report_sent_to(september()).await.unwrap().len(), 1);
    insta::assert_snapshot!(text);
}
