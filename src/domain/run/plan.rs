//! What somebody wants to print.
//!
//! A run is written as one line, the same on the page, in an address and on the command line:
//!
//! ```text
//! 12 x 1.067 x 3 gloss
//! 9 m2 matte: cyan 9.2 ± 15 %, light magenta 3.1
//! ```
//!
//! That is length by width by copies, in metres, or an area; the medium; and behind a colon what is known of the
//! coverage in ml for a square metre, colour by colour. A colour that does not stand there is as usual.

use std::fmt;
use std::str::FromStr;

/// More square metres than this in one run are a slip of the hand.
const MOST_AREA: f64 = 100_000.0;
/// Longer than this, in metres, is a slip of the hand.
const MOST_LENGTH: f64 = 100_000.0;
/// Wider than this, in metres, no machine prints.
const MOST_WIDTH: f64 = 20.0;
/// No medium takes more ink of one colour than this, in millilitres for a square metre.
const MOST_COVERAGE: f64 = 500.0;
/// More copies than this are a slip of the hand.
const MOST_COPIES: u32 = 100_000;
/// No queue is longer than this.
pub const MOST_RUNS: usize = 40;
/// How far a picture's coverage is off where somebody gave it for a colour without saying: an assumption from
/// memory, no source.
pub const GIVEN_CV: f64 = 0.15;

/// An area in square metres, above zero.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct SquareMetres(f64);

impl SquareMetres {
    /// From a number, as long as somebody might print so much.
    #[must_use]
    pub fn new(area: f64) -> Option<Self> {
        (area > 0.0 && area <= MOST_AREA).then_some(Self(area))
    }

    /// The number.
    #[must_use]
    pub fn value(self) -> f64 {
        self.0
    }
}

/// A length or width in metres, above zero.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Metres(f64);

impl Metres {
    /// From a number, as long as it is a length that somebody might print.
    #[must_use]
    pub fn new(length: f64) -> Option<Self> {
        (length > 0.0 && length <= MOST_LENGTH).then_some(Self(length))
    }

    /// The width of media, from micrometres as a device tells it.
    #[must_use]
    pub fn of_media(micrometres: i64) -> Option<Self> {
        Self::width(micrometres as f64 * 1e-6)
    }

    /// A width that a machine may have.
    #[must_use]
    pub fn width(width: f64) -> Option<Self> {
        Self::new(width).filter(|width| width.0 <= MOST_WIDTH)
    }

    /// The number.
    #[must_use]
    pub fn value(self) -> f64 {
        self.0
    }
}

/// What is printed on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Media {
    /// Glossy and satin paper or film.
    Gloss,
    /// Matte and uncoated paper.
    Matte,
    /// Canvas.
    Canvas,
    /// Cloth.
    Textile,
}

impl Media {
    /// Every class.
    pub const ALL: [Self; 4] = [Self::Gloss, Self::Matte, Self::Canvas, Self::Textile];

    /// The word by which it is stored, exchanged and shown.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Gloss => "gloss",
            Self::Matte => "matte",
            Self::Canvas => "canvas",
            Self::Textile => "textile",
        }
    }

    /// From its word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        let word = if word.eq_ignore_ascii_case("matt") { "matte" } else { word };
        Self::ALL.into_iter().find(|media| media.word().eq_ignore_ascii_case(word))
    }
}

/// How large a run is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Size {
    /// So large an area.
    Area(SquareMetres),
    /// Copies of one strip.
    Strips {
        /// Along the feed.
        length: Metres,
        /// Across it.
        width: Metres,
        /// How many.
        copies: u32,
    },
}

impl Size {
    /// The area in square metres.
    #[must_use]
    pub fn area(&self) -> f64 {
        match self {
            Self::Area(area) => area.0,
            Self::Strips { length, width, copies } => length.0 * width.0 * f64::from(*copies),
        }
    }

    /// The width, where it is said.
    #[must_use]
    pub fn width(&self) -> Option<Metres> {
        match self {
            Self::Area(_) => None,
            Self::Strips { width, .. } => Some(*width),
        }
    }
}

/// What a picture takes of a colour.
#[derive(Debug, Clone, PartialEq)]
pub struct Given {
    /// The colour's name.
    pub colour: String,
    /// Millilitres for a square metre.
    pub ml_per_m2: f64,
    /// How far that may be off: the standard deviation over the mean.
    pub cv: f64,
}

/// One run.
#[derive(Debug, Clone, PartialEq)]
pub struct Run {
    /// How large.
    pub size: Size,
    /// On what.
    pub media: Media,
    /// What is known of its coverage; colours that are not in it are as usual.
    pub given: Vec<Given>,
}

/// Runs one after another.
#[derive(Debug, Clone, PartialEq)]
pub struct RunPlan(Vec<Run>);

/// Why a run cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RunFault {
    /// There is none.
    #[error("there is no run: write one, such as '12 x 1.067 x 3 gloss' or '9 m2 matte'")]
    Empty,
    /// There are too many.
    #[error("more than {MOST_RUNS} runs are too many for one check: check them in parts")]
    TooMany,
    /// The size is none.
    #[error(
        "'{0}' is no size: write length x width x copies in metres, such as '12 x 1.067 x 3', or an area such as \
         '9 m2'; up to 100000 m, 20 m wide and 100000 m2"
    )]
    Size(String),
    /// The medium is none.
    #[error("'{0}' is no medium: write gloss, matte, canvas or textile behind the size")]
    Media(String),
    /// The coverage of a colour is none.
    #[error(
        "'{0}' is no coverage: write colour and ml for a square metre, such as 'cyan 3.2' or 'cyan 3.2 ± 20 %', \
         up to 500 ml"
    )]
    Coverage(String),
    /// A colour stands twice.
    #[error("{0} stands twice in the coverage: write it once")]
    Twice(String),
}

impl RunPlan {
    /// From its runs.
    ///
    /// # Errors
    /// If there is none, or there are more than [`MOST_RUNS`].
    pub fn new(runs: Vec<Run>) -> Result<Self, RunFault> {
        match runs.len() {
            0 => Err(RunFault::Empty),
            1..=MOST_RUNS => Ok(Self(runs)),
            _ => Err(RunFault::TooMany),
        }
    }

    /// The runs, in their order; at least one.
    #[must_use]
    pub fn runs(&self) -> &[Run] {
        &self.0
    }

    /// The area of all of them, square metres.
    #[must_use]
    pub fn area(&self) -> f64 {
        self.0.iter().map(|run| run.size.area()).sum()
    }

    /// How many metres of media have gone through after so many square metres of the queue; `media` is the width
    /// where a run does not say its own. Past the end the last run goes on. `None` where a width is missing.
    #[must_use]
    pub fn metres_after(&self, area: f64, media: Option<Metres>) -> Option<f64> {
        let (mut left, mut metres) = (area, 0.0);
        for (n, run) in self.0.iter().enumerate() {
            let of_it = if n + 1 == self.0.len() { left } else { left.min(run.size.area()) };
            metres += of_it / run.size.width().or(media)?.0;
            left -= of_it;
            if left <= 0.0 {
                break;
            }
        }
        Some(metres)
    }

    /// The widest that is said.
    #[must_use]
    pub fn widest(&self) -> Option<Metres> {
        let widths = self.0.iter().filter_map(|run| run.size.width());
        widths.max_by(|a, b| a.0.total_cmp(&b.0))
    }
}

/// A run a line.
impl FromStr for RunPlan {
    type Err = RunFault;

    fn from_str(text: &str) -> Result<Self, RunFault> {
        let lines = text.lines().map(str::trim).filter(|line| !line.is_empty());
        Self::new(lines.take(MOST_RUNS + 1).map(str::parse).collect::<Result<_, _>>()?)
    }
}

impl FromStr for Run {
    type Err = RunFault;

    fn from_str(text: &str) -> Result<Self, RunFault> {
        let (head, coverage) = match text.split_once(':') {
            Some((head, coverage)) => (head, coverage),
            None => (text, ""),
        };
        let head = head.trim();
        let (size, media) = head.rsplit_once(char::is_whitespace).unwrap_or((head, ""));
        let unknown = || RunFault::Media(short(media));
        let media = Media::from_word(media).ok_or_else(unknown)?;
        Ok(Self { size: size.parse()?, media, given: given(coverage)? })
    }
}

impl FromStr for Size {
    type Err = RunFault;

    fn from_str(text: &str) -> Result<Self, RunFault> {
        let text = text.trim();
        let fault = || RunFault::Size(short(text));
        let area = ["m2", "m²", "M2"].into_iter().find_map(|unit| text.strip_suffix(unit));
        if let Some(area) = area {
            return number(area).and_then(SquareMetres::new).map(Self::Area).ok_or_else(fault);
        }
        let sides: Vec<&str> = text.split(['x', 'X', '×', '*']).collect();
        let (length, width, copies) = match sides[..] {
            [length, width] => (length, width, "1"),
            [length, width, copies] => (length, width, copies),
            _ => return Err(fault()),
        };
        let strips = || {
            let copies = copies.trim().parse().ok().filter(|copies| (1..=MOST_COPIES).contains(copies))?;
            let width = number(width).and_then(Metres::width)?;
            Some(Self::Strips { length: number(length).and_then(Metres::new)?, width, copies })
        };
        strips().filter(|size| size.area() <= MOST_AREA).ok_or_else(fault)
    }
}

/// A number of metres or of anything else, with its decimals behind a point or a comma, and perhaps an `m`.
fn number(text: &str) -> Option<f64> {
    let text = text.trim();
    let text = text.strip_suffix('m').unwrap_or(text).trim_end().replace(',', ".");
    let plain = !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.');
    text.parse().ok().filter(|_| plain)
}

/// Coverage as it is written, parted by commas or semicolons.
pub fn given(text: &str) -> Result<Vec<Given>, RunFault> {
    let mut all: Vec<Given> = Vec::new();
    for one in text.split([',', ';']).map(str::trim).filter(|one| !one.is_empty()) {
        let of = coverage(one).ok_or_else(|| RunFault::Coverage(short(one)))?;
        if all.iter().any(|other| super::super::part::same_words(&other.colour, &of.colour)) {
            return Err(RunFault::Twice(short(&of.colour)));
        }
        all.push(of);
    }
    Ok(all)
}

/// `light magenta 3.1 ± 20 %`.
fn coverage(text: &str) -> Option<Given> {
    let (text, cv) = match text.split_once('±').or_else(|| text.split_once("+-")) {
        None => (text, GIVEN_CV),
        Some((text, spread)) => {
            let percent = number(spread.trim().strip_suffix('%')?)?;
            (text.trim_end(), Some(percent / 100.0).filter(|cv| *cv <= 3.0)?)
        }
    };
    let (colour, ml) = text.rsplit_once(|letter: char| letter.is_whitespace() || letter == '=')?;
    let ml_per_m2 = number(ml).filter(|ml| *ml <= MOST_COVERAGE)?;
    let colour = colour.trim_end_matches(|letter: char| letter.is_whitespace() || letter == '=').trim();
    let named = colour.chars().any(char::is_alphanumeric) && colour.chars().count() <= 64;
    named.then(|| Given { colour: colour.to_owned(), ml_per_m2, cv })
}

/// As much of a text as belongs into a sentence.
fn short(text: &str) -> String {
    text.chars().take(60).collect()
}

impl fmt::Display for Size {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Area(area) => write!(f, "{} m2", area.0),
            Self::Strips { length, width, copies: 1 } => write!(f, "{} x {}", length.0, width.0),
            Self::Strips { length, width, copies } => write!(f, "{} x {} x {copies}", length.0, width.0),
        }
    }
}

/// As it is written.
impl fmt::Display for Run {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.size, self.media.word())?;
        for (n, given) in self.given.iter().enumerate() {
            let parted = if n == 0 { ":" } else { "," };
            // The spread was read from a percentage, which may have no exact binary form.
            let percent = (given.cv * 1e6).round() / 1e4;
            write!(f, "{parted} {} {} ± {percent} %", given.colour, given.ml_per_m2)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn run(text: &str) -> Result<Run, RunFault> {
        text.parse()
    }

    #[test]
    fn a_line_is_a_run() {
        // 12 m by 1.067 m is 12.804 m²; three of them are 38.412 m².
        let strips = run("12 x 1.067 x 3 gloss").unwrap();
        assert!((strips.size.area() - 38.412).abs() < 1e-12);
        assert_eq!((strips.media, strips.size.width().unwrap().value()), (Media::Gloss, 1.067));
        assert!((run("2,5 m × 0.61m MATT").unwrap().size.area() - 1.525).abs() < 1e-12);
        let area = run("9 m2 matte: cyan 9.2 ± 20 %, light magenta=3.1; Grey 0").unwrap();
        assert_eq!(area.size.area(), 9.0);
        let named: Vec<_> = area.given.iter().map(|given| (given.colour.as_str(), given.ml_per_m2)).collect();
        assert_eq!(named, [("cyan", 9.2), ("light magenta", 3.1), ("Grey", 0.0)]);
        assert!((area.given[0].cv - 0.2).abs() < 1e-12 && area.given[1].cv == GIVEN_CV);
    }

    #[test]
    fn what_is_no_run_is_told_with_what_to_write() {
        let fault = |text: &str| run(text).unwrap_err().to_string();
        assert!(fault("12 x 1.067").contains("is no medium"), "{}", fault("12 x 1.067"));
        assert!(fault("12 gloss").contains("'12' is no size"));
        assert!(fault("0 m2 gloss").contains("is no size"));
        assert!(fault("1e9 m2 gloss").contains("is no size"));
        assert!(fault("12 x 90 gloss").contains("is no size"));
        assert!(fault("12 x 1 x 0 gloss").contains("is no size"));
        assert!(fault("9 m2 gloss: cyan").contains("'cyan' is no coverage"));
        assert!(fault("9 m2 gloss: cyan NaN").contains("is no coverage"));
        assert!(fault("9 m2 gloss: cyan 1, CYAN 2").contains("stands twice"));
        assert_eq!("\n \n".parse::<RunPlan>().unwrap_err(), RunFault::Empty);
        assert_eq!("1 m2 matte\n".repeat(41).parse::<RunPlan>().unwrap_err(), RunFault::TooMany);
        let plan: RunPlan = "1 m2 matte\n\n2 x 0.9 gloss\n".parse().unwrap();
        assert_eq!((plan.area(), plan.widest().unwrap().value()), (2.8, 0.9));
        // 1 m² on media 0.5 m wide is 2 m; 0.9 m² more at 0.9 m is 1 m.
        let media = Metres::new(0.5);
        assert!((plan.metres_after(1.9, media).unwrap() - 3.0).abs() < 1e-12);
        assert!((plan.metres_after(3.7, media).unwrap() - 5.0).abs() < 1e-12);
        assert_eq!(plan.metres_after(1.9, None), None);
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(
            length in 1u32..90_000, width in 1u32..19_000, copies in 1u32..40, ml in 0u32..50_000, cv in 0u32..300,
        ) {
            let width = Metres::width(f64::from(width) / 1000.0).unwrap();
            let length = Metres::new(f64::from(length) / 100.0).unwrap();
            let size = Size::Strips { length, width, copies };
            prop_assume!(size.area() <= MOST_AREA);
            let cv = f64::from(cv) / 100.0;
            let given = vec![Given { colour: "Light cyan".into(), ml_per_m2: f64::from(ml) / 100.0, cv }];
            let written = Run { size, media: Media::Canvas, given };
            let read = run(&written.to_string()).unwrap();
            prop_assert_eq!(read.size, written.size);
            prop_assert!((read.given[0].cv - cv).abs() < 1e-9);
            prop_assert_eq!(read.given[0].ml_per_m2, written.given[0].ml_per_m2);
        }

        #[test]
        fn no_text_panics(text in "\\PC{0,60}") {
            let _ = text.parse::<RunPlan>();
        }
    }
}
