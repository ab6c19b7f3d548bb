//! Which ink runs through which print head.
//!
//! A map is written as text, one head a line, for people to read and to change:
//!
//! ```text
//! 1: Cyan, Magenta
//! 2: Yellow 25 %, Matte black
//! ```
//!
//! A colour without a share runs in even parts through what its other heads leave of it.

use std::collections::BTreeMap;
use std::fmt;
use std::str::FromStr;

use super::outlook::Slot;
use super::part::{PartKind, is_colour, same_words};

/// The highest position of a head.
pub const LAST_POSITION: u8 = 64;
/// A map of more channels than this is a slip of the hand.
const MOST_CHANNELS: usize = 256;
/// The usual map serves no more colours than this.
const MOST_USUAL: usize = 24;
/// Shares written with few digits, such as thrice 33.3 %, count as a whole.
const WHOLE: f64 = 0.005;

/// Where a head sits in its machine, counted from 1 as its maker does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Position(u8);

impl Position {
    /// From its number, 1 to [`LAST_POSITION`].
    #[must_use]
    pub fn new(number: i32) -> Option<Self> {
        u8::try_from(number).ok().filter(|number| (1..=LAST_POSITION).contains(number)).map(Self)
    }

    /// Its number.
    #[must_use]
    pub fn number(self) -> i32 {
        i32::from(self.0)
    }
}

impl From<Position> for u8 {
    fn from(position: Position) -> Self {
        position.0
    }
}

impl fmt::Display for Position {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// One colour on its way through one head.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// Through which head.
    pub head: Position,
    /// Which colour.
    pub colour: String,
    /// The part of the colour's ink that takes this way: above 0, at most 1.
    pub share: f64,
}

/// How the colours of a model run through its heads. The shares of every colour add up to 1, so that the ink
/// through all heads is the ink of all colours.
#[derive(Debug, Clone, PartialEq)]
pub struct Plumbing {
    channels: Vec<Channel>,
}

/// Why a map is not one.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlumbingFault {
    /// There is nothing in it.
    #[error("the map is empty: write a line for each head, such as '1: Cyan, Magenta'")]
    Empty,
    /// It has more channels than any machine.
    #[error("more than {MOST_CHANNELS} channels are no machine's")]
    TooMany,
    /// A line cannot be read.
    #[error(
        "line {line} cannot be read: write it such as '1: Cyan, Magenta' or '1: Cyan 50 %, Magenta 50 %'"
    )]
    Line {
        /// The line, counted from 1.
        line: usize,
    },
    /// A head's number is none.
    #[error("line {line}: a head has a number from 1 to {LAST_POSITION}")]
    Head {
        /// The line, counted from 1.
        line: usize,
    },
    /// A share is none.
    #[error("{colour} has a share of {percent} % in head {head}: write more than 0 and at most 100")]
    Share {
        /// Which colour.
        colour: String,
        /// In which head.
        head: Position,
        /// What was written.
        percent: f64,
    },
    /// A head has a colour twice.
    #[error("{colour} stands twice in head {head}: write it once, with the sum of its shares")]
    Twice {
        /// Which colour.
        colour: String,
        /// In which head.
        head: Position,
    },
    /// A colour's shares are no whole.
    #[error(
        "the shares of {colour} add up to {percent:.1} %: all of a colour's ink runs through heads, so write 100"
    )]
    NotWhole {
        /// Which colour.
        colour: String,
        /// What they add up to.
        percent: f64,
    },
}

impl Plumbing {
    /// From its channels.
    ///
    /// # Errors
    /// If the shares of a colour do not add up to 1 within half a hundredth, or a channel stands twice.
    pub fn new(mut channels: Vec<Channel>) -> Result<Self, PlumbingFault> {
        match channels.len() {
            0 => return Err(PlumbingFault::Empty),
            count if count > MOST_CHANNELS => return Err(PlumbingFault::TooMany),
            _ => {}
        }
        for (at, channel) in channels.iter().enumerate() {
            let Channel { head, colour, share } = channel;
            if !(*share > 0.0 && *share <= 1.0 + WHOLE) {
                return Err(PlumbingFault::Share {
                    colour: colour.clone(),
                    head: *head,
                    percent: share * 100.0,
                });
            }
            let same = |other: &Channel| other.head == *head && same_words(&other.colour, colour);
            if channels[..at].iter().any(same) {
                return Err(PlumbingFault::Twice { colour: colour.clone(), head: *head });
            }
        }
        let sum = |colour: &str| {
            let of = channels.iter().filter(|channel| same_words(&channel.colour, colour));
            of.map(|channel| channel.share).sum::<f64>()
        };
        let sums: Vec<f64> = channels.iter().map(|channel| sum(&channel.colour)).collect();
        for (channel, sum) in channels.iter_mut().zip(sums) {
            if (sum - 1.0).abs() > WHOLE {
                return Err(PlumbingFault::NotWhole { colour: channel.colour.clone(), percent: sum * 100.0 });
            }
            channel.share /= sum;
        }
        channels.sort_by_key(|channel| channel.head);
        Ok(Self { channels })
    }

    /// The map that is usual where nobody has written one: heads with two channels each stand in two rows, and
    /// each row carries every colour once, so that each colour runs through two heads in even parts. Eight
    /// colours have eight heads. Common practice, no source.
    ///
    /// `None` for an odd number of colours, which this leaves a channel too many, and for none or more than two
    /// dozen.
    #[must_use]
    pub fn usual(colours: &[String]) -> Option<Self> {
        let each = colours.len() / 2;
        if !colours.len().is_multiple_of(2) || !(1..=MOST_USUAL / 2).contains(&each) {
            return None;
        }
        let channel = |row: usize, (n, colour): (usize, &String)| {
            let head = Position::new(i32::try_from(row * each + n / 2 + 1).ok()?)?;
            Some(Channel { head, colour: colour.clone(), share: 0.5 })
        };
        let row = |row: usize| colours.iter().enumerate().map(move |of| channel(row, of));
        Self::new(row(0).chain(row(1)).collect::<Option<_>>()?).ok()
    }

    /// Its channels, head by head.
    #[must_use]
    pub fn channels(&self) -> &[Channel] {
        &self.channels
    }

    /// Its heads, each once.
    #[must_use]
    pub fn heads(&self) -> Vec<Position> {
        let mut heads: Vec<Position> = self.channels.iter().map(|channel| channel.head).collect();
        heads.dedup();
        heads
    }

    /// The colours of a head.
    pub fn colours_of(&self, head: Position) -> impl Iterator<Item = &str> {
        let of = self.channels.iter().filter(move |channel| channel.head == head);
        of.map(|channel| channel.colour.as_str())
    }

    /// What runs through a head as it is written: `Cyan, Magenta 40 %`.
    #[must_use]
    pub fn of_head(&self, head: Position) -> String {
        let of = self.channels.iter().filter(|channel| channel.head == head);
        let written = of.map(|channel| {
            let ways = self.channels.iter().filter(|other| same_words(&other.colour, &channel.colour));
            let even = 1.0 / ways.count() as f64;
            if (channel.share - even).abs() > 1e-9 {
                format!("{} {} %", channel.colour, channel.share * 100.0)
            } else {
                channel.colour.clone()
            }
        });
        written.collect::<Vec<_>>().join(", ")
    }

    /// The part of a slot's ink that runs through a head.
    #[must_use]
    pub fn share(&self, head: Position, slot: &Slot) -> f64 {
        let takes = |channel: &&Channel| channel.head == head && is_colour(&channel.colour, slot);
        self.channels.iter().find(takes).map_or(0.0, |channel| channel.share)
    }

    /// Whether it says where a slot's ink goes.
    #[must_use]
    pub fn carries(&self, slot: &Slot) -> bool {
        self.channels.iter().any(|channel| is_colour(&channel.colour, slot))
    }
}

/// What is known of how ink runs through a machine's heads.
#[derive(Debug, Clone, PartialEq)]
pub enum Map {
    /// A person wrote it for this model.
    Written(Plumbing),
    /// Nobody did; this is usual for so many colours.
    Usual(Plumbing),
    /// Nobody did, and nothing is usual for so many colours.
    None {
        /// How many colours the machine has.
        colours: usize,
    },
}

impl Map {
    /// What is written, or else what is usual for the inks of a machine.
    #[must_use]
    pub fn of<'a>(written: Option<Plumbing>, slots: impl IntoIterator<Item = &'a Slot>) -> Self {
        if let Some(plumbing) = written {
            return Self::Written(plumbing);
        }
        let mut colours: Vec<String> = Vec::new();
        for slot in slots.into_iter().filter(|slot| is_ink(slot)) {
            let colour = slot.label();
            if !colours.iter().any(|known| is_colour(known, slot)) {
                colours.push(colour);
            }
        }
        match Plumbing::usual(&colours) {
            Some(plumbing) => Self::Usual(plumbing),
            None => Self::None { colours: colours.len() },
        }
    }

    /// The map, where there is one.
    #[must_use]
    pub fn plumbing(&self) -> Option<&Plumbing> {
        match self {
            Self::Written(plumbing) | Self::Usual(plumbing) => Some(plumbing),
            Self::None { .. } => None,
        }
    }
}

/// Whether what a slot holds runs through print heads.
#[must_use]
pub fn is_ink(slot: &Slot) -> bool {
    use super::standard::SupplyKind::{Ink, InkCartridge};
    PartKind::of_slot(slot) == PartKind::Cartridge && matches!(slot.kind, Ink | InkCartridge)
}

/// As it is written: a share stands only where it is not an even part.
impl fmt::Display for Plumbing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.heads().into_iter().try_for_each(|head| writeln!(f, "{head}: {}", self.of_head(head)))
    }
}

impl FromStr for Plumbing {
    type Err = PlumbingFault;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let mut read: Vec<(Position, String, Option<f64>)> = Vec::new();
        for (n, line) in text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
            let unread = PlumbingFault::Line { line: n + 1 };
            let (head, colours) = line.split_once(':').ok_or_else(|| unread.clone())?;
            let head = head.trim().parse().ok().and_then(Position::new);
            let head = head.ok_or(PlumbingFault::Head { line: n + 1 })?;
            for colour in colours.split(',') {
                let (colour, share) = colour_and_share(colour).ok_or_else(|| unread.clone())?;
                read.push((head, colour, share));
            }
            if read.len() > MOST_CHANNELS {
                return Err(PlumbingFault::TooMany);
            }
        }
        // What a colour's written shares leave is parted evenly among its other heads.
        let mut rest: BTreeMap<usize, (f64, usize)> = BTreeMap::new();
        let first = |colour: &str| read.iter().position(|(_, other, _)| same_words(other, colour));
        for (_, colour, share) in &read {
            let (left, unsaid) = rest.entry(first(colour).unwrap_or(0)).or_insert((1.0, 0));
            match share {
                Some(share) => *left -= share,
                None => *unsaid += 1,
            }
        }
        let channel = |(head, colour, share): &(Position, String, Option<f64>)| {
            let (left, unsaid) = rest.get(&first(colour).unwrap_or(0)).copied().unwrap_or((1.0, 1));
            Channel { head: *head, colour: colour.clone(), share: share.unwrap_or(left / unsaid as f64) }
        };
        Self::new(read.iter().map(channel).collect())
    }
}

/// A colour as it is written, with its share where one stands behind it.
fn colour_and_share(text: &str) -> Option<(String, Option<f64>)> {
    let text = text.trim();
    let bare = text.strip_suffix('%').map(str::trim_end);
    let (colour, share) = match bare {
        None => (text, None),
        Some(bare) => {
            let (colour, percent) = bare.rsplit_once(char::is_whitespace)?;
            let percent: f64 = percent.parse().ok().filter(|percent: &f64| percent.is_finite())?;
            (colour.trim_end(), Some(percent / 100.0))
        }
    };
    let named = colour.chars().any(char::is_alphanumeric) && colour.chars().count() <= 64;
    named.then(|| (colour.to_owned(), share))
}

#[cfg(test)]
pub(crate) mod tests;
