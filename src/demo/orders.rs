//! The orders of the invented room: some that came, one of which a part is missing, and a draft.

use anyhow::Context;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

use crate::domain::outlook::Present;
use crate::domain::rules::Practice;
use crate::store::Store;
use crate::store::orders::Which;
use crate::usecase::book::Note;
use crate::usecase::orders::{Act, Came, act, draft};

/// A part of an order: its number, the units of it, how old they are today in months, and where they were put; nowhere
/// where they have not come yet.
type Line = (&'static str, u32, i64, Option<&'static str>);

/// An order that was sent: how many days ago, after how many more its parts came, and which.
pub(super) struct Sent {
    days_ago: i64,
    took_days: i64,
    pub(super) lines: &'static [Line],
}

impl Sent {
    /// When it was sent, and when its parts came.
    fn days(&self, now: Timestamp, zone: &TimeZone) -> anyhow::Result<(Timestamp, Timestamp)> {
        let morning = |days_ago: i64| -> anyhow::Result<Timestamp> {
            let day = zone.to_datetime(now).date().checked_sub(days_ago.days())?;
            Ok(zone.to_timestamp(day.at(9, 30, 0, 0))?)
        };
        Ok((morning(self.days_ago)?, morning(self.days_ago - self.took_days)?))
    }

    /// Whether it was sent before history begins: what it brought lay on the shelf then.
    pub(super) fn is_before(
        &self,
        opened: Timestamp,
        now: Timestamp,
        zone: &TimeZone,
    ) -> anyhow::Result<bool> {
        Ok(self.days(now, zone)?.0 < opened)
    }
}

/// The orders that were sent, the oldest first.
pub(super) const SENT: [Sent; 3] = [
    Sent {
        days_ago: 96,
        took_days: 9,
        lines: &[("VO-C-775", 2, 9, Some("Shelf B")), ("VO-MK-775", 2, 11, Some("Shelf A"))],
    },
    Sent {
        days_ago: 58,
        took_days: 6,
        lines: &[("VO-G-775", 1, 12, Some("Cabinet")), ("VO-LG-775", 1, 6, Some("Shelf A"))],
    },
    Sent {
        days_ago: 5,
        took_days: 3,
        lines: &[("VO-LM-775", 1, 5, Some("Shelf B")), ("VO-GY-775", 1, 5, None)],
    },
];
/// What is on the draft.
const DRAFTED: (&str, u32) = ("VO-TB-775", 1);

/// Lets the room have ordered what it has not ordered yet. An order that was sent before history begins is left out.
///
/// # Errors
/// If the store cannot be reached.
pub async fn place_orders(
    store: &Store,
    (opened, now): (Timestamp, Timestamp),
    zone: &TimeZone,
    practice: &Practice,
) -> anyhow::Result<()> {
    if !store.orders(Which::Newest(1)).await?.is_empty() {
        return Ok(());
    }
    let present = |now: Timestamp| Present { now, zone: zone.clone() };
    for order in &SENT {
        if !order.is_before(opened, now, zone)? {
            place(store, order, &present(now), practice).await?;
        }
    }
    let note = Note { who: "print room".to_owned(), why: "for the silks of next season".to_owned() };
    let (part, units) = DRAFTED;
    draft(store, part, units, &note, None, &present(now))
        .await?
        .context("the demo's draft could not be made")?;
    Ok(())
}

/// An order from its draft to what came of it.
async fn place(store: &Store, order: &Sent, present: &Present, practice: &Practice) -> anyhow::Result<()> {
    let (sent, came) = order.days(present.now, &present.zone)?;
    let at = |now: Timestamp| Present { now, zone: present.zone.clone() };
    let (sent, came) = (at(sent), at(came));
    let note = Note { who: "print room".to_owned(), why: String::new() };
    let mut number = None;
    for (part, units, ..) in order.lines {
        number = Some(draft(store, part, *units, &note, None, &sent).await??);
    }
    let number = number.context("an order of the demo has no lines")?;
    act(store, number, &Act::Send, &note, None, &sent, practice).await??;
    let mut here = Vec::new();
    for (part, units, months, place) in order.lines {
        if let Some(place) = place {
            let made_on = present.today().checked_sub(months.months())?;
            here.push(Came { part: (*part).to_owned(), units: *units, made_on, place: (*place).to_owned() });
        }
    }
    act(store, number, &Act::Receive(here), &note, None, &came, practice).await??;
    Ok(())
}
