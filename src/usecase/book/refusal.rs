//! Why a booking is refused.

use jiff::civil::Date;

use super::MOST_UNITS;
use crate::domain::ids::LotId;

/// Why a booking is refused. The text says what is the matter and with which thing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refusal {
    /// The catalogue does not have the part.
    #[error("no part '{0}' is in the catalogue")]
    NoSuchPart(String),
    /// The catalogue has a part of that number already.
    #[error("{0} is in the catalogue already: change it on its page")]
    Known(String),
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
            Self::Known(_) => "number",
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
