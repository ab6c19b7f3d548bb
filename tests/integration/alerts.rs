//! One crossing is one alert, whatever the sensor and the service do meanwhile.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use jiff::Timestamp;
use ullage::domain::alert::Rule;
use ullage::domain::ids::DeviceId;
use ullage::domain::poll::Poll;
use ullage::domain::rules::Rules;
use ullage::store::Store;
use ullage::usecase::ingest::ingest;

use crate::support::database::TestDatabase;
use crate::support::said::{INK, WASTE, answered, at, device, present, silent};

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
