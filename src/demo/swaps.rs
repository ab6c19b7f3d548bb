//! Some of the room's past swaps as somebody would have walked through them, and a guide of the room's own.

use anyhow::Context;
use jiff::{SignedDuration, Timestamp, ToSpan};

use crate::app::Service;
use crate::demo::DemoRoom;
use crate::domain::guide::seen::SupplySeen;
use crate::domain::guide::walk::{Passed, Reason, Walk};
use crate::domain::guide::{Guide, usual};
use crate::domain::ids::SlotId;
use crate::domain::install::{Arrival, Install};
use crate::domain::outlook::{Present, Slot};
use crate::domain::part::PartKind;
use crate::domain::reading::{Amount, Capacity, Level};
use crate::domain::shelf::Stock;
use crate::store::swaps::{NewSwap, PassedStep, Place};
use crate::store::{Store, Work};
use crate::usecase::book::{Booking, LotRow, Note, book, import_lots};
use crate::usecase::swap::{SwapsWanted, write_guide};

/// So many past swaps are written down, one a machine.
const SWAPS: usize = 4;
/// Who works in the invented room.
const PEOPLE: [&str; 2] = ["Ada", "Ida"];

/// Writes down the last swap that some machines had, unless there are some already; each new unit from a lot of its
/// own, which is empty then, so that what lies on the shelf stays as it is.
///
/// # Errors
/// If the store cannot be reached.
pub async fn write_swaps(service: &Service, demo: &DemoRoom) -> anyhow::Result<()> {
    let store = &service.store;
    if !store.swaps(&SwapsWanted { most: Some(1), ..SwapsWanted::default() }).await?.is_empty() {
        return Ok(());
    }
    let mut written = 0;
    for (device, _) in &demo.devices {
        if written == SWAPS {
            break;
        }
        let mut work = store.begin().await?;
        let slots = Store::slots_in(&mut work, Some(*device)).await?;
        let installs = Store::installs_in(&mut work, Some(*device), None).await?;
        let stocks = Store::stocks_in(&mut work, None).await?;
        drop(work);
        let last = |slot: SlotId| {
            let swaps = installs.get(&slot)?.iter().zip(installs.get(&slot)?.iter().skip(1));
            swaps
                .rev()
                .find(|(_, new)| new.arrival == Arrival::Risen)
                .map(|(old, new)| (old.clone(), new.clone()))
        };
        let swapped = slots.iter().find_map(|row| {
            let stock = stocks.iter().find(|stock| stock.part.fits(&row.slot, row.model.as_deref()))?;
            Some((&row.slot, stock, last(row.slot.id)?))
        });
        if let Some((slot, stock, (old, new))) = swapped {
            write(service, slot, stock, (&old, &new), PEOPLE[written % 2]).await?;
            written += 1;
        }
    }
    let text = usual(PartKind::Receptacle).to_string();
    let own = text.replace(
        "Put gloves and goggles on",
        "Take the tray from under the cutting table. Put gloves and goggles on",
    );
    let note = Note { who: PEOPLE[0].to_owned(), why: "where our tray is kept".to_owned() };
    let present = service.present();
    let guide = write_guide(store, (PartKind::Receptacle, None), &own, &note, None, &present).await?;
    guide.context("the demo's guide is no guide")
}

fn seen(slot: &Slot, install: &Install, amount: f64) -> SupplySeen {
    SupplySeen {
        level: Level {
            measure: install.measure,
            capacity: install.capacity.map_or(Capacity::Unknown, Capacity::Known),
            remaining: Amount::Measured(amount),
            step: install.step,
            oddity: None,
        },
        description: slot.description.clone(),
    }
}

async fn write(
    service: &Service,
    slot: &Slot,
    stock: &Stock,
    (old, new): (&Install, &Install),
    who: &str,
) -> anyhow::Result<()> {
    let store = &service.store;
    let present = Present { now: new.from, zone: service.zone.clone() };
    let made_on = present.today().checked_sub(9.months())?.first_of_month();
    let lot = LotRow {
        line: 0,
        part: stock.part.number.clone(),
        made_on,
        place: "Shelf C".to_owned(),
        units: 1,
        left_over: None,
    };
    let note = Note { who: who.to_owned(), why: "came with the last delivery".to_owned() };
    let came = import_lots(store, &[lot], &note, &present).await?;
    came.map_err(|refused| anyhow::anyhow!("{refused:?}"))?;
    let stocks = store.stocks(Some(&stock.part.number)).await?;
    let lots = stocks.iter().flat_map(|stock| &stock.lots);
    let lot = lots.into_iter().find(|lot| lot.made_on == made_on && lot.place == "Shelf C");
    let lot = lot.context("the demo's lot is not there")?.id;
    let note = Note { why: "swapped by the guide".to_owned(), ..note };
    let issue = Booking::Issue { lot: Some(lot), to: slot.id };
    let issued = book(store, &stock.part.number, &issue, &note, &present).await??;

    let kind = PartKind::of_slot(slot);
    let guide = usual(kind);
    let begun_at = new.from.checked_sub(SignedDuration::from_mins(12))?;
    let begun = NewSwap {
        device: slot.device,
        place: Place::Slot(slot.id),
        kind,
        guide: None,
        steps: guide.clone(),
        lot: Some(lot),
        why_lot: String::new(),
        was: Some(seen(slot, old, old.end)),
        begun_at,
        who: who.to_owned(),
    };
    let mut work = store.begin().await?;
    let id = Store::begin_swap(&mut work, &begun).await?.context("a swap is under way in the demo's past")?;
    let passed = walk(&mut work, id, guide, (who, begun_at)).await?;
    let through = passed.through()?;
    let became = seen(slot, new, new.start);
    let what = (Some(&became), Some(issued.movement), None);
    Store::end_swap(&mut work, id, &through, what, (who, new.from)).await?;
    work.commit().await?;
    Ok(())
}

/// Every step as somebody would have passed it: with one that was left out.
async fn walk(
    work: &mut Work,
    id: crate::domain::ids::SwapId,
    guide: Guide,
    (who, begun_at): (&str, Timestamp),
) -> anyhow::Result<Walk> {
    let left_out = Reason::new("the menu had opened it already");
    let passed: Vec<Passed> = guide
        .steps()
        .iter()
        .enumerate()
        .map(|(number, step)| match (&left_out, step.confirm) {
            (Some(why), _) if number == 2 && id.0 % 2 == 0 => Passed::Skipped(why.clone()),
            (_, Some(_)) => Passed::Confirmed,
            (_, None) => Passed::Said,
        })
        .collect();
    for (number, how) in (1..).zip(&passed) {
        let minutes = i64::try_from(number)?;
        let at = begun_at.checked_add(SignedDuration::from_mins(minutes))?;
        Store::pass_step(work, id, number, &PassedStep { how: how.clone(), who: who.to_owned(), at }).await?;
    }
    Walk::resume(guide, passed).context("the demo's walk has too many steps")
}
