//! How to swap without harm: a guide is a list of steps, each with its cautions and, where the device can tell, what
//! it has to say before the next one comes.
//!
//! A guide is written and kept as text, one step a line:
//!
//! ```text
//! [not printing] Wait until the machine rests.
//! ! The carriage moves without warning.
//! [cover open] Open the door that the machine's menu names.
//! ```
//!
//! A line in front of which stands `!` is a caution of the step above it.

pub mod seen;
#[cfg(test)]
mod tests;
mod usual;
pub mod walk;

use std::fmt;
use std::str::FromStr;

pub use self::usual::usual;
use super::part::PartKind;

/// So many steps at most: a longer list is not followed at a machine.
pub const MOST_STEPS: usize = 30;
/// So many cautions at most with one step.
const MOST_CAUTIONS: usize = 6;
/// So many letters at most in a step or a caution.
const MOST_LETTERS: usize = 300;

/// What a device has to say before a step counts as done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Confirmation {
    /// It does not print.
    NotPrinting,
    /// A cover or an interlock stands open.
    CoverOpen,
    /// All of them are closed.
    CoverClosed,
    /// The supply is not in.
    SupplyMissing,
    /// The supply is in, with a level that only another unit can have.
    NewLevel,
}

impl Confirmation {
    /// All of them.
    pub const ALL: [Self; 5] =
        [Self::NotPrinting, Self::CoverOpen, Self::CoverClosed, Self::SupplyMissing, Self::NewLevel];

    /// The words for it in a guide's text.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::NotPrinting => "not printing",
            Self::CoverOpen => "cover open",
            Self::CoverClosed => "cover closed",
            Self::SupplyMissing => "supply missing",
            Self::NewLevel => "new level",
        }
    }

    /// From its words.
    #[must_use]
    pub fn from_words(words: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|confirmation| confirmation.words() == words)
    }
}

/// One step of a guide.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// What to do.
    pub text: String,
    /// What to beware of.
    pub cautions: Vec<String>,
    /// What the device has to say; none: whoever does it says so.
    pub confirm: Option<Confirmation>,
}

/// The steps of a swap, of which there is at least one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Guide(Vec<Step>);

/// What is wrong with the text of a guide.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum GuideFault {
    /// There is no step.
    #[error("a guide has at least one step, one a line")]
    NoSteps,
    /// There are too many.
    #[error("a guide has {MOST_STEPS} steps at most")]
    TooManySteps,
    /// A caution stands before the first step.
    #[error("line {0}: a caution stands below the step that it belongs to")]
    LooseCaution(usize),
    /// A step has too many.
    #[error("line {0}: a step has {MOST_CAUTIONS} cautions at most")]
    TooManyCautions(usize),
    /// A line says nothing, or too much.
    #[error("line {0}: say it in 1 to {MOST_LETTERS} letters")]
    Length(usize),
    /// What is to be confirmed is not known.
    #[error("line {line}: a device cannot confirm '{words}'; write one of: {}", all_words())]
    NoSuchConfirmation {
        /// The line.
        line: usize,
        /// What stands there.
        words: String,
    },
    /// The swap of a supply would end without a new reading.
    #[error("a guide for a cartridge or a receptacle has a step that waits for [new level]")]
    NoNewLevel,
}

fn all_words() -> String {
    Confirmation::ALL.map(|confirmation| format!("[{}]", confirmation.words())).join(", ")
}

impl Guide {
    /// Its steps, in their order.
    #[must_use]
    pub fn steps(&self) -> &[Step] {
        &self.0
    }

    /// A guide for a kind of part, from its text.
    ///
    /// # Errors
    /// What is wrong with it, by its line.
    pub fn for_kind(kind: PartKind, text: &str) -> Result<Self, GuideFault> {
        let guide: Self = text.parse()?;
        let waits = guide.0.iter().any(|step| step.confirm == Some(Confirmation::NewLevel));
        if kind != PartKind::Head && !waits {
            return Err(GuideFault::NoNewLevel);
        }
        Ok(guide)
    }
}

impl FromStr for Guide {
    type Err = GuideFault;

    fn from_str(text: &str) -> Result<Self, GuideFault> {
        let mut steps: Vec<Step> = Vec::new();
        for (number, line) in (1..).zip(text.lines().map(str::trim)) {
            let said = |text: &str| {
                let fits = (1..=MOST_LETTERS).contains(&text.chars().count());
                fits.then(|| text.to_owned()).ok_or(GuideFault::Length(number))
            };
            if line.is_empty() {
                continue;
            }
            if let Some(caution) = line.strip_prefix('!') {
                let step = steps.last_mut().ok_or(GuideFault::LooseCaution(number))?;
                if step.cautions.len() == MOST_CAUTIONS {
                    return Err(GuideFault::TooManyCautions(number));
                }
                step.cautions.push(said(caution.trim())?);
                continue;
            }
            let (confirm, text) = match line.strip_prefix('[').and_then(|rest| rest.split_once(']')) {
                None => (None, line),
                Some((words, text)) => {
                    let confirm = Confirmation::from_words(&words.trim().to_lowercase());
                    let words = || words.chars().take(40).collect();
                    let unknown = || GuideFault::NoSuchConfirmation { line: number, words: words() };
                    (Some(confirm.ok_or_else(unknown)?), text.trim())
                }
            };
            if steps.len() == MOST_STEPS {
                return Err(GuideFault::TooManySteps);
            }
            steps.push(Step { text: said(text)?, cautions: Vec::new(), confirm });
        }
        if steps.is_empty() { Err(GuideFault::NoSteps) } else { Ok(Self(steps)) }
    }
}

impl fmt::Display for Guide {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for step in &self.0 {
            if let Some(confirm) = step.confirm {
                write!(f, "[{}] ", confirm.words())?;
            }
            writeln!(f, "{}", step.text)?;
            for caution in &step.cautions {
                writeln!(f, "! {caution}")?;
            }
        }
        Ok(())
    }
}
