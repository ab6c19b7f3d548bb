//! What people and the catalogue say of slots, and what follows: a slot of which something else is said is
//! followed from its first reading again, in the same transaction.

use jiff::Timestamp;

use super::alerts::Bell;
use super::book::{Booked, Booking, Note, Refusal as NotBooked, book_in};
use super::digest;
use super::once::{Token, settle, taken};
use super::shelf::Supplies;
use crate::domain::ids::{DeviceId, LotId, PartId, SlotId};
use crate::domain::install::{Answer, Answered};
use crate::domain::outlook::Present;
use crate::domain::polarity::PinScope;
use crate::domain::reading::{Polarity, Role};
use crate::domain::rules::Rules;
use crate::domain::shelf::Stock;
use crate::domain::sizes::full_ml;
use crate::domain::units::Measure;
use crate::store::slots::SlotRow;
use crate::store::{Result, Store, Work};

/// What a person says of a device's slots.
#[derive(Debug, Clone, PartialEq)]
pub enum Telling {
    /// What a fall was that was asked about; none: the answer is taken back.
    Fell {
        /// In which slot.
        slot: SlotId,
        /// The question's moment.
        at: Timestamp,
        /// What it was.
        answer: Option<Answer>,
    },
    /// Where a unit came from.
    CameFrom {
        /// In which slot it is.
        slot: SlotId,
        /// When it was first seen.
        from: Timestamp,
        /// Where it came from.
        origin: CameFrom,
    },
    /// What receptacles count; none: their drift tells.
    Counts {
        /// Of what.
        scope: PinScope,
        /// What the device counts.
        polarity: Option<Polarity>,
    },
    /// What a slot's units hold.
    Holds {
        /// Which slot.
        slot: SlotId,
        /// The part that goes in; none: the catalogue tells.
        part: Option<PartId>,
        /// What the unit held that was in when watching began, in millilitres.
        first_ml: Option<f64>,
    },
}

/// Where a unit came from, by a person.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CameFrom {
    /// From a lot: it is issued to the slot.
    Lot(LotId),
    /// Not from the shelf.
    Elsewhere,
    /// What was said is taken back.
    Untold,
}

/// Why something is not taken down. The text says what is the matter and with which thing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refusal {
    /// The device has no such slot.
    #[error("that machine has no such supply")]
    NoSuchSlot,
    /// Nothing is asked about that moment.
    #[error("nothing was asked about that moment")]
    NoSuchQuestion,
    /// No unit was first seen then.
    #[error("no unit went in at that moment")]
    NoSuchUnit,
    /// Nobody had said it.
    #[error("nothing was said that could be taken back")]
    NothingSaid,
    /// Only receptacles can be counted either way.
    #[error("a container's level is always what is left in it: only receptacles can be pinned")]
    NotAReceptacle,
    /// The part does not fit there.
    #[error("that part does not fit there: its kind, colour or models say otherwise")]
    DoesNotFit,
    /// The part gives no millilitres.
    #[error("{0} gives no capacity in ml: write it into the catalogue first")]
    NoCapacity(String),
    /// No device is of that model.
    #[error("no watched machine calls itself '{0}'")]
    NoSuchModel(String),
    /// Who says so is missing.
    #[error("it must not be empty")]
    NoName,
    /// The shelf refuses.
    #[error(transparent)]
    NotBooked(#[from] NotBooked),
}

impl Refusal {
    /// The field of a form that it is about.
    #[must_use]
    pub fn field(&self) -> &'static str {
        match self {
            Self::NoName => "who",
            Self::NoSuchSlot | Self::NoSuchQuestion | Self::NoSuchUnit | Self::NothingSaid => "slot",
            Self::NotAReceptacle | Self::NoSuchModel(_) => "counts",
            Self::DoesNotFit | Self::NoCapacity(_) => "part",
            Self::NotBooked(refusal) => refusal.field(),
        }
    }
}

/// What came of it.
#[derive(Debug, Clone)]
pub struct Told {
    /// What was booked on the shelf, if anything was.
    pub booked: Option<Booked>,
}

type Outcome<T> = Result<std::result::Result<T, Refusal>>;

/// Takes down what a person says of a device's slots, once however often a form with that token is sent, and
/// works out what follows; or says why not, and then
/// nothing is changed.
///
/// # Errors
/// If the store cannot be reached.
pub async fn tell(
    store: &Store,
    device: DeviceId,
    telling: &Telling,
    note: &Note,
    token: Option<&Token>,
    (present, rules): (&Present, &Rules),
) -> Outcome<Told> {
    if note.who.trim().is_empty() {
        return Ok(Err(Refusal::NoName));
    }
    let supplies = match telling {
        Telling::CameFrom { origin: CameFrom::Lot(_), .. } => Supplies::of_device(store, device).await?,
        _ => Supplies::none(),
    };
    let mut work = store.begin().await?;
    if taken(&mut work, token, present.now).await?.is_some() {
        return Ok(nothing_booked());
    }
    // Polls of the device wait until this is done, and this waits for a poll that is under way.
    if !Store::lock_device(&mut work, device).await? {
        return Ok(Err(Refusal::NoSuchSlot));
    }
    let slots = Store::slots_in(&mut work, Some(device)).await?;
    let done = match telling {
        Telling::Fell { slot, at, answer } => {
            fell(&mut work, find(&slots, *slot), *at, *answer, note, present).await?
        }
        Telling::CameFrom { slot, from, origin } => {
            came_from(&mut work, find(&slots, *slot), *from, *origin, note, (&supplies, present)).await?
        }
        Telling::Counts { scope, polarity } => {
            counts(&mut work, (device, &slots), scope, *polarity, note, (present, rules)).await?
        }
        Telling::Holds { slot, part, first_ml } => {
            holds(&mut work, find(&slots, *slot), *part, *first_ml).await?
        }
    };
    if done.is_ok() {
        digest_again(&mut work, device, present, rules).await?;
        settle(&mut work, token, 0).await?;
        work.commit().await?;
    }
    Ok(done)
}

fn find(slots: &[SlotRow], wanted: SlotId) -> Option<&SlotRow> {
    slots.iter().find(|row| row.slot.id == wanted)
}

fn nothing_booked() -> std::result::Result<Told, Refusal> {
    Ok(Told { booked: None })
}

async fn fell(
    work: &mut Work,
    slot: Option<&SlotRow>,
    at: Timestamp,
    answer: Option<Answer>,
    note: &Note,
    present: &Present,
) -> Outcome<Told> {
    let Some(slot) = slot else { return Ok(Err(Refusal::NoSuchSlot)) };
    let (device, id) = (slot.slot.device, slot.slot.id);
    let Some(answer) = answer else {
        let dropped = Store::drop_answer(work, id, at).await?;
        return Ok(if dropped { nothing_booked() } else { Err(Refusal::NothingSaid) });
    };
    let asked = Store::questions_in(work, Some(device)).await?.remove(&id).unwrap_or_default();
    let answered = Store::answers_in(work, device).await?.remove(&id).unwrap_or_default();
    let known = asked.into_iter().chain(answered.into_iter().map(|answered| answered.question));
    let Some(question) = known.into_iter().find(|question| question.at == at) else {
        return Ok(Err(Refusal::NoSuchQuestion));
    };
    let answered = Answered { question, answer, who: note.who.trim().to_owned(), at: present.now };
    Store::put_answer(work, id, &answered).await?;
    Ok(nothing_booked())
}

async fn came_from(
    work: &mut Work,
    slot: Option<&SlotRow>,
    from: Timestamp,
    origin: CameFrom,
    note: &Note,
    (supplies, present): (&Supplies, &Present),
) -> Outcome<Told> {
    let Some(slot) = slot else { return Ok(Err(Refusal::NoSuchSlot)) };
    let unit = (slot.slot.id, from);
    let who = note.who.trim();
    let installs = Store::installs_in(work, Some(slot.slot.device), None).await?;
    if !installs.get(&unit.0).is_some_and(|units| units.iter().any(|install| install.from == from)) {
        return Ok(Err(Refusal::NoSuchUnit));
    }
    match origin {
        CameFrom::Untold => {
            let dropped = Store::drop_fitted(work, unit).await?;
            Ok(if dropped { nothing_booked() } else { Err(Refusal::NothingSaid) })
        }
        CameFrom::Elsewhere => {
            Store::put_fitted(work, unit, None, who, present.now).await?;
            Ok(nothing_booked())
        }
        CameFrom::Lot(lot) => {
            let Some(part) = Store::part_of_lot_in(work, lot).await? else {
                return Ok(Err(NotBooked::NoSuchLot { part: "the shelf".to_owned(), lot }.into()));
            };
            let booking = Booking::Issue { lot: Some(lot), to: unit.0 };
            match book_in(work, &part, &booking, note, supplies, present).await? {
                Err(refusal) => Ok(Err(refusal.into())),
                Ok(booked) => {
                    Store::put_fitted(work, unit, Some(booked.movement), who, present.now).await?;
                    Ok(Ok(Told { booked: Some(booked) }))
                }
            }
        }
    }
}

async fn counts(
    work: &mut Work,
    (device, slots): (DeviceId, &[SlotRow]),
    scope: &PinScope,
    polarity: Option<Polarity>,
    note: &Note,
    (present, rules): (&Present, &Rules),
) -> Outcome<Told> {
    let of_model = match scope {
        PinScope::Slot(slot) => match find(slots, *slot) {
            None => return Ok(Err(Refusal::NoSuchSlot)),
            Some(slot) if slot.slot.role == Role::Consumed => return Ok(Err(Refusal::NotAReceptacle)),
            Some(_) => Vec::new(),
        },
        PinScope::Device(of) if *of != device => return Ok(Err(Refusal::NoSuchSlot)),
        PinScope::Device(_) => Vec::new(),
        PinScope::Model(model) => {
            let devices = Store::devices_of_model(work, model).await?;
            if devices.is_empty() {
                return Ok(Err(Refusal::NoSuchModel(model.chars().take(64).collect())));
            }
            devices
        }
    };
    let said = polarity.map(|polarity| (polarity, note.who.trim()));
    Store::put_pin(work, scope, said, present.now).await?;
    for other in of_model.into_iter().filter(|other| *other != device) {
        Store::lock_device(work, other).await?;
        digest_again(work, other, present, rules).await?;
    }
    Ok(nothing_booked())
}

async fn holds(
    work: &mut Work,
    slot: Option<&SlotRow>,
    part: Option<PartId>,
    first_ml: Option<f64>,
) -> Outcome<Told> {
    let Some(slot) = slot else { return Ok(Err(Refusal::NoSuchSlot)) };
    if let Some(part) = part {
        let catalogue = Store::stocks_in(work, None).await?;
        match catalogue.iter().find(|stock| stock.id == part).map(|stock| &stock.part) {
            Some(part) if !part.fits(&slot.slot, slot.model.as_deref()) => {
                return Ok(Err(Refusal::DoesNotFit));
            }
            Some(part) if part.capacity.is_none_or(|(_, measure)| measure != Measure::Millilitres) => {
                return Ok(Err(Refusal::NoCapacity(part.number.clone())));
            }
            Some(_) => {}
            None => return Ok(Err(Refusal::DoesNotFit)),
        }
    }
    Store::choose_part(work, slot.slot.id, part, first_ml).await?;
    renew_sizes(work, Some(slot.slot.device)).await?;
    Ok(nothing_booked())
}

/// Works out anew what follows from a device's readings, as far as something else is said of its slots.
async fn digest_again(work: &mut Work, device: DeviceId, present: &Present, rules: &Rules) -> Result<()> {
    match Store::last_answer_in(work, device).await? {
        Some((name, Some(seen_until))) => {
            let bell = Bell::of(work, device, present, rules).await?;
            digest::digest(work, device, &name, seen_until, present, rules, &bell).await
        }
        _ => Ok(()),
    }
}

/// Looks up in the catalogue what units of slots hold: of one device, or of all. Slots of which it is another
/// amount now are followed from their first reading again when their device answers next.
pub(super) async fn renew_sizes(work: &mut Work, device: Option<DeviceId>) -> Result<()> {
    let slots = Store::slots_in(work, device).await?;
    let catalogue: Vec<Stock> = Store::stocks_in(work, None).await?;
    let size = |row: &SlotRow| full_ml(&row.slot, row.model.as_deref(), &catalogue, row.chosen);
    let changed: Vec<(SlotId, Option<f64>)> = slots
        .iter()
        .map(|row| (row, size(row)))
        .filter(|(row, full)| row.full_ml != *full)
        .map(|(row, full)| (row.slot.id, full))
        .collect();
    if changed.is_empty() { Ok(()) } else { Store::set_full_ml(work, &changed).await }
}
