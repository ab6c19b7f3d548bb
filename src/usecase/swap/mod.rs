//! Swaps by a guide: a walk begins at a machine that rests, goes a step at a time as the machine confirms it, and leaves
//! a record: the lot is issued, a head is registered, and a new reading is taken down.

mod guides;
mod photo;
mod refusal;

use jiff::civil::Date;

pub use self::guides::{GuidesView, guides, write_guide};
pub use self::photo::{MOST_OCTETS, PhotoKind, put_photo};
pub use self::refusal::Refusal;
use super::book::{Booking, Note, book_in};
use super::heads::{self, Entry};
use super::once::{Token, settle, taken};
use super::shelf::Supplies;
use crate::domain::guide::seen::{Look, SupplySeen};
use crate::domain::guide::walk::{Reason, Through, Walk};
use crate::domain::guide::{Confirmation, Guide, usual};
use crate::domain::head::is_head_for;
use crate::domain::ids::{DeviceId, GuideId, HeadId, LotId, MovementId, SupplyIndex, SwapId};
use crate::domain::outlook::{Present, Slot};
use crate::domain::part::PartKind;
use crate::domain::plumbing::Position;
use crate::domain::reading::Polarity;
use crate::domain::shelf::Stock;
use crate::domain::snapshot::Snapshot;
pub use crate::store::guides::GuideRow;
use crate::store::swaps::NewSwap;
pub use crate::store::swaps::{Ended, FromLot, PassedStep, Place, SwapRow, SwapsWanted};
use crate::store::{Result, Store, Work};

/// Where something is swapped, as an address names it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum At {
    /// A supply, by its number in the device.
    Supply(SupplyIndex),
    /// A head, by its place.
    Head(Position),
}

/// What is swapped there.
#[derive(Debug, Clone)]
pub enum Target {
    /// A supply, and which way its device counts.
    Supply(Slot, Polarity),
    /// A head, by its place.
    Head(Position),
}

impl Target {
    /// Where, as an address names it.
    #[must_use]
    pub fn at(&self) -> At {
        match self {
            Self::Supply(slot, _) => At::Supply(slot.index),
            Self::Head(position) => At::Head(*position),
        }
    }

    /// What kind of part goes there.
    #[must_use]
    pub fn kind(&self) -> PartKind {
        match self {
            Self::Supply(slot, _) => PartKind::of_slot(slot),
            Self::Head(_) => PartKind::Head,
        }
    }

    fn place(&self) -> Place {
        match self {
            Self::Supply(slot, _) => Place::Slot(slot.id),
            Self::Head(position) => Place::Head(*position),
        }
    }

    fn takes(&self, stock: &Stock, model: Option<&str>) -> bool {
        match self {
            Self::Supply(slot, _) => stock.part.fits(slot, model),
            Self::Head(_) => stock.part.kind == PartKind::Head && is_head_for(&stock.part, model),
        }
    }

    fn supply(&self) -> Option<(SupplyIndex, Polarity)> {
        match self {
            Self::Supply(slot, counts) => Some((slot.index, *counts)),
            Self::Head(_) => None,
        }
    }
}

/// A lot that a new part may come from.
#[derive(Debug, Clone, PartialEq)]
pub struct LotChoice {
    /// Which lot.
    pub lot: LotId,
    /// The part's number.
    pub part: String,
    /// When it was made.
    pub made_on: Date,
    /// Where it lies.
    pub place: String,
    /// How many lie there.
    pub units: u32,
    /// The last day that it is good for.
    pub good_until: Option<Date>,
    /// Whether it is still good.
    pub good: bool,
}

/// What is known before a walk begins.
#[derive(Debug, Clone)]
pub struct BeginView {
    /// The machine.
    pub device: DeviceId,
    /// Its name.
    pub device_name: String,
    /// Its model.
    pub model: Option<String>,
    /// What is swapped.
    pub target: Target,
    /// The guide that counts.
    pub guide: Guide,
    /// Which version it is; none: the usual one.
    pub version: Option<GuideId>,
    /// The lots that fit: the one to take first.
    pub lots: Vec<LotChoice>,
    /// The walk that is under way there.
    pub under_way: Option<SwapId>,
    /// The day.
    pub today: Date,
}

impl BeginView {
    /// What is swapped, in words.
    #[must_use]
    pub fn label(&self) -> String {
        match &self.target {
            Target::Supply(slot, _) => slot.label(),
            Target::Head(position) => format!("Head {position}"),
        }
    }
}

/// What somebody does at a step.
#[derive(Debug, Clone, PartialEq)]
pub enum Act {
    /// It is done.
    Done,
    /// It is left out.
    Skip(Reason),
    /// The whole walk is given up.
    GiveUp(Reason),
    /// Every step is behind: the swap is made. A head is written down by what stands on it.
    End(Option<Entry>),
}

type Outcome<T> = Result<std::result::Result<T, Refusal>>;

/// What is known before a walk begins; `None` if there is no such machine, or it has no such supply.
///
/// # Errors
/// If the store cannot be reached.
pub async fn begin_view(
    store: &Store,
    (device, at): (DeviceId, At),
    present: &Present,
) -> Result<Option<BeginView>> {
    let Some(row) = store.devices(Some(device)).await?.pop() else { return Ok(None) };
    let mut work = store.begin().await?;
    let target = match at {
        At::Head(position) => Target::Head(position),
        At::Supply(index) => {
            let slots = Store::slots_in(&mut work, Some(device)).await?;
            match slots.into_iter().find(|row| row.slot.index == index) {
                Some(row) => {
                    Target::Supply(row.slot, row.counts.map_or(Polarity::Remaining, |counts| counts.0))
                }
                None => return Ok(None),
            }
        }
    };
    let kind = target.kind();
    let model = row.model.as_deref();
    let written = Store::guide_for(&mut work, kind, model).await?;
    let (version, guide) = match written {
        Some((id, guide)) => (Some(id), guide),
        None => (None, usual(kind)),
    };
    let stocks = Store::stocks_in(&mut work, None).await?;
    let fits = |stock: &&Stock| target.takes(stock, model);
    let under_way =
        store.swaps(&SwapsWanted { device: Some(device), under_way: true, ..SwapsWanted::default() }).await?;
    let is_there = |swap: &SwapRow| swap.place == target.place();
    Ok(Some(BeginView {
        lots: lots(stocks.iter().filter(fits), present.today()),
        device,
        device_name: row.name,
        under_way: under_way.into_iter().find(is_there).map(|swap| swap.id),
        model: row.model,
        target,
        guide,
        version,
        today: present.today(),
    }))
}

/// Good lots before those past their date, the oldest of each first: the first one is the one to take.
fn lots<'a>(stocks: impl Iterator<Item = &'a Stock>, today: Date) -> Vec<LotChoice> {
    let of_part = |stock: &Stock| -> Vec<LotChoice> {
        let choice = |lot: &crate::domain::shelf::Lot| LotChoice {
            lot: lot.id,
            part: stock.part.number.clone(),
            made_on: lot.made_on,
            place: lot.place.clone(),
            units: lot.units,
            good_until: stock.good_until(lot),
            good: stock.is_good_on(lot, today),
        };
        stock.oldest_first().into_iter().map(choice).collect()
    };
    let mut lots: Vec<LotChoice> = stocks.flat_map(of_part).collect();
    lots.sort_by_key(|lot| (!lot.good, lot.made_on, lot.lot));
    lots
}

/// Begins a walk, once however often the form is sent; or says why not. `snapshot` is what the device says now.
///
/// # Errors
/// If the store cannot be reached.
pub async fn begin(
    store: &Store,
    (device, at): (DeviceId, At),
    snapshot: &Snapshot,
    (lot, note): (Option<LotId>, &Note),
    token: Option<&Token>,
    present: &Present,
) -> Outcome<SwapId> {
    let Some(view) = begin_view(store, (device, at), present).await? else {
        return Ok(Err(Refusal::NoSuchPlace));
    };
    if note.who.trim().is_empty() {
        return Ok(Err(Refusal::NoName));
    }
    if let Err(refusal) = is_right_lot(&view.lots, lot, &note.why) {
        return Ok(Err(refusal));
    }
    let supply = view.target.supply();
    let look = Look { snapshot, supply, before: None, was_missing: false };
    if let Err(fault) = Walk::begin(view.guide.clone(), &look.judge(Confirmation::NotPrinting)) {
        return Ok(Err(fault.into()));
    }
    let new = NewSwap {
        device,
        place: view.target.place(),
        kind: view.target.kind(),
        guide: view.version,
        steps: view.guide,
        lot,
        why_lot: note.why.trim().to_owned(),
        was: supply.and_then(|(index, counts)| SupplySeen::of(snapshot, index, counts)),
        begun_at: present.now,
        who: note.who.trim().to_owned(),
    };
    let mut work = store.begin().await?;
    if let Some(before) = taken(&mut work, token, present.now).await? {
        return Ok(Ok(SwapId(before)));
    }
    let Some(id) = Store::begin_swap(&mut work, &new).await? else {
        return Ok(Err(Refusal::UnderWay));
    };
    settle(&mut work, token, id.0).await?;
    work.commit().await?;
    Ok(Ok(id))
}

/// Whether the new part is the one to take: it fits, of what is good the oldest, and inside its date. Anything else has
/// its reason.
fn is_right_lot(lots: &[LotChoice], wanted: Option<LotId>, why: &str) -> std::result::Result<(), Refusal> {
    let first = lots.first().filter(|lot| lot.good);
    let reason = !why.trim().is_empty();
    let Some(wanted) = wanted else {
        return match first {
            Some(first) if !reason => Err(Refusal::Why(format!(
                "{} lies there, made {}: say why the new part is from elsewhere",
                first.part, first.made_on
            ))),
            _ => Ok(()),
        };
    };
    let Some(lot) = lots.iter().find(|lot| lot.lot == wanted) else { return Err(Refusal::DoesNotFit) };
    match first {
        _ if reason => Ok(()),
        _ if !lot.good => Err(Refusal::Why("that lot is past its date: say why it is used".to_owned())),
        Some(first) if first.lot != lot.lot && first.made_on < lot.made_on => Err(Refusal::Why(format!(
            "an older one, made {}, is to be used first: say why not",
            first.made_on
        ))),
        _ => Ok(()),
    }
}

async fn counts(work: &mut Work, device: DeviceId, slot: Option<&Slot>) -> Result<Polarity> {
    let Some(slot) = slot else { return Ok(Polarity::Remaining) };
    let rows = Store::slots_in(work, Some(device)).await?;
    let known = rows.into_iter().find(|row| row.slot.id == slot.id).and_then(|row| row.counts);
    Ok(known.map_or(Polarity::Remaining, |(counts, _)| counts))
}

/// A walk by its number; `None` if there is none.
///
/// # Errors
/// If the store cannot be reached.
pub async fn swap(store: &Store, id: SwapId) -> Result<Option<SwapRow>> {
    Ok(store.swaps(&one(id)).await?.pop())
}

fn one(id: SwapId) -> SwapsWanted {
    SwapsWanted { id: Some(id), ..SwapsWanted::default() }
}

/// Whether a device has to be asked before this is done.
#[must_use]
pub fn asks_device(swap: &SwapRow, act: &Act) -> bool {
    match act {
        Act::Done => swap.walk.step().is_some_and(|step| step.confirm.is_some()),
        Act::End(_) => swap.slot.is_some() && swap.walk.confirmed(Confirmation::NewLevel),
        Act::Skip(_) | Act::GiveUp(_) => false,
    }
}

/// Goes on with a walk that stands at step `at`, counted from 0; or says why not. `snapshot` is what the device says
/// now, where it was asked.
///
/// # Errors
/// If the store cannot be reached.
pub async fn act(
    store: &Store,
    (id, at): (SwapId, usize),
    act: &Act,
    snapshot: Option<&Snapshot>,
    who: &str,
    present: &Present,
) -> Outcome<()> {
    if who.trim().is_empty() {
        return Ok(Err(Refusal::NoName));
    }
    let Some(before) = swap(store, id).await? else { return Ok(Err(Refusal::NoSuchSwap)) };
    let supplies = Supplies::of_device(store, before.device).await?;
    let mut work = store.begin().await?;
    let passed = Store::lock_swap(&mut work, id).await?;
    // What was done while this waited counts.
    let row = Store::swaps_in(&mut work, &one(id)).await?.pop();
    let Some(row) = row else { return Ok(Err(Refusal::NoSuchSwap)) };
    // Whoever looks at an older page would confirm a step that they do not see.
    if passed != Some(at) || row.walk.passed().len() != at {
        return Ok(Err(Refusal::Moved));
    }
    let signed = (who.trim(), present.now);
    let counts = counts(&mut work, row.device, row.slot.as_ref()).await?;
    let supply = row.slot.as_ref().map(|slot| (slot.index, counts));
    let mut walk = row.walk.clone();
    let how = match act {
        Act::GiveUp(why) => {
            Store::give_swap_up(&mut work, id, why, signed).await?;
            work.commit().await?;
            return Ok(Ok(()));
        }
        Act::End(entry) => {
            let through = match walk.through() {
                Ok(through) => through,
                Err(fault) => return Ok(Err(fault.into())),
            };
            let became =
                snapshot.zip(supply).and_then(|(seen, (at, counts))| SupplySeen::of(seen, at, counts));
            let ended =
                end(&mut work, &row, &through, (became, entry.as_ref()), signed, (&supplies, present));
            return match ended.await? {
                Err(refusal) => Ok(Err(refusal)),
                Ok(()) => Ok(Ok(work.commit().await?)),
            };
        }
        Act::Skip(why) => walk.skip(why.clone()),
        Act::Done => {
            let was_missing = walk.confirmed(Confirmation::SupplyMissing);
            let silent = Snapshot::default();
            let snapshot = snapshot.unwrap_or(&silent);
            let look = Look { snapshot, supply, before: row.was.as_ref(), was_missing };
            walk.done(|wanted| look.judge(wanted))
        }
    };
    let how = match how {
        Ok(how) => how,
        Err(fault) => return Ok(Err(fault.into())),
    };
    let passed = PassedStep { how, who: signed.0.to_owned(), at: signed.1 };
    Store::pass_step(&mut work, id, at + 1, &passed).await?;
    work.commit().await?;
    Ok(Ok(()))
}

/// Makes the record of a walk that is through: the lot is issued, a head is written down.
async fn end(
    work: &mut Work,
    row: &SwapRow,
    through: &Through,
    (became, entry): (Option<SupplySeen>, Option<&Entry>),
    (who, at): (&str, jiff::Timestamp),
    (supplies, present): (&Supplies, &Present),
) -> Outcome<()> {
    if through.has_new_level() && row.slot.is_some() && became.is_none() {
        return Ok(Err(Refusal::NotIn));
    }
    let note = Note { who: who.to_owned(), why: format!("swap {}", row.id) };
    let mut head: Option<HeadId> = None;
    if let Place::Head(position) = row.place {
        let Some(entry) = entry else { return Ok(Err(Refusal::NoHead)) };
        let part = row.from.as_ref().map(|from| from.part.clone()).or(entry.part.clone());
        let entry = Entry { position, part, ..entry.clone() };
        match heads::put_in(work, row.device, &entry, &note, present).await? {
            Ok(id) => head = Some(id),
            Err(refusal) => return Ok(Err(refusal.into())),
        }
    }
    let mut movement: Option<MovementId> = None;
    if let Some(from) = &row.from {
        let booking = match row.place {
            Place::Slot(slot) => Booking::Issue { lot: Some(from.lot), to: slot },
            Place::Head(_) => Booking::IssueHead {
                lot: from.lot,
                to: row.device,
                words: format!("{}, {}", row.device_name, row.label()),
            },
        };
        match book_in(work, &from.part, &booking, &note, supplies, present).await? {
            Ok(booked) => movement = Some(booked.movement),
            Err(refusal) => return Ok(Err(refusal.into())),
        }
    }
    Store::end_swap(work, row.id, through, (became.as_ref(), movement, head), (who, at)).await?;
    Ok(Ok(()))
}
