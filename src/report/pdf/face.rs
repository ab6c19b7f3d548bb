//! Letters: the faces, which bytes a text is, how wide it is, and where its lines break.
//!
//! The faces are four of the fourteen that every program that shows PDF has (ISO 32000-1, 9.6.2.2), so that nothing
//! is embedded. They hold the letters of western Europe. What else a name is written in is spelt with those, which the
//! reader is told; the name as it is stays in the file for whoever searches or copies.

mod widths;

use encoding_rs::WINDOWS_1252;

/// A face.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Face {
    Plain,
    Strong,
    Title,
    Quiet,
}

impl Face {
    pub(super) const ALL: [Self; 4] = [Self::Plain, Self::Strong, Self::Title, Self::Quiet];

    /// Its name in the standard.
    pub(super) fn base_font(self) -> &'static [u8] {
        match self {
            Self::Plain => b"Helvetica",
            Self::Strong => b"Helvetica-Bold",
            Self::Title => b"Times-Roman",
            Self::Quiet => b"Times-Italic",
        }
    }

    /// Its name in this file.
    pub(super) fn name(self) -> &'static [u8] {
        match self {
            Self::Plain => b"P",
            Self::Strong => b"S",
            Self::Title => b"T",
            Self::Quiet => b"Q",
        }
    }

    fn widths(self) -> &'static [u16; 224] {
        match self {
            Self::Plain => &widths::HELVETICA,
            Self::Strong => &widths::HELVETICA_BOLD,
            Self::Title => &widths::TIMES_ROMAN,
            Self::Quiet => &widths::TIMES_ITALIC,
        }
    }

    /// How wide bytes of these letters are, in points.
    fn width_of(self, size: f32, bytes: &[u8]) -> f32 {
        let width = |byte: &u8| {
            let at = usize::from(*byte).checked_sub(32);
            at.and_then(|at| self.widths().get(at)).copied().map_or(0, u32::from)
        };
        bytes.iter().map(width).sum::<u32>() as f32 * size / 1000.0
    }

    /// How wide a text is, in points.
    pub(super) fn width(self, size: f32, text: &str) -> f32 {
        self.width_of(size, &Spelling::of(text).bytes)
    }

    /// The widest piece of a text that is not broken.
    pub(super) fn widest_word(self, size: f32, text: &str) -> f32 {
        text.split(' ').map(|word| self.width(size, word)).fold(0.0, f32::max)
    }

    /// The lines of a text that is to be so wide: broken at blanks, and within words that are too long for a line.
    pub(super) fn lines(self, size: f32, text: &str, width: f32) -> Vec<String> {
        let (mut lines, mut line) = (Vec::new(), String::new());
        for word in text.split(' ') {
            let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
            if self.width(size, &longer) <= width {
                line = longer;
                continue;
            }
            if !line.is_empty() {
                lines.push(std::mem::take(&mut line));
            }
            line = self.last_piece(size, word, width, &mut lines);
        }
        lines.push(line);
        lines
    }

    /// Breaks a word that is longer than a line wherever it has to; its last piece is given back.
    fn last_piece(self, size: f32, word: &str, width: f32, lines: &mut Vec<String>) -> String {
        let mut piece = String::new();
        for letter in word.chars() {
            let mut longer = piece.clone();
            longer.push(letter);
            if !piece.is_empty() && self.width(size, &longer) > width {
                lines.push(std::mem::replace(&mut piece, letter.to_string()));
            } else {
                piece = longer;
            }
        }
        piece
    }
}

/// A text as bytes of `WinAnsiEncoding`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Spelling {
    pub(super) bytes: Vec<u8>,
    /// Whether letters stand for others.
    pub(super) is_respelt: bool,
}

impl Spelling {
    pub(super) fn of(text: &str) -> Self {
        let mut spelling = Self { bytes: Vec::with_capacity(text.len()), is_respelt: false };
        for letter in text.chars() {
            match letter {
                // The minus is as wide as a dash, and no reader takes the one for the other before a figure.
                '\u{2212}' => spelling.bytes.push(0x96),
                '\u{a0}' | '\u{202f}' => spelling.bytes.push(0xa0),
                letter if letter.is_control() => spelling.bytes.push(b' '),
                letter => spelling.push(letter),
            }
        }
        spelling
    }

    fn push(&mut self, letter: char) {
        let mut utf8 = [0; 4];
        let (bytes, _, is_missing) = WINDOWS_1252.encode(letter.encode_utf8(&mut utf8));
        if is_missing {
            self.is_respelt = true;
            self.bytes.extend(deunicode::deunicode_char(letter).unwrap_or("?").bytes());
        } else {
            self.bytes.extend_from_slice(&bytes);
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn western_letters_are_themselves_and_others_are_spelt_with_them() {
        let spelt = |text: &str| {
            let Spelling { bytes, is_respelt } = Spelling::of(text);
            (WINDOWS_1252.decode(&bytes).0.into_owned(), is_respelt)
        };
        assert_eq!(spelt("Bühne “Süd” – 5 €"), ("Bühne “Süd” – 5 €".to_owned(), false));
        assert_eq!(spelt("−12\u{202f}480\u{a0}ml"), ("–12\u{a0}480\u{a0}ml".to_owned(), false));
        assert_eq!(spelt("Łódź"), ("Lódz".to_owned(), true));
        assert_eq!(spelt("Σκηνή"), ("Skene".to_owned(), true));
        assert_eq!(spelt("a\tb"), ("a b".to_owned(), false));
    }

    #[test]
    fn widths_are_those_of_the_metrics() {
        assert!((Face::Plain.width(1000.0, "Ai €") - (667.0 + 222.0 + 278.0 + 556.0)).abs() < 1e-3);
        assert!((Face::Strong.width(10.0, "0") - 5.56).abs() < 1e-5);
    }

    #[test]
    fn lines_break_at_blanks_and_never_between_a_figure_and_its_unit() {
        let lines = Face::Plain.lines(10.0, "Ink used: 1204\u{a0}ml of it", 60.0);
        assert_eq!(lines, ["Ink used:", "1204\u{a0}ml of it"]);
        assert_eq!(Face::Plain.lines(10.0, "", 60.0), [""]);
    }

    proptest! {
        #[test]
        fn lines_are_no_wider_than_they_may_be_and_lose_nothing(text in "\\PC{0,60}", width in 20.0f32..300.0) {
            let lines = Face::Plain.lines(8.0, &text, width);
            for line in &lines {
                let one_letter = line.chars().count() <= 1;
                prop_assert!(one_letter || Face::Plain.width(8.0, line) <= width, "{line:?}");
            }
            let letters = |text: &str| text.replace(' ', "");
            prop_assert_eq!(letters(&lines.concat()), letters(&text));
        }
    }
}
