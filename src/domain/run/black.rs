//! Which black a medium takes.

use super::plan::Media;

/// What kind of black a supply holds, as far as its name tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Black {
    /// For gloss.
    Photo,
    /// For everything else.
    Matte,
}

impl Black {
    /// From a supply's name: `Photo black`, `Matte black`. A plain `Black` is neither, and serves every medium.
    #[must_use]
    pub fn of(label: &str) -> Option<Self> {
        let words: Vec<String> = label
            .split(|letter: char| !letter.is_alphanumeric())
            .map(str::to_lowercase)
            .filter(|word| !word.is_empty())
            .collect();
        let has = |of: &[&str]| words.iter().any(|word| of.contains(&word.as_str()));
        // A light black is a grey, and is used on every medium.
        if !has(&["black"]) || has(&["light"]) {
            return None;
        }
        if has(&["photo", "gloss"]) {
            Some(Self::Photo)
        } else if has(&["matte", "matt"]) {
            Some(Self::Matte)
        } else {
            None
        }
    }

    /// The one that a medium takes: gloss takes photo black, all others matte black. Common practice, no source.
    #[must_use]
    pub fn for_media(media: Media) -> Self {
        match media {
            Media::Gloss => Self::Photo,
            Media::Matte | Media::Canvas | Media::Textile => Self::Matte,
        }
    }
}

/// How a supply's black stands to a medium.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turn {
    /// It is no black of two, or the only one that the machine has: it is used on every medium.
    Always,
    /// The machine has both, and the medium takes this one.
    Takes,
    /// The machine has both, and the medium takes the other: this one gives nothing but head care.
    Rests,
}

impl Turn {
    /// That of a supply, in a machine with supplies of these names.
    #[must_use]
    pub fn of<'a>(label: &str, all: impl IntoIterator<Item = &'a str>, media: Media) -> Self {
        let Some(black) = Black::of(label) else { return Self::Always };
        let has_other = all.into_iter().filter_map(Black::of).any(|other| other != black);
        match (has_other, black == Black::for_media(media)) {
            (false, _) => Self::Always,
            (true, true) => Self::Takes,
            (true, false) => Self::Rests,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_medium_decides_which_black_is_used() {
        let both = ["Cyan", "Matte black", "PHOTO BLACK", "Light black"];
        let turn = |label, media| Turn::of(label, both, media);
        assert_eq!(turn("PHOTO BLACK", Media::Gloss), Turn::Takes);
        assert_eq!(turn("Matte black", Media::Gloss), Turn::Rests);
        assert_eq!(turn("PHOTO BLACK", Media::Textile), Turn::Rests);
        assert_eq!(turn("Matte black", Media::Canvas), Turn::Takes);
        assert_eq!(turn("Light black", Media::Gloss), Turn::Always);
        assert_eq!(turn("Cyan", Media::Gloss), Turn::Always);
        // The only black of a machine is used whatever the medium.
        assert_eq!(Turn::of("Matte black", ["Cyan", "Matte black"], Media::Gloss), Turn::Always);
        assert_eq!(Turn::of("Black", ["Black", "Photo black"], Media::Matte), Turn::Always);
    }
}
