//! A walk through a guide: it begins at a machine that rests, goes one step at a time, and ends only when each of them
//! was confirmed, done or left out with a reason.
//!
//! What was passed is kept as a list, so that a walk goes on where it stood after the program was started again.

use super::seen::Judgement;
use super::{Confirmation, Guide, Step};

/// So many letters at most in a reason.
const MOST_LETTERS: usize = 200;

/// Why something was left out or given up; never empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reason(String);

impl Reason {
    /// From what was typed; `None` where nothing was, or far too much.
    #[must_use]
    pub fn new(text: &str) -> Option<Self> {
        let text = text.trim();
        let said = text.chars().any(char::is_alphanumeric) && text.chars().count() <= MOST_LETTERS;
        said.then(|| Self(text.to_owned()))
    }

    /// Its text.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.0
    }
}

/// How a step was passed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Passed {
    /// The device said so.
    Confirmed,
    /// A person said so, where the device does not tell such things.
    Said,
    /// It was left out.
    Skipped(Reason),
}

impl Passed {
    /// The word by which it is stored.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match self {
            Self::Confirmed => "confirmed",
            Self::Said => "said",
            Self::Skipped(_) => "skipped",
        }
    }

    /// From its word, and the reason that stands beside it.
    #[must_use]
    pub fn from_word(word: &str, reason: Option<&str>) -> Option<Self> {
        match (word, reason) {
            ("confirmed", None) => Some(Self::Confirmed),
            ("said", None) => Some(Self::Said),
            ("skipped", Some(reason)) => Reason::new(reason).map(Self::Skipped),
            _ => None,
        }
    }

    /// Why it was left out, if it was.
    #[must_use]
    pub fn reason(&self) -> Option<&str> {
        match self {
            Self::Skipped(reason) => Some(reason.text()),
            _ => None,
        }
    }
}

/// Why a walk does not go on.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotOn {
    /// It prints.
    #[error("the machine is printing: a swap begins when it rests")]
    Printing,
    /// The device says otherwise.
    #[error("not confirmed yet: {0}")]
    NotYet(&'static str),
    /// Steps are still to be done.
    #[error("step {0} is still to be done")]
    Unfinished(usize),
    /// Every step is behind.
    #[error("every step is done")]
    Through,
}

/// A walk that is under way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Walk {
    guide: Guide,
    passed: Vec<Passed>,
}

/// A walk of which every step is behind: what the record of a swap is made from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Through(Walk);

impl Through {
    /// Whether the device confirmed that a new unit is in.
    #[must_use]
    pub fn has_new_level(&self) -> bool {
        self.0.confirmed(Confirmation::NewLevel)
    }
}

impl Walk {
    /// Begins, unless the device says that it prints.
    ///
    /// # Errors
    /// If it prints.
    pub fn begin(guide: Guide, resting: &Judgement) -> Result<Self, NotOn> {
        match resting {
            Judgement::NotYet(_) => Err(NotOn::Printing),
            Judgement::Met | Judgement::CannotTell => Ok(Self { guide, passed: Vec::new() }),
        }
    }

    /// Goes on where it stood; `None` if more was passed than the guide has.
    #[must_use]
    pub fn resume(guide: Guide, passed: Vec<Passed>) -> Option<Self> {
        (passed.len() <= guide.steps().len()).then_some(Self { guide, passed })
    }

    /// The guide that it goes by.
    #[must_use]
    pub fn guide(&self) -> &Guide {
        &self.guide
    }

    /// How the steps that are behind were passed.
    #[must_use]
    pub fn passed(&self) -> &[Passed] {
        &self.passed
    }

    /// The step that it stands at; none once all are behind.
    #[must_use]
    pub fn step(&self) -> Option<&Step> {
        self.guide.steps().get(self.passed.len())
    }

    /// Whether the device has confirmed this in a step that is behind.
    #[must_use]
    pub fn confirmed(&self, what: Confirmation) -> bool {
        let steps = self.guide.steps().iter().zip(&self.passed);
        steps.into_iter().any(|(step, how)| step.confirm == Some(what) && *how == Passed::Confirmed)
    }

    /// The step that it stands at is done: as the device says where it can, or as a person says. `judge` is asked
    /// for what the step waits for.
    ///
    /// # Errors
    /// What the device says instead.
    pub fn done(&mut self, judge: impl FnOnce(Confirmation) -> Judgement) -> Result<Passed, NotOn> {
        let step = self.step().ok_or(NotOn::Through)?;
        let how = match step.confirm.map(judge) {
            None | Some(Judgement::CannotTell) => Passed::Said,
            Some(Judgement::Met) => Passed::Confirmed,
            Some(Judgement::NotYet(why)) => return Err(NotOn::NotYet(why)),
        };
        self.passed.push(how.clone());
        Ok(how)
    }

    /// The step that it stands at is left out.
    ///
    /// # Errors
    /// If every step is behind.
    pub fn skip(&mut self, reason: Reason) -> Result<Passed, NotOn> {
        if self.step().is_none() {
            return Err(NotOn::Through);
        }
        let how = Passed::Skipped(reason);
        self.passed.push(how.clone());
        Ok(how)
    }

    /// The walk as one that is through.
    ///
    /// # Errors
    /// The first step that is still to be done.
    pub fn through(self) -> Result<Through, NotOn> {
        match self.step() {
            Some(_) => Err(NotOn::Unfinished(self.passed.len() + 1)),
            None => Ok(Through(self)),
        }
    }
}
