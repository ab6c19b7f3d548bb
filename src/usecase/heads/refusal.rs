//! Why something about heads is refused.

use jiff::civil::Date;

use crate::domain::plumbing::Position;

/// Why it is refused. The text says what is the matter and with which thing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refusal {
    /// No watched machine is meant.
    #[error("no such machine is watched")]
    NoSuchMachine,
    /// It does not say its model.
    #[error("the machine does not tell its model, so no map can be kept for it")]
    NoModel,
    /// A head is there.
    #[error("a head is in place {0}: replace it instead")]
    Occupied(Position),
    /// No head is there.
    #[error("no head is known to be in place {0}: register one instead")]
    Vacant(Position),
    /// Another head is there at that time.
    #[error("another head is in place {0} at that time")]
    Taken(Position),
    /// The map has no such place.
    #[error("the map of this model has no head {position}, only {}: write the map first", listed(.places))]
    NoSuchPlace {
        /// What was asked for.
        position: Position,
        /// What there is.
        places: Vec<Position>,
    },
    /// The successor went in before the old one.
    #[error("the head in place {position} went in on {in_on}: its successor went in on a later day")]
    BeforeTheOld {
        /// Which place.
        position: Position,
        /// When the old one went in.
        in_on: Date,
    },
    /// It lies ahead.
    #[error("{1} lies ahead: what was done lies behind")]
    Ahead(&'static str, Date),
    /// It came out before it went in.
    #[error("it came out on {out_on}, and went in on {in_on}: a head comes out on a later day")]
    OutBeforeIn {
        /// When it went in.
        in_on: Date,
        /// When it came out.
        out_on: Date,
    },
    /// The catalogue does not have the part.
    #[error("no part '{0}' is in the catalogue")]
    NoSuchPart(String),
    /// The part is something else.
    #[error("{0} is no print head")]
    NotAHead(String),
    /// The part is for other models.
    #[error("{0} does not fit this model")]
    OtherModel(String),
    /// No amount of ink that goes through a head.
    #[error("that is no amount of ink in a head: write millilitres up to 1000000")]
    Ml(&'static str),
    /// A name is missing.
    #[error("it must not be empty")]
    Empty(&'static str),
}

impl Refusal {
    /// The field of a form, or the option of a command, that it is about.
    #[must_use]
    pub fn field(&self) -> &'static str {
        match self {
            Self::NoSuchMachine => "machine",
            Self::NoModel => "map",
            Self::Occupied(_) | Self::Vacant(_) | Self::Taken(_) | Self::NoSuchPlace { .. } => "position",
            Self::BeforeTheOld { .. } => "in_on",
            Self::OutBeforeIn { .. } => "out_on",
            Self::NoSuchPart(_) | Self::NotAHead(_) | Self::OtherModel(_) => "part",
            Self::Ahead(field, _) | Self::Ml(field) | Self::Empty(field) => field,
        }
    }
}

/// As `1 to 8`, or one by one where some are left out.
fn listed(places: &[Position]) -> String {
    match places {
        [first, .., last]
            if last.number() - first.number() + 1 == i32::try_from(places.len()).unwrap_or(0) =>
        {
            format!("{first} to {last}")
        }
        _ => places.iter().map(ToString::to_string).collect::<Vec<_>>().join(", "),
    }
}
