//! Bookings on the shelf: what may move, what is refused and why, and what is written down.

mod count;
mod import;
mod plan;
mod refusal;

use jiff::Timestamp;
use jiff::civil::Date;

pub use self::count::{count_all, count_form};
pub use self::import::{LotRow, import_lots, import_parts, put_part};
use self::plan::{Plan, plan};
pub use self::refusal::Refusal;
use super::once::{Token, settle, taken};
use super::shelf::Supplies;
use crate::domain::ids::{DeviceId, LotId, MovementId, SlotId};
use crate::domain::outlook::Present;
use crate::domain::shelf::{Lot, Stock};
use crate::store::shelf::NewMovement;
use crate::store::{Result, Store, Work};

/// The most units that one booking moves: more is a slip of the hand.
pub const MOST_UNITS: u32 = 9_999;

/// Who books, and why.
#[derive(Debug, Clone)]
pub struct Note {
    /// Who; not empty.
    pub who: String,
    /// Why; may be empty where the booking says it all.
    pub why: String,
}

/// What is to be booked on a part's page or by a command.
#[derive(Debug, Clone)]
pub enum Booking {
    /// Units came in.
    Receive {
        /// When they were made.
        made_on: Date,
        /// Where they are put.
        place: String,
        /// How many.
        units: u32,
    },
    /// A unit goes to a machine.
    Issue {
        /// From which lot; none: the oldest that is still good.
        lot: Option<LotId>,
        /// Into which slot.
        to: SlotId,
    },
    /// A print head goes to a machine.
    IssueHead {
        /// From which lot.
        lot: LotId,
        /// To which machine.
        to: DeviceId,
        /// The machine and the head's place, in words.
        words: String,
    },
    /// A unit comes back.
    Return {
        /// The lot that it was issued from.
        lot: LotId,
        /// What is left in it, in the part's measure; none: it was never opened.
        left: Option<f64>,
    },
    /// A lot was counted.
    Count {
        /// Which lot.
        lot: LotId,
        /// What lies there.
        units: u32,
    },
    /// Units are thrown away, lost or spoilt.
    WriteOff {
        /// Which lot.
        lot: LotId,
        /// How many.
        units: u32,
    },
}

/// What was booked.
#[derive(Debug, Clone)]
pub struct Booked {
    /// The line of the ledger.
    pub movement: MovementId,
    /// The lot as it was before.
    pub lot: Lot,
    /// Units that came (above zero) or went (below).
    pub quantity: i32,
    /// The device and slot, in words, where the booking is about one.
    pub at: Option<String>,
    /// Whether a unit that is past its date was taken.
    pub past: bool,
}

/// Books one thing for a part, or says why not; then nothing is changed.
///
/// # Errors
/// If the store cannot be reached.
pub async fn book(
    store: &Store,
    part: &str,
    booking: &Booking,
    note: &Note,
    present: &Present,
) -> Result<std::result::Result<Booked, Refusal>> {
    let supplies = supplies_for(store, booking).await?;
    let mut work = store.begin().await?;
    let booked = book_in(&mut work, part, booking, note, &supplies, present).await?;
    if booked.is_ok() {
        work.commit().await?;
    }
    Ok(booked)
}

/// The same for a form, which is booked once however often it is sent.
///
/// # Errors
/// If the store cannot be reached.
pub async fn book_form(
    store: &Store,
    part: &str,
    booking: &Booking,
    note: &Note,
    token: Option<&Token>,
    present: &Present,
) -> Result<std::result::Result<MovementId, Refusal>> {
    let supplies = supplies_for(store, booking).await?;
    let mut work = store.begin().await?;
    if let Some(before) = taken(&mut work, token, present.now).await? {
        return Ok(Ok(MovementId(before)));
    }
    let movement = match book_in(&mut work, part, booking, note, &supplies, present).await? {
        Ok(booked) => booked.movement,
        Err(refusal) => return Ok(Err(refusal)),
    };
    settle(&mut work, token, movement.0).await?;
    work.commit().await?;
    Ok(Ok(movement))
}

/// What a booking has to know of supplies: those of the machine that it is about.
async fn supplies_for(store: &Store, booking: &Booking) -> Result<Supplies> {
    match booking {
        Booking::Issue { to, .. } => Supplies::around(store, *to).await,
        _ => Ok(Supplies::none()),
    }
}

/// The same within a transaction, which the caller ends.
pub(super) async fn book_in(
    work: &mut Work,
    part: &str,
    booking: &Booking,
    note: &Note,
    supplies: &Supplies,
    present: &Present,
) -> Result<std::result::Result<Booked, Refusal>> {
    let stock = match begin(work, part).await? {
        Ok(stock) => stock,
        Err(refusal) => return Ok(Err(refusal)),
    };
    match plan(work, &stock, booking, note, supplies, present).await? {
        Err(refusal) => Ok(Err(refusal)),
        Ok(plan) => write(work, plan, note, present.now).await,
    }
}

/// The stock of a part, which nobody else moves until the work ends.
async fn begin(work: &mut Work, part: &str) -> Result<std::result::Result<Stock, Refusal>> {
    let missing = || Refusal::NoSuchPart(part.chars().take(64).collect());
    let Some(stock) = Store::stocks_in(work, Some(part)).await?.pop() else { return Ok(Err(missing())) };
    Store::lock_part(work, stock.id).await?;
    // What moved while this waited counts.
    Ok(Store::stocks_in(work, Some(part)).await?.pop().ok_or_else(missing))
}

async fn write(
    work: &mut Work,
    plan: Plan,
    note: &Note,
    at: Timestamp,
) -> Result<std::result::Result<Booked, Refusal>> {
    let movement = NewMovement {
        lot: plan.into,
        kind: plan.kind,
        quantity: plan.quantity,
        left_over: plan.left_over,
        at_device: plan.at.as_ref().map(|(device, slot, _)| (*device, *slot)),
        at,
        who: note.who.trim().to_owned(),
        why: note.why.trim().to_owned(),
    };
    Ok(match Store::add_movement(work, &movement).await? {
        Some(movement) => Ok(Booked {
            movement,
            quantity: plan.quantity,
            at: plan.at.map(|(_, _, words)| words),
            past: plan.past,
            lot: plan.lot,
        }),
        None => Err(Refusal::Short {
            lot: plan.lot.id,
            on_shelf: plan.lot.units,
            asked: plan.quantity.unsigned_abs(),
        }),
    })
}
