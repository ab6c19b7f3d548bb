//! `ullage slots` and heads on the built program: what is shown, what people say, and what they get wrong.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use ullage::store::Store;
use ullage::usecase::book::{Booking, Note, book};

use crate::slots::{catalogue, doubtful, take};
use crate::support::contents::{assert_same, contents};
use crate::support::database::TestDatabase;
use crate::support::program::transcript;
use crate::support::said::{answered, device, present};

/// A machine, Bobbin, whose ink fell in a way that is asked about and was then swapped; two units lie on the shelf.
async fn room(database: &TestDatabase) -> Store {
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    let mut polls = doubtful();
    let swapped = [4990, 4990, 4990, 4980].into_iter().zip(11..);
    polls.extend(swapped.map(|(ink, n)| answered(n, ink, 9000)));
    for poll in &mut polls {
        poll.outcome.as_mut().unwrap().identity.model = Some("Backdrop printer".to_owned());
    }
    take(&store, bobbin, &polls, 20).await;
    catalogue(
        &store,
        "VO-C-500,cartridge,Cyan,500,ml,\r\nVO-Q,cartridge,Cyan,900,g,\r\nVO-M,cartridge,Magenta,500,ml,\r\n",
    )
    .await;
    let receive =
        Booking::Receive { made_on: jiff::civil::date(2026, 3, 1), place: "Shelf B".to_owned(), units: 2 };
    let note = Note { who: "day shift".to_owned(), why: String::new() };
    book(&store, "VO-C-500", &receive, &note, &present(1)).await.unwrap().unwrap();
    store
}

#[tokio::test(flavor = "multi_thread")]
async fn slots_are_shown_pinned_answered_and_given_their_lots() {
    let (dir, database) = (tempfile::tempdir().unwrap(), TestDatabase::new().await);
    room(&database).await;
    let told = transcript(
        dir.path(),
        &database.url(),
        "slots",
        &[
            &["list"],
            &["units", "Bobbin"],
            &["answer", "Bobbin", "1", "2026-09-01T06:45:00Z", "swap"],
            &["units", "Bobbin"],
            &["answer", "Bobbin", "1", "2026-09-01T06:45:00Z", "ask", "--why", "somebody else swapped it"],
            &["pin", "Bobbin", "filled"],
            &["pin", "Bobbin", "remaining", "--slot", "2"],
            &["pin", "Bobbin", "filled", "--model"],
            &["list", "Bobbin"],
            &["pin", "Bobbin", "drift", "--slot", "2"],
            &["part", "Bobbin", "1", "VO-C-500", "--first", "225"],
            &["from", "Bobbin", "1", "2026-09-01T08:45:00Z", "1"],
            &["units", "Bobbin", "--json"],
            &["from", "Bobbin", "1", "2026-09-01T08:45:00Z", "ask"],
            &["part", "Bobbin", "1"],
            &["list", "Bobbin"],
        ],
    );
    insta::assert_snapshot!(told);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_people_get_wrong_about_slots_is_told_and_changes_nothing() {
    let (dir, database) = (tempfile::tempdir().unwrap(), TestDatabase::new().await);
    let store = room(&database).await;
    let before = contents(store.pool()).await;
    let told = transcript(
        dir.path(),
        &database.url(),
        "slots",
        &[
            &["list", "Gusset"],
            &["units", "Gusset"],
            &["pin", "Bobbin", "upwards"],
            &["pin", "Bobbin", "filled", "--slot", "1"],
            &["pin", "Bobbin", "filled", "--slot", "9"],
            &["pin", "Bobbin", "filled", "--slot", "2", "--model"],
            &["pin", "Bobbin", "filled", "--who", ""],
            &["part", "Bobbin", "1", "VO-Z"],
            &["part", "Bobbin", "1", "VO-M"],
            &["part", "Bobbin", "1", "VO-Q"],
            &["part", "Bobbin", "1", "VO-C-500", "--first", "0"],
            &["answer", "Bobbin", "1", "2026-09-01T06:50:00Z", "swap"],
            &["answer", "Bobbin", "1", "yesterday", "swap"],
            &["answer", "Bobbin", "1", "2026-09-01T06:45:00Z", "ask"],
            &["from", "Bobbin", "1", "2026-09-01T06:50:00Z", "elsewhere"],
            &["from", "Bobbin", "1", "2026-09-01T08:45:00Z", "99"],
            &["from", "Bobbin", "1", "2026-09-01T08:45:00Z", "shelf"],
        ],
    );
    insta::assert_snapshot!(told);
    assert_same(&contents(store.pool()).await, &before);
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_is_shown_where_nothing_is_known_and_nothing_fails() {
    let (dir, database) = (tempfile::tempdir().unwrap(), TestDatabase::new().await);
    let store = database.store().await;
    device(&store, "Bobbin").await;
    let url = database.url();
    let mut told = transcript(
        dir.path(),
        &url,
        "slots",
        &[&["list"], &["units", "Bobbin"], &["units", "Bobbin", "--json"], &["part", "Bobbin", "1"]],
    );
    told += &transcript(
        dir.path(),
        &url,
        "heads",
        &[
            &["list"],
            &["plumbing", "Bobbin"],
            &["add", "Bobbin", "1", "--in", "2026-03-14"],
            &["add", "Bobbin", "1", "--in", "2026-03-15", "--part", "VO-H-1"],
            &["list", "--all"],
            &["export"],
        ],
    );
    insta::assert_snapshot!(told);
}
