//! Bookings on the shelf: what may move, what is refused and why, and what is written down.

use jiff::Timestamp;
use jiff::civil::Date;

use super::shelf::{Supplies, fitting};
use crate::domain::ids::{DeviceId, LotId, MovementId, SlotId};
use crate::domain::outlook::Present;
use crate::domain::part::Part;
use crate::domain::shelf::{Lot, MovementKind, Stock};
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

/// Why a booking is refused. The text says what is the matter and with which thing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refusal {
    /// The catalogue does not have the part.
    #[error("no part '{0}' is in the catalogue")]
    NoSuchPart(String),
    /// The part has no such lot, or nothing of it is on the shelf or out.
    #[error("{part} has no lot {lot} on the shelf")]
    NoSuchLot {
        /// The part's number.
        part: String,
        /// The lot.
        lot: LotId,
    },
    /// Nothing good is left.
    #[error("no {0} is on the shelf that is still good")]
    NothingGood(String),
    /// The lot holds less.
    #[error(
        "lot {lot} holds {on_shelf} on the shelf, and {asked} cannot leave it: count it if that is wrong"
    )]
    Short {
        /// The lot.
        lot: LotId,
        /// What it holds.
        on_shelf: u32,
        /// What was to go.
        asked: u32,
    },
    /// Nothing of the lot is out.
    #[error("no unit of lot {0} is out that could come back: receive it instead")]
    NotOut(LotId),
    /// More would come back than it can hold.
    #[error("a full one holds {holds}, so {left} cannot be left in it")]
    TooMuchLeft {
        /// What came back.
        left: f64,
        /// What it holds when full.
        holds: f64,
    },
    /// The part fits no such slot.
    #[error("{0} does not fit there: its kind, colour or models say otherwise")]
    DoesNotFit(String),
    /// Nothing, or more than anybody means.
    #[error("{0} is no number of units: write 1 to {MOST_UNITS}")]
    Units(u32),
    /// What does not explain itself needs a reason.
    #[error("a reason is needed, such as 'leaked' or 'past its date'")]
    NoReason,
    /// Nobody has made it yet.
    #[error("{0} lies ahead: when it was made lies behind")]
    MadeAhead(Date),
    /// A name or place is missing.
    #[error("it must not be empty")]
    Empty(&'static str),
}

impl Refusal {
    /// The field of a form, or the option of a command, that it is about.
    #[must_use]
    pub fn field(&self) -> &'static str {
        match self {
            Self::NoSuchPart(_) => "part",
            Self::NoSuchLot { .. } | Self::NothingGood(_) | Self::NotOut(_) => "lot",
            Self::Short { .. } | Self::Units(_) => "units",
            Self::TooMuchLeft { .. } => "left",
            Self::DoesNotFit(_) => "to",
            Self::NoReason => "why",
            Self::MadeAhead(_) => "made_on",
            Self::Empty(field) => field,
        }
    }
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
    let supplies = Supplies::load(store).await?;
    let mut work = store.begin().await?;
    let booked = match begin(&mut work, part).await? {
        Err(refusal) => Err(refusal),
        Ok(stock) => match plan(&mut work, &stock, booking, note, &supplies, present).await? {
            Err(refusal) => Err(refusal),
            Ok(plan) => write(&mut work, plan, note, present.now).await?,
        },
    };
    if booked.is_ok() {
        work.commit().await?;
    }
    Ok(booked)
}

/// The stock of a part, which nobody else moves until the work ends.
async fn begin(work: &mut Work, part: &str) -> Result<std::result::Result<Stock, Refusal>> {
    let missing = || Refusal::NoSuchPart(part.chars().take(64).collect());
    let Some(stock) = Store::stocks_in(work, Some(part)).await?.pop() else { return Ok(Err(missing())) };
    Store::lock_part(work, stock.id).await?;
    // What moved while this waited counts.
    Ok(Store::stocks_in(work, Some(part)).await?.pop().ok_or_else(missing))
}

/// A movement that is about to be written down.
struct Plan {
    lot: Lot,
    /// The lot that moves, where it is not that one: a part-used unit has one of its own.
    into: LotId,
    kind: MovementKind,
    quantity: i32,
    left_over: Option<f64>,
    at: Option<(DeviceId, SlotId, String)>,
    past: bool,
}

impl Plan {
    fn new(lot: &Lot, kind: MovementKind, quantity: i32) -> Self {
        Self { into: lot.id, lot: lot.clone(), kind, quantity, left_over: None, at: None, past: false }
    }
}

async fn plan(
    work: &mut Work,
    stock: &Stock,
    booking: &Booking,
    note: &Note,
    supplies: &Supplies,
    present: &Present,
) -> Result<std::result::Result<Plan, Refusal>> {
    if note.who.trim().is_empty() {
        return Ok(Err(Refusal::Empty("who")));
    }
    Ok(match booking {
        Booking::Receive { made_on, place, units } => {
            if let Err(refusal) = receivable(*made_on, place, *units, present) {
                return Ok(Err(refusal));
            }
            let id = Store::put_lot(work, stock.id, *made_on, place.trim()).await?;
            let known = stock.lots.iter().find(|lot| lot.id == id).cloned();
            let lot = known.unwrap_or_else(|| Lot {
                id,
                part: stock.id,
                made_on: *made_on,
                place: place.trim().to_owned(),
                left_over: None,
                units: 0,
                out: 0,
            });
            Ok(Plan::new(&lot, MovementKind::Received, signed(*units)))
        }
        Booking::Issue { lot, to } => issue(stock, *lot, *to, supplies, present),
        Booking::Return { lot, left } => match returned(stock, *lot, *left) {
            Err(refusal) => Err(refusal),
            Ok((lot, left)) => {
                let mut plan = Plan::new(lot, MovementKind::Returned, 1);
                plan.left_over = left;
                if let Some(left) = left {
                    plan.into = Store::put_part_used(work, lot.id, left).await?;
                }
                Ok(plan)
            }
        },
        Booking::Count { lot, units } => found(stock, *lot).and_then(|lot| {
            if *units > MOST_UNITS {
                return Err(Refusal::Units(*units));
            }
            Ok(Plan::new(lot, MovementKind::Counted, signed(*units) - signed(lot.units)))
        }),
        Booking::WriteOff { lot, units } => found(stock, *lot).and_then(|lot| {
            if !(1..=MOST_UNITS).contains(units) {
                return Err(Refusal::Units(*units));
            }
            if note.why.trim().is_empty() {
                return Err(Refusal::NoReason);
            }
            Ok(Plan::new(lot, MovementKind::WrittenOff, -signed(*units)))
        }),
    })
}

fn signed(units: u32) -> i32 {
    i32::try_from(units).unwrap_or(i32::MAX)
}

fn receivable(made_on: Date, place: &str, units: u32, present: &Present) -> std::result::Result<(), Refusal> {
    match () {
        () if !(1..=MOST_UNITS).contains(&units) => Err(Refusal::Units(units)),
        () if made_on > present.today() => Err(Refusal::MadeAhead(made_on)),
        () if place.trim().is_empty() => Err(Refusal::Empty("place")),
        () => Ok(()),
    }
}

fn found(stock: &Stock, lot: LotId) -> std::result::Result<&Lot, Refusal> {
    let found = stock.lots.iter().find(|found| found.id == lot);
    found.ok_or_else(|| Refusal::NoSuchLot { part: stock.part.number.clone(), lot })
}

fn issue(
    stock: &Stock,
    lot: Option<LotId>,
    to: SlotId,
    supplies: &Supplies,
    present: &Present,
) -> std::result::Result<Plan, Refusal> {
    let today = present.today();
    let number = || stock.part.number.clone();
    let lot = match lot {
        Some(lot) => found(stock, lot)?,
        None => stock.proposed(today).ok_or_else(|| Refusal::NothingGood(number()))?,
    };
    let supplies = supplies.all();
    let slot = fitting(stock, &supplies).find(|supply| supply.outlook.slot.id == to);
    let slot = slot.ok_or_else(|| Refusal::DoesNotFit(number()))?;
    let words = format!("{}, {}", slot.device_name, slot.outlook.slot.label());
    let mut plan = Plan::new(lot, MovementKind::Issued, -1);
    plan.at = Some((slot.outlook.slot.device, to, words));
    plan.past = !stock.is_good_on(lot, today);
    Ok(plan)
}

/// The lot that a unit comes back to, with what is left in the unit.
fn returned(
    stock: &Stock,
    lot: LotId,
    left: Option<f64>,
) -> std::result::Result<(&Lot, Option<f64>), Refusal> {
    let lot = found(stock, lot)?;
    if lot.out == 0 {
        return Err(Refusal::NotOut(lot.id));
    }
    // A part-used unit that comes back untouched is still part-used.
    let left = left.or(lot.left_over);
    let holds = lot.left_over.or(stock.part.capacity.map(|(capacity, _)| capacity));
    match (left, holds) {
        (Some(left), Some(holds)) if left > holds => Err(Refusal::TooMuchLeft { left, holds }),
        _ => Ok((lot, left)),
    }
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
        at_device: plan.at.as_ref().map(|(device, slot, _)| (*device, Some(*slot))),
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

/// Books a stock-take: every count, or none and the first refusal with its lot.
///
/// # Errors
/// If the store cannot be reached.
pub async fn count_all(
    store: &Store,
    counts: &[(LotId, u32)],
    note: &Note,
    present: &Present,
) -> Result<std::result::Result<Vec<Booked>, (LotId, Refusal)>> {
    let supplies = Supplies::of(&[], Vec::new());
    let mut booked = Vec::with_capacity(counts.len());
    let mut numbers = Vec::with_capacity(counts.len());
    for (lot, units) in counts {
        let number = store.part_of_lot(*lot).await?.unwrap_or_default();
        numbers.push((number, *lot, *units));
    }
    // Two counts at the same time wait for each other's parts in one order, or they would wait for ever.
    numbers.sort();
    let mut work = store.begin().await?;
    for (number, lot, units) in numbers {
        let stock = match begin(&mut work, &number).await? {
            Ok(stock) => stock,
            Err(refusal) => return Ok(Err((lot, refusal))),
        };
        let booking = Booking::Count { lot, units };
        let plan = match plan(&mut work, &stock, &booking, note, &supplies, present).await? {
            Ok(plan) => plan,
            Err(refusal) => return Ok(Err((lot, refusal))),
        };
        match write(&mut work, plan, note, present.now).await? {
            Ok(one) => booked.push(one),
            Err(refusal) => return Ok(Err((lot, refusal))),
        }
    }
    work.commit().await?;
    Ok(Ok(booked))
}

/// Puts parts into the catalogue, or in the place of those that have their numbers.
///
/// # Errors
/// If the store cannot be reached; then none is in.
pub async fn import_parts(store: &Store, parts: &[Part]) -> Result<()> {
    let mut work = store.begin().await?;
    for part in parts {
        Store::put_part(&mut work, part).await?;
    }
    work.commit().await?;
    Ok(())
}

/// Units that come in by a file.
#[derive(Debug, Clone, PartialEq)]
pub struct LotRow {
    /// The line of the file.
    pub line: u64,
    /// The part's number.
    pub part: String,
    /// When they were made.
    pub made_on: Date,
    /// Where they lie.
    pub place: String,
    /// How many.
    pub units: u32,
    /// What is left in a single unit that is part-used.
    pub left_over: Option<f64>,
}

/// Receives every row, or none: then every row that is refused is told with its line.
///
/// # Errors
/// If the store cannot be reached.
pub async fn import_lots(
    store: &Store,
    rows: &[LotRow],
    note: &Note,
    present: &Present,
) -> Result<std::result::Result<u32, Vec<(u64, Refusal)>>> {
    let mut work = store.begin().await?;
    let stocks = Store::stocks_in(&mut work, None).await?;
    let (mut refused, mut units) = (Vec::new(), 0);
    for row in rows {
        match stocks.iter().find(|stock| stock.part.number == row.part) {
            None => refused.push((row.line, Refusal::NoSuchPart(row.part.chars().take(64).collect()))),
            Some(stock) => match receive_row(&mut work, stock, row, note, present).await? {
                Err(refusal) => refused.push((row.line, refusal)),
                Ok(()) => units += row.units,
            },
        }
    }
    if !refused.is_empty() {
        return Ok(Err(refused));
    }
    work.commit().await?;
    Ok(Ok(units))
}

async fn receive_row(
    work: &mut Work,
    stock: &Stock,
    row: &LotRow,
    note: &Note,
    present: &Present,
) -> Result<std::result::Result<(), Refusal>> {
    if let Err(refusal) = receivable(row.made_on, &row.place, row.units, present) {
        return Ok(Err(refusal));
    }
    let lot = match (row.left_over, stock.part.capacity) {
        (Some(left), Some((holds, _))) if left > holds => {
            return Ok(Err(Refusal::TooMuchLeft { left, holds }));
        }
        (Some(left), _) => {
            Store::put_part_used_lot(work, stock.id, row.made_on, row.place.trim(), left).await?
        }
        (None, _) => Store::put_lot(work, stock.id, row.made_on, row.place.trim()).await?,
    };
    let movement = NewMovement {
        lot,
        kind: MovementKind::Received,
        quantity: signed(row.units),
        left_over: None,
        at_device: None,
        at: present.now,
        who: note.who.clone(),
        why: note.why.clone(),
    };
    Store::add_movement(work, &movement).await?;
    Ok(Ok(()))
}
