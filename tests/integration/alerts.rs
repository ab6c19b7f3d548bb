//! One crossing is one alert, whatever the sensor and the service do meanwhile.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use jiff::Timestamp;
use ullage::domain::alert::Rule;
use ullage::domain::alert::ruleset::{Patch, Scope};
use ullage::domain::alert::snooze::Snooze;
use ullage::domain::ids::DeviceId;
use ullage::domain::poll::Poll;
use ullage::domain::rules::Rules;
use ullage::domain::snapshot::{DeviceAlert, Snapshot};
use ullage::domain::standard::{AlertCode, AlertGroup, DetectedErrors, Severity};
use ullage::store::Store;
use ullage::usecase::alerts::{AnswerRefused, answer, judge_all};
use ullage::usecase::ingest::ingest;

use crate::support::database::TestDatabase;
use crate::support::said::{INK, WASTE, answered, at, device, levels, present, silent};

/// Brings polls in as they come live, one by one.
async fn live(store: &Store, device: DeviceId, polls: impl IntoIterator<Item = Poll>) {
    for poll in polls {
        let present = ullage::domain::outlook::Present { now: poll.at, ..present(0) };
        ingest(store, device, "Weft", &[poll], &present, &Rules::default()).await.unwrap();
    }
}

/// Every alert there ever was, earliest first.
async fn all(store: &Store) -> Vec<(Rule, Timestamp, Option<Timestamp>, String)> {
    let mut alerts = store.alerts(true, None, 100).await.unwrap();
    alerts.extend(store.alerts(false, None, 100).await.unwrap());
    alerts.sort_by_key(|row| row.alert.opened_at);
    alerts
        .into_iter()
        .map(|row| (row.alert.rule, row.alert.opened_at, row.alert.cleared_at, row.alert.summary))
        .collect()
}

/// A receptacle's room in tenths of a millilitre at a fill in hundredths.
fn room(fill: f64) -> i32 {
    WASTE - (f64::from(WASTE) * fill / 100.0).round() as i32
}

/// The order point of 70 % and its alert: common practice, no source.
#[tokio::test]
async fn a_receptacle_that_wavers_past_70_percent_alerts_once_across_a_restart() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let weft = device(&store, "Weft").await;
    let ink = 4000;
    let before = [68.9, 69.4, 69.2, 69.8, 69.6, 70.1, 69.7, 70.2];
    live(&store, weft, (1..).zip(before).map(|(n, fill)| answered(n, ink, room(fill)))).await;
    store.close().await;

    // The service starts again, with the level wavering about the order point, and meets a silence.
    let store = database.store().await;
    let after = [69.6, 70.3, 69.8, 70.4, 70.6, 70.2, 71.0];
    live(&store, weft, (9..).zip(after).map(|(n, fill)| answered(n, ink, room(fill)))).await;
    live(&store, weft, [silent(16), answered(17, ink, room(70.9)), answered(18, ink, room(72.0))]).await;
    let summary = "Waste receptacle of Weft is 70 % full: order the next one";
    let alerts = all(&store).await;
    assert_eq!(alerts.len(), 1, "{alerts:?}");
    assert_eq!((alerts[0].0, alerts[0].1, alerts[0].2), (Rule::WasteOrderPoint, at(6), None));
    assert_eq!(alerts[0].3.replace(['\u{a0}', '\u{202f}'], " "), summary);

    // A new receptacle clears it as soon as it is believed, and the next crossing is a new alert.
    live(&store, weft, (19..23).map(|n| answered(n, ink, room(0.2)))).await;
    assert_eq!(all(&store).await[0].2, Some(at(19)));
    live(
        &store,
        weft,
        (23..).zip([30.0, 60.0, 69.5, 70.5]).map(|(n, fill)| answered(24 * n, ink, room(fill))),
    )
    .await;
    let alerts = all(&store).await;
    assert_eq!(alerts.iter().map(|alert| alert.2.is_none()).collect::<Vec<_>>(), [false, true]);
}

#[tokio::test]
async fn a_low_supply_alerts_once_a_crossing_and_the_swap_clears_it() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let weft = device(&store, "Weft").await;
    let left = |share: f64| (f64::from(INK) * share / 100.0).round() as i32;
    let path = [12.0, 11.0, 10.0, 10.4, 9.9, 10.2, 9.0, 8.0];
    live(&store, weft, (1..).zip(path).map(|(n, share)| answered(n, left(share), 9000))).await;
    let alerts = all(&store).await;
    assert_eq!(alerts.len(), 1, "{alerts:?}");
    assert_eq!((alerts[0].0, alerts[0].1, alerts[0].2), (Rule::LowSupply, at(3), None));

    // A flicker of one poll is no swap and clears nothing.
    live(&store, weft, [answered(9, left(100.0), 9000), answered(10, left(7.9), 9000)]).await;
    assert_eq!(all(&store).await[0].2, None);

    live(&store, weft, (11..15).map(|n| answered(n, INK, 9000))).await;
    assert_eq!(all(&store).await[0].2, Some(at(11)), "cleared when the new cartridge was first seen");
    let path = [80.0, 50.0, 20.0, 9.0, 8.0];
    live(&store, weft, (1..).zip(path).map(|(n, share)| answered(24 * n, left(share), 9000))).await;
    let alerts = all(&store).await;
    assert_eq!(alerts.iter().map(|alert| alert.2.is_none()).collect::<Vec<_>>(), [false, true]);
}

#[tokio::test]
async fn a_swap_in_a_silence_clears_and_what_is_low_on_arrival_alerts() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let weft = device(&store, "Weft").await;
    live(&store, weft, [answered(1, 200, room(90.0)), silent(2), silent(3)]).await;
    assert_eq!(all(&store).await.len(), 2, "both were past their points when watching began");
    live(&store, weft, (4..8).map(|n| answered(n, INK, room(1.0)))).await;
    assert!(all(&store).await.iter().all(|alert| alert.2 == Some(at(4))));
}

/// What the device itself says, with a complaint about its cyan and a bit that says that ink is out.
fn complaining(n: i64, ink: i32, room: i32) -> Poll {
    let complaint = DeviceAlert {
        severity: Severity::Critical,
        training: Some(3),
        group: AlertGroup::MarkerSupplies,
        group_index: 1,
        location: -2,
        code: AlertCode::MarkerInkEmpty,
        description: String::new(),
    };
    // hrPrinterDetectedErrorState: noToner is bit 3 (RFC 2790).
    let errors = DetectedErrors(0x8000 >> 3);
    Poll { at: at(n), outcome: Ok(Snapshot { alerts: vec![complaint], errors, ..levels(ink, room) }) }
}

/// Applies the rules that do not hang on single polls, at poll number `n`.
async fn judge(store: &Store, n: i64) -> usize {
    judge_all(store, &present(n), &Rules::default()).await.unwrap()
}

async fn words(store: &Store, open: bool) -> Vec<String> {
    let alerts = store.alerts(open, None, 100).await.unwrap();
    let mut words: Vec<String> = alerts
        .into_iter()
        .map(|row| {
            format!(
                "{}{}: {}",
                row.alert.rule.word(),
                if row.alert.folded { " (folded)" } else { "" },
                row.alert.summary
            )
        })
        .collect();
    words.sort();
    words
}

#[tokio::test]
async fn a_receptacle_whose_device_counts_its_fill_alerts_once_at_70_percent_too() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let weft = device(&store, "Weft").await;
    let fill = |n: i64| 4000 + i32::try_from(n).unwrap() * 25;
    for n in 1..140 {
        live(&store, weft, [answered(n, 4000, fill(n))]).await;
    }
    let alerts = all(&store).await;
    assert_eq!(alerts.len(), 1, "{alerts:?}");
    assert_eq!((alerts[0].0, alerts[0].1, alerts[0].2), (Rule::WasteOrderPoint, at(120), None));
}

#[tokio::test]
async fn two_pollers_that_hear_the_same_open_one_alert() {
    let database = TestDatabase::new().await;
    let (store, other) = (database.store().await, database.store().await);
    let weft = device(&store, "Weft").await;
    let polls = || (1..40).map(|n| answered(n, 4000, room(69.0 + n as f64 / 20.0)));
    tokio::join!(live(&store, weft, polls()), live(&other, weft, polls()));
    tokio::join!(judge(&store, 40), judge(&other, 40));
    let alerts = all(&store).await;
    assert_eq!(alerts.len(), 1, "{alerts:?}");
    assert_eq!((alerts[0].0, alerts[0].2), (Rule::WasteOrderPoint, None));
}

#[tokio::test]
async fn what_a_device_says_of_a_supply_is_one_alert_and_what_follows_from_it_is_folded() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let weft = device(&store, "Weft").await;
    live(&store, weft, [answered(1, 600, 9000)]).await;
    assert_eq!(judge(&store, 1).await, 0, "nothing is wrong");
    live(&store, weft, [complaining(2, 600, 9000)]).await;
    assert_eq!(judge(&store, 2).await, 1);
    assert_eq!(judge(&store, 2).await, 0, "judged again, nothing changes");
    assert_eq!(words(&store, true).await, ["replace_now: Weft asks for a new cyan: ink empty"]);
    // The level follows: it is kept, and nobody hears of it again.
    live(&store, weft, (3..6).map(|n| complaining(n, 400, 9000))).await;
    judge(&store, 6).await;
    assert_eq!(
        words(&store, true).await,
        [
            "low_supply (folded): Cyan of Weft is down to 8\u{a0}%".replace('\u{a0}', " "),
            "replace_now: Weft asks for a new cyan: ink empty".to_owned()
        ]
    );
    // A new cartridge ends both.
    live(&store, weft, (6..12).map(|n| answered(n, INK, 9000))).await;
    judge(&store, 12).await;
    assert_eq!(words(&store, true).await, [""; 0]);
}

#[tokio::test]
async fn an_answer_is_kept_and_a_cleared_alert_needs_none() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let weft = device(&store, "Weft").await;
    live(&store, weft, [answered(1, 400, 9000)]).await;
    let id = store.alerts(true, None, 1).await.unwrap()[0].alert.id;
    let rules = Rules::default();
    let say = |who: &'static str, note: &'static str, snooze, n| {
        let (store, rules) = (&store, &rules);
        async move { answer(store, id, snooze, (who, note), (&present(n), rules)).await.unwrap() }
    };
    say("Ada", "ordered", None, 2).await.unwrap();
    say("Bea", "", Some(Snooze::Week), 3).await.unwrap();
    let alert = store.alerts(true, None, 1).await.unwrap().remove(0).alert;
    let seen = alert.seen.unwrap();
    assert_eq!((seen.at, seen.by.as_str(), alert.note.as_str()), (at(2), "Ada", "ordered"));
    assert_eq!(alert.snoozed_until, Some(at(3 + 7 * 96)));
    live(&store, weft, (4..9).map(|n| answered(n, INK, 9000))).await;
    assert_eq!(say("Ada", "", None, 9).await, Err(AnswerRefused::Cleared));
}

#[tokio::test]
async fn a_rule_changed_for_one_supply_holds_there_alone() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let (weft, warp) = (device(&store, "Weft").await, device(&store, "Warp").await);
    for device in [weft, warp] {
        live(&store, device, [answered(1, 4000, room(61.0))]).await;
    }
    let patch = Patch {
        rule: Rule::WasteOrderPoint,
        scope: Scope::Device(weft),
        on: None,
        grade: None,
        marks: Some((60.0, 55.0)),
        lasting: None,
    };
    store.save_patch(&patch, at(2), "Ada").await.unwrap();
    assert_eq!(judge(&store, 2).await, 1);
    live(&store, weft, [answered(3, 4000, room(59.0)), answered(4, 4000, room(62.0))]).await;
    assert_eq!(all(&store).await.len(), 1, "the new mark has its own distance");
    store.drop_patch(Rule::WasteOrderPoint, &Scope::Device(weft)).await.unwrap();
    judge(&store, 5).await;
    assert_eq!(all(&store).await[0].2, Some(at(5)), "at 62 % it is below where the usual rule clears");
}

#[tokio::test]
async fn a_crossing_that_has_to_last_is_remembered_across_a_restart() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let weft = device(&store, "Weft").await;
    let patch = Patch {
        rule: Rule::LowSupply,
        scope: Scope::Everywhere,
        on: None,
        grade: None,
        marks: None,
        lasting: Some(jiff::SignedDuration::from_hours(1)),
    };
    store.save_patch(&patch, at(0), "Ada").await.unwrap();
    live(&store, weft, [answered(1, 480, 9000)]).await;
    judge(&store, 2).await;
    store.close().await;
    let store = database.store().await;
    judge(&store, 4).await;
    assert!(all(&store).await.is_empty());
    judge(&store, 5).await;
    assert_eq!(all(&store).await.len(), 1);
}
