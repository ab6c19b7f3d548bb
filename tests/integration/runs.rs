//! Whether planned runs finish, asked of the simulated room with its known truth.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use jiff::civil::date;
use ullage::demo::bring_in;
use ullage::domain::ids::DeviceId;
use ullage::domain::rules::{Practice, Rules};
use ullage::domain::run::check::{TankCheck, Verdict};
use ullage::domain::run::learn::{Basis, Source};
use ullage::domain::run::past::Printed;
use ullage::domain::run::plan::{Media, Metres, SquareMetres};
use ullage::usecase::book::Note;
use ullage::usecase::ingest::ingest;
use ullage::usecase::run::{LogRefusal, MachineRun, RunCheckView, log_run, run_check, runs, write_width};

use crate::support::database::TestDatabase;
use crate::support::loft::{Loft, moment};
use crate::support::program::{finish, ullage};
use crate::support::said::{answered, device, present};

async fn checked(loft: &Loft, plan: &str, only: Option<DeviceId>) -> RunCheckView {
    let practice = Practice::default();
    let plan = plan.parse().unwrap();
    run_check(&loft.service.store, &plan, only, &loft.service.present(), &practice).await.unwrap()
}

fn tank<'a>(machine: &'a MachineRun, label: &str) -> &'a TankCheck {
    machine.check.tanks.iter().find(|of| of.tank.label == label).unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_run_that_must_fail_fails_and_one_that_must_pass_passes() {
    let now = moment("2026-04-01T10:00");
    let loft = Loft::open(now, 32, f64::MIN_POSITIVE).await;
    bring_in(&loft.service, &loft.demo, (loft.opened, now), |_| {}, || true).await.unwrap();
    let bobbin = loft.demo.devices[0].0;

    // 24 ml of cyan are left, and 0.8 ml go for each square metre: 3 m² take 2.4 ml, 100 m² take 80 ml.
    let short = checked(&loft, "2 x 1.5 matte", Some(bobbin)).await;
    let short = &short.machines[0];
    assert_eq!(short.check.verdict, Verdict::Finishes, "{short:?}");
    assert!(short.before.swaps.is_empty());
    let long = checked(&loft, "100 m2 matte", Some(bobbin)).await;
    let long = &long.machines[0];
    assert_eq!(long.check.verdict, Verdict::Stops, "{long:?}");
    let first = &long.check.tanks[long.check.first.unwrap()];
    assert_eq!(first.tank.label, "Cyan");
    let middle = first.reach.unwrap().middle.unwrap();
    assert!((15.0..45.0).contains(&middle), "{middle} m² of the 30 m² that 24 ml carry");
    assert_eq!(long.fresh[0].label, "Cyan");
    assert_eq!(long.fresh[0].unit, Err("no part in the catalogue fits it".to_owned()));

    // What a square metre takes is learned from the life count, whatever the sensor: a tenth of a millilitre, a
    // percent, a part of a fluid ounce; from jobs that really took the scenario's figures, with head care on top.
    let room = checked(&loft, "10 m2 matte", None).await;
    assert_eq!(room.machines.len(), 4);
    for (machine, printer) in room
        .machines
        .iter()
        .map(|of| (of, loft.scenario.printers.iter().find(|printer| printer.name == of.name)))
    {
        for ink in printer.unwrap().inks.iter().filter(|ink| !ink.spot) {
            let of = tank(machine, &ink.colour);
            assert!(matches!(of.basis, Some(Basis::Past { source: Source::Counted, .. })), "{of:?}");
            let learned = of.queue.as_ref().unwrap().runs[0].1;
            // A percent of a unit of 300 ml is taken to be one of 775 ml until the catalogue says otherwise.
            let scale = if machine.name == "Thimble" { 775.0 / 300.0 } else { 1.0 };
            let off = learned.mean / (ink.ml_per_m2 * scale);
            assert!((0.8..1.5).contains(&off), "{} {}: {off} of the truth", machine.name, ink.colour);
        }
    }
    assert_ne!(room.machines[0].name, "Bobbin", "the best has more cyan in it");
    // Wider than any medium of the room but Bobbin's.
    let wide = checked(&loft, "2 x 1.5 matte", None).await;
    assert_eq!((wide.machines[0].name.as_str(), wide.machines[0].too_narrow), ("Bobbin", false));
    assert!(wide.machines[1..].iter().all(|of| of.too_narrow));
}

#[tokio::test(flavor = "multi_thread")]
async fn where_a_life_count_gives_no_length_the_log_teaches() {
    let database = TestDatabase::new().await;
    let store = &database.store().await;
    let id = device(store, "Bobbin").await;
    // Polled every quarter of an hour for thirty days; 8 ml go in each, at a life count that never moves.
    let ink = |n: i64| 5000 - i32::try_from(n / 96).unwrap() * 80;
    let polls: Vec<_> = (0..30 * 96).map(|n| answered(n, ink(n), 9000)).collect();
    let present = present(30 * 96);
    ingest(store, id, "Bobbin", &polls, &present, &Rules::default()).await.unwrap();
    let note = Note { who: "print room".to_owned(), why: String::new() };
    let check = async || {
        let plan = "100 m2 canvas".parse().unwrap();
        run_check(store, &plan, None, &present, &Practice::default()).await.unwrap().machines.remove(0)
    };
    let assumed = check().await;
    assert!(
        assumed.check.assumes() && assumed.notes.iter().any(|note| note.contains("a figure of the trade"))
    );

    let run = |day, area| Printed {
        day,
        area: SquareMetres::new(area).unwrap(),
        media: Media::Canvas,
        what: "Forest".to_owned(),
    };
    let ahead = log_run(store, id, &run(date(2027, 1, 1), 1.0), &note, None, &present).await.unwrap();
    assert_eq!(ahead, Err(LogRefusal::Ahead(date(2027, 1, 1))));
    let nobody =
        log_run(store, DeviceId(99), &run(date(2026, 9, 2), 1.0), &note, None, &present).await.unwrap();
    assert_eq!(nobody, Err(LogRefusal::NoSuchMachine));
    for day in 2..=30 {
        log_run(store, id, &run(date(2026, 9, day), 10.0), &note, None, &present).await.unwrap().unwrap();
    }
    let learned = check().await;
    let of = &learned.check.tanks[0];
    assert!(matches!(of.basis, Some(Basis::Past { source: Source::Logged, days: 29, .. })), "{:?}", of.basis);
    let rate = of.queue.as_ref().unwrap().runs[0].1;
    assert!((rate.mean - 0.8).abs() < 0.03, "{rate:?}");

    // A width that a person wrote goes before what the device tells, until it is forgotten.
    let width = Metres::new(1.067);
    write_width(store, id, width, &note, &present).await.unwrap().unwrap();
    assert_eq!(check().await.media, width);
    write_width(store, id, None, &note, &present).await.unwrap().unwrap();
    assert_eq!(check().await.media, None);
    assert_eq!(runs(store, &present).await.unwrap().runs.len(), 29);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_commands_check_and_write_down() {
    let (dir, database) = (tempfile::tempdir().unwrap(), TestDatabase::new().await);
    let (store, name) = (database.store().await, "Bobbin");
    let id = device(&store, name).await;
    let polls: Vec<_> = (0..96).map(|n| answered(n, 4000, 9000)).collect();
    ingest(&store, id, name, &polls, &present(96), &Rules::default()).await.unwrap();
    let run = |words: &[&str]| finish(ullage(dir.path()).args(words).env("DATABASE_URL", database.url()));
    let said = run(&["runs", "log", name, "12 x 1.067 x 3 gloss", "--on", "2026-09-01", "--who", "me"]);
    assert!(said.status.success(), "{said:?}");
    let said = run(&["runs", "width", name, "1.067", "--who", "me"]);
    assert!(said.status.success(), "{said:?}");
    let list = run(&["runs", "list"]);
    let list = String::from_utf8(list.stdout).unwrap();
    assert!(list.contains("1.067 m wide, as written") && list.contains("gloss"), "{list}");
    let told = run(&["run-check", "10 m2 gloss", "2 x 1 matte: cyan 30", "--json"]);
    assert!(told.status.success(), "{told:?}");
    let told: serde_json::Value = serde_json::from_slice(&told.stdout).unwrap();
    assert_eq!(told["area_m2"], 12.0);
    assert_eq!(told["machines"][0]["machine"], name);
    assert_eq!(told["machines"][0]["media_width_m"], 1.067);
    let text = run(&["run-check", "10 m2 gloss", "--machine", name]);
    let text = String::from_utf8(text.stdout).unwrap();
    assert!(text.contains("finishes without a swap") && text.contains("a figure of the trade"), "{text}");
    let wrong = run(&["run-check", "10 m2 slate"]);
    assert_eq!(wrong.status.code(), Some(2));
    let nowhere = run(&["run-check", "10 m2 gloss", "--machine", "Nobody"]);
    assert_eq!(nowhere.status.code(), Some(1));
}
