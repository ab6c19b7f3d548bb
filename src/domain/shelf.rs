//! Lots on the shelf: how long they are good for, which is taken first, and what will pass its date unused.

use jiff::civil::Date;
use jiff::{Span, Timestamp};

use super::ids::{DeviceId, LotId, MovementId, PartId, SlotId};
use super::life::{good_until, is_past};
use super::outlook::{Outlook, Slot};
use super::part::Part;
use super::reading::Capacity;

/// Units of one part with one date of manufacture in one place; or a single unit that came back part-used.
#[derive(Debug, Clone, PartialEq)]
pub struct Lot {
    /// Its identity.
    pub id: LotId,
    /// Which part.
    pub part: PartId,
    /// The day of manufacture; the first of the month where only that is printed on it.
    pub made_on: Date,
    /// Where it lies.
    pub place: String,
    /// What was left in a unit that came back part-used, in the part's measure.
    pub left_over: Option<f64>,
    /// How many lie there.
    pub units: u32,
    /// How many were issued from it and have not come back.
    pub out: u32,
}

/// A part with its lots.
#[derive(Debug, Clone, PartialEq)]
pub struct Stock {
    /// Its identity.
    pub id: PartId,
    /// The catalogue entry.
    pub part: Part,
    /// Its lots that are not empty.
    pub lots: Vec<Lot>,
}

/// So many whole days on; the end of the calendar where that lies past it.
fn after(day: Date, days: i64) -> Date {
    Span::new().try_days(days).and_then(|days| day.checked_add(days)).unwrap_or(Date::MAX)
}

impl Stock {
    /// The last day that a lot of this part is good for.
    #[must_use]
    pub fn good_until(&self, lot: &Lot) -> Option<Date> {
        good_until(lot.made_on, self.part.shelf_life_months)
    }

    /// Whether a lot may still be used on a day.
    #[must_use]
    pub fn is_good_on(&self, lot: &Lot, day: Date) -> bool {
        !is_past(self.good_until(lot), day)
    }

    /// Its lots, oldest first; of one age a part-used unit before whole ones.
    #[must_use]
    pub fn oldest_first(&self) -> Vec<&Lot> {
        let mut lots: Vec<&Lot> = self.lots.iter().filter(|lot| lot.units > 0).collect();
        lots.sort_by_key(|lot| (lot.made_on, lot.left_over.is_none(), lot.id));
        lots
    }

    /// The lot to take from on a day: the oldest that is still good.
    #[must_use]
    pub fn proposed(&self, day: Date) -> Option<&Lot> {
        self.oldest_first().into_iter().find(|lot| self.is_good_on(lot, day))
    }

    /// How many units lie on the shelf, past their date or not.
    #[must_use]
    pub fn units(&self) -> u32 {
        self.lots.iter().map(|lot| lot.units).sum()
    }
}

/// What is left unused of each lot when its date passes. `lots` are units and the days they are good for,
/// earliest date first; `needed_by` says how many units are needed from now to a day, in all, or any number that is not
/// less than the second it is given, if there are as many.
#[must_use]
pub fn left_at_date(lots: &[(f64, f64)], needed_by: impl Fn(f64, f64) -> f64) -> Vec<f64> {
    let mut taken = 0.0;
    let mut left = Vec::with_capacity(lots.len());
    for &(units, days) in lots {
        let used = (needed_by(days, taken + units) - taken).clamp(0.0, units);
        taken += used;
        left.push(units - used);
    }
    left
}

/// When a slot needs units from the shelf.
#[derive(Debug, Clone, PartialEq)]
pub struct Need {
    /// Which slot.
    pub slot: SlotId,
    /// Its device's name.
    pub device_name: String,
    /// The day by which it needs the first, at even odds, and units per day from then on; none where no date
    /// can be given yet.
    pub pace: Option<(Date, f64)>,
    /// How many parts with stock the slot takes: they share what it needs evenly.
    pub shared_by: u32,
}

impl Need {
    /// The need that follows from what is said of a supply.
    #[must_use]
    pub fn of(outlook: &Outlook, device_name: &str, shared_by: u32) -> Self {
        let pace = outlook.forecast.horizon().and_then(|horizon| {
            let Capacity::Known(capacity) = outlook.level.capacity else { return None };
            Some((horizon.middle, outlook.daily_use? / capacity))
        });
        Self {
            slot: outlook.slot.id,
            device_name: device_name.to_owned(),
            pace: pace.filter(|(_, per_day)| per_day.is_finite() && *per_day >= 0.0),
            shared_by: shared_by.max(1),
        }
    }

    /// Units that it opens up to and on a day.
    pub(super) fn units_by(&self, day: Date) -> f64 {
        match self.pace {
            Some((first, per_day)) if first <= day => {
                (1.0 + (days_between(first, day) * per_day).floor()) / f64::from(self.shared_by)
            }
            _ => 0.0,
        }
    }
}

fn days_between(from: Date, to: Date) -> f64 {
    from.until(to).map_or(0.0, |span| f64::from(span.get_days()))
}

/// How it stands with a lot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Standing {
    /// It will be used in time, as far as can be told.
    Good,
    /// So many of its units are not needed before their date.
    Idle(u32),
    /// Its date passes soon, and some machine that takes it cannot be forecast yet.
    Soon,
    /// Its date has passed.
    Past,
}

/// How it stands with the lots of a part, oldest first, when `needs` are those of the slots it fits.
/// `soon_days` is how far ahead a date counts as near.
#[must_use]
pub fn standings<'a>(
    stock: &'a Stock,
    needs: &[Need],
    today: Date,
    soon_days: u32,
) -> Vec<(&'a Lot, Standing)> {
    let lots = stock.oldest_first();
    let soon = after(today, i64::from(soon_days));
    let all_known = needs.iter().all(|need| need.pace.is_some());
    let good: Vec<(f64, f64)> = lots
        .iter()
        .filter(|lot| stock.is_good_on(lot, today))
        .map(|lot| {
            let days = stock.good_until(lot).map_or(f64::INFINITY, |until| days_between(today, until));
            (f64::from(lot.units), days)
        })
        .collect();
    // In a large print room the first few hundred machines need more than the shelf holds; the others are not asked.
    let needed_by = |days: f64, enough: f64| {
        let day = after(today, days as i64);
        let mut sum = 0.0;
        for need in needs {
            sum += need.units_by(day);
            if sum >= enough {
                break;
            }
        }
        sum
    };
    let mut left = left_at_date(&good, needed_by).into_iter();
    let standing = |lot: &&'a Lot| {
        let Some(until) = stock.good_until(lot) else {
            left.next();
            return (*lot, Standing::Good);
        };
        if until < today {
            return (*lot, Standing::Past);
        }
        // Half a unit that is not needed is none that can be given away.
        let idle = left.next().map_or(0, |left| left.round() as u32);
        match (all_known, idle) {
            (true, 1..) => (*lot, Standing::Idle(idle)),
            (false, 1..) if until <= soon => (*lot, Standing::Soon),
            _ => (*lot, Standing::Good),
        }
    };
    lots.iter().map(standing).collect()
}

/// Where a unit is best used first: the slot that needs one soonest.
#[must_use]
pub fn use_first(needs: &[Need]) -> Option<&Need> {
    needs.iter().min_by_key(|need| (need.pace.map_or(Date::MAX, |(first, _)| first), need.slot))
}

/// The needs of the slots that a part fits.
#[must_use]
pub fn needs_of(stock: &Stock, all: &[Stock], supplies: &[Supply<'_>]) -> Vec<Need> {
    let fits = |stock: &Stock, supply: &Supply<'_>| stock.part.fits(&supply.outlook.slot, supply.model);
    let fitted = supplies.iter().filter(|supply| fits(stock, supply));
    fitted
        .map(|supply| {
            let sharing = all.iter().filter(|other| other.units() > 0 && fits(other, supply)).count();
            Need::of(supply.outlook, supply.device_name, u32::try_from(sharing).unwrap_or(u32::MAX))
        })
        .collect()
}

/// A supply with what decides whether a part fits it.
#[derive(Debug, Clone, Copy)]
pub struct Supply<'a> {
    /// What is said of it.
    pub outlook: &'a Outlook,
    /// The device's name.
    pub device_name: &'a str,
    /// The device's model, where it is known.
    pub model: Option<&'a str>,
}

/// What kind of movement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum MovementKind {
    /// Came in.
    Received,
    /// Went to a machine.
    Issued,
    /// Came back from a machine.
    Returned,
    /// Put right by a count.
    Counted,
    /// Thrown away, lost or spoilt.
    WrittenOff,
}

impl MovementKind {
    /// Every kind.
    pub const ALL: [Self; 5] =
        [Self::Received, Self::Issued, Self::Returned, Self::Counted, Self::WrittenOff];

    /// The word by which it is stored.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Received => "received",
            Self::Issued => "issued",
            Self::Returned => "returned",
            Self::Counted => "counted",
            Self::WrittenOff => "written_off",
        }
    }

    /// From its stored word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// A line of the ledger.
#[derive(Debug, Clone, PartialEq)]
pub struct Movement {
    /// Its identity.
    pub id: MovementId,
    /// Of which lot.
    pub lot: LotId,
    /// What kind.
    pub kind: MovementKind,
    /// Units that came (above zero) or went (below).
    pub quantity: i32,
    /// What was left in a unit that came back part-used, in the part's measure.
    pub left_over: Option<f64>,
    /// At which device.
    pub device: Option<DeviceId>,
    /// For which slot.
    pub slot: Option<Slot>,
    /// When.
    pub at: Timestamp,
    /// Who.
    pub who: String,
    /// Why; may be empty where the kind says it all.
    pub why: String,
}

#[cfg(test)]
mod tests;
