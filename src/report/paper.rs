//! What reports are printed on.

/// A size of paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum)]
pub enum Paper {
    /// ISO 216: 210 by 297 mm
    #[default]
    A4,
    /// ANSI Y14.1: 8.5 by 11 in
    Letter,
}

impl Paper {
    /// Width and height in points: seventy-seconds of an inch.
    #[must_use]
    pub fn points(self) -> (f32, f32) {
        match self {
            Self::A4 => (595.276, 841.89),
            Self::Letter => (612.0, 792.0),
        }
    }

    /// Its number in workbooks (ECMA-376, part 1, 18.3.1.63).
    #[must_use]
    pub fn number(self) -> u8 {
        match self {
            Self::A4 => 9,
            Self::Letter => 1,
        }
    }
}

/// As settings write it.
impl std::str::FromStr for Paper {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        match text {
            "a4" => Ok(Self::A4),
            "letter" => Ok(Self::Letter),
            _ => Err("must be \"a4\" or \"letter\"".to_owned()),
        }
    }
}
