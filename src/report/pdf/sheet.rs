//! Paper: what stands where on which page, from the top down, until the next page is needed.

use super::face::{Face, Spelling};
use crate::report::Paper;

/// How far everything keeps from the edges, in points.
const MARGIN: f32 = 48.0;
/// What the foot of each page takes up.
const FOOT: f32 = 24.0;

/// How dark something is: 0 is black, 1 is paper.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tone(pub(super) f32);

impl Tone {
    pub(super) const TEXT: Self = Self(0.1);
    pub(super) const SOFT: Self = Self(0.34);
    pub(super) const RULE: Self = Self(0.55);
    pub(super) const FAINT: Self = Self(0.84);
    pub(super) const BAR: Self = Self(0.42);
}

/// A line of letters in one face.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Type {
    pub(super) face: Face,
    pub(super) size: f32,
    pub(super) tone: Tone,
}

impl Type {
    pub(super) const BODY: Self = Self { face: Face::Plain, size: 9.0, tone: Tone::TEXT };
    pub(super) const SOFT: Self = Self { face: Face::Plain, size: 8.5, tone: Tone::SOFT };
    pub(super) const SMALL: Self = Self { face: Face::Plain, size: 7.5, tone: Tone::SOFT };

    pub(super) fn strong(self) -> Self {
        Self { face: Face::Strong, ..self }
    }

    /// From one line to the next.
    pub(super) fn leading(self) -> f32 {
        self.size * 1.35
    }

    pub(super) fn width(self, text: &str) -> f32 {
        self.face.width(self.size, text)
    }
}

/// Something on a page; places are in points from its upper left corner.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Mark {
    /// Letters from `x` on, standing on the line `y`.
    Text { x: f32, y: f32, set: Type, text: String },
    /// A filled box.
    Box { x: f32, y: f32, width: f32, height: f32, tone: Tone },
    /// A line from left to right.
    Rule { x: f32, y: f32, width: f32, weight: f32, tone: Tone },
}

/// A heading, for the list of contents that readers show beside the pages.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Entry {
    pub(super) title: String,
    pub(super) page: usize,
    pub(super) y: f32,
}

/// Pages that are being filled.
#[derive(Debug)]
pub(super) struct Sheets {
    paper: Paper,
    pub(super) pages: Vec<Vec<Mark>>,
    pub(super) contents: Vec<Entry>,
    /// Where the next thing begins.
    y: f32,
    /// Whether some letters stand for others.
    is_respelt: bool,
}

impl Sheets {
    pub(super) fn new(paper: Paper) -> Self {
        Self { paper, pages: vec![Vec::new()], contents: Vec::new(), y: MARGIN, is_respelt: false }
    }

    /// Width and height of a page.
    pub(super) fn size(&self) -> (f32, f32) {
        self.paper.points()
    }

    /// The left edge of what is set.
    pub(super) fn left(&self) -> f32 {
        MARGIN
    }

    /// How wide what is set may be.
    pub(super) fn width(&self) -> f32 {
        self.size().0 - 2.0 * MARGIN
    }

    pub(super) fn y(&self) -> f32 {
        self.y
    }

    pub(super) fn is_respelt(&self) -> bool {
        self.is_respelt
    }

    /// What is still free on the page.
    pub(super) fn room(&self) -> f32 {
        self.size().1 - MARGIN - FOOT - self.y
    }

    /// Leaves so much free; at the top of a page nothing is left.
    pub(super) fn skip(&mut self, height: f32) {
        if self.y > MARGIN {
            self.y += height;
        }
    }

    /// Takes so much of the page.
    pub(super) fn advance(&mut self, height: f32) {
        self.y += height;
    }

    /// Begins a page if so much is no more free on this one; says whether it did. What is higher than a page begins
    /// one and runs out of it.
    pub(super) fn keep(&mut self, height: f32) -> bool {
        let breaks = height > self.room() && self.y > MARGIN;
        if breaks {
            self.pages.push(Vec::new());
            self.y = MARGIN;
        }
        breaks
    }

    pub(super) fn mark(&mut self, mark: Mark) {
        if let Mark::Text { text, .. } = &mark {
            self.is_respelt |= Spelling::of(text).is_respelt;
        }
        if let Some(page) = self.pages.last_mut() {
            page.push(mark);
        }
    }

    /// A line of text with its left end at `x`.
    pub(super) fn text(&mut self, x: f32, y: f32, set: Type, text: &str) {
        if !text.is_empty() {
            self.mark(Mark::Text { x, y, set, text: text.to_owned() });
        }
    }

    /// The same with its right end there.
    pub(super) fn text_to(&mut self, right: f32, y: f32, set: Type, text: &str) {
        self.text(right - set.width(text), y, set, text);
    }

    /// The same with its middle there.
    pub(super) fn text_around(&mut self, middle: f32, y: f32, set: Type, text: &str) {
        self.text(middle - set.width(text) / 2.0, y, set, text);
    }

    /// A paragraph over the whole width.
    pub(super) fn paragraph(&mut self, set: Type, text: &str) {
        for line in set.face.lines(set.size, text, self.width()) {
            self.keep(set.leading());
            self.text(self.left(), self.y + set.size, set, &line);
            self.y += set.leading();
        }
    }

    /// A heading that stays with what follows, which begins with so much.
    pub(super) fn heading(&mut self, title: &str, set: Type, follows: f32) {
        self.skip(set.size * 1.1);
        self.keep(set.leading() + follows);
        self.contents.push(Entry { title: title.to_owned(), page: self.pages.len() - 1, y: self.y });
        self.paragraph(set, title);
        self.y += set.size * 0.2;
    }

    /// Sets the foot of every page: what it is of at the left, which page of how many at the right.
    pub(super) fn number(&mut self, title: &str) {
        let (set, of) = (Type::SMALL, self.pages.len());
        let (y, width) = (self.size().1 - MARGIN, self.width());
        for (at, page) in self.pages.iter_mut().enumerate() {
            let number = format!("Page {} of {of}", at + 1);
            let right = MARGIN + width - set.width(&number);
            let rule = Mark::Rule { x: MARGIN, y: y - 11.0, width, weight: 0.4, tone: Tone::RULE };
            let text = |x, text: &str| Mark::Text { x, y, set, text: text.to_owned() };
            page.extend([rule, text(MARGIN, title), text(right, &number)]);
        }
    }
}
