//! Why a swap does not go on.

use super::MOST_OCTETS;
use crate::domain::guide::GuideFault;
use crate::domain::guide::walk::NotOn;
use crate::usecase::book::Refusal as NotBooked;
use crate::usecase::heads::Refusal as NotWritten;

/// Why it does not go on. The text says what is the matter and with which thing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refusal {
    /// The machine has no such supply.
    #[error("that machine has no such supply")]
    NoSuchPlace,
    /// There is no such walk.
    #[error("there is no such swap")]
    NoSuchSwap,
    /// Another walk is under way there.
    #[error("a swap is under way there already: go on with it, or give it up")]
    UnderWay,
    /// The walk went on meanwhile.
    #[error("the swap went on meanwhile: here is where it stands now")]
    Moved,
    /// The device does not answer.
    #[error("the machine could not be asked: {0}")]
    Silent(String),
    /// A step is not confirmed.
    #[error(transparent)]
    NotOn(#[from] NotOn),
    /// The lot is another than the one to take.
    #[error("{0}")]
    Why(String),
    /// The part does not fit.
    #[error("that part does not fit there, or nothing of that lot is on the shelf")]
    DoesNotFit,
    /// At the end the supply is not in.
    #[error("the machine says that the supply is not in")]
    NotIn,
    /// What stands on the head is missing.
    #[error("write down what stands on the new head")]
    NoHead,
    /// Whoever does it is missing.
    #[error("it must not be empty")]
    NoName,
    /// No machine of that model is watched.
    #[error("no watched machine is of that model")]
    NoSuchModel,
    /// The picture is too large.
    #[error("a picture has {} MiB at most", MOST_OCTETS / 1024 / 1024)]
    TooLarge,
    /// It is no picture.
    #[error("choose a picture: PNG, JPEG or WebP")]
    NotAPicture,
    /// The text is no guide.
    #[error(transparent)]
    Guide(#[from] GuideFault),
    /// The shelf refuses.
    #[error(transparent)]
    NotBooked(#[from] NotBooked),
    /// The head is refused.
    #[error(transparent)]
    NotWritten(#[from] NotWritten),
}

impl Refusal {
    /// The field of a form that it is about.
    #[must_use]
    pub fn field(&self) -> &'static str {
        match self {
            Self::Why(_) => "why",
            Self::DoesNotFit => "lot",
            Self::NoName => "who",
            Self::NoSuchModel => "model",
            Self::TooLarge | Self::NotAPicture => "file",
            Self::Guide(_) => "steps",
            Self::NotWritten(refusal) => refusal.field(),
            // A booking's own fields do not stand in these forms.
            _ => "",
        }
    }
}
