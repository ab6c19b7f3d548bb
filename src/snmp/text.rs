//! Strings of a device as text that can be shown and stored.

/// IANA's numbers of the character sets that are decoded as they are declared (MIBenum).
const LATIN_1: i32 = 4;
const UTF_8: i32 = 106;
const WINDOWS_1252: i32 = 2252;

/// The most characters kept of one string.
pub(super) const MOST_CHARS: usize = 255;

/// What windows-1252 has where Latin-1 has control characters; the unassigned ones stay those.
const WINDOWS_1252_HIGH: [char; 32] = [
    '€', '\u{81}', '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', '\u{8d}', 'Ž', '\u{8f}', '\u{90}',
    '‘', '’', '“', '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', '\u{9d}', 'ž', 'Ÿ',
];

/// Octets as text: by the declared character set where it is one of those known here; otherwise, and where
/// they do not fit what is declared, as UTF-8 if they are that, and else as Latin-1, which loses nothing.
///
/// Control characters, and those that would reorder text around them, are dropped; white space becomes one
/// kind of space; the ends are trimmed; and no more than 255 characters are kept.
pub(super) fn decode(octets: &[u8], character_set: Option<i32>) -> String {
    let latin_1 = |octet: &u8| char::from(*octet);
    let text: String = match character_set {
        Some(LATIN_1) => octets.iter().map(latin_1).collect(),
        Some(WINDOWS_1252) => octets
            .iter()
            .map(|octet| match octet {
                0x80..=0x9f => WINDOWS_1252_HIGH[usize::from(octet - 0x80)],
                other => latin_1(other),
            })
            .collect(),
        Some(UTF_8) | Some(_) | None => match std::str::from_utf8(octets) {
            Ok(text) => text.into(),
            Err(_) => octets.iter().map(latin_1).collect(),
        },
    };
    let shown = text
        .chars()
        .map(|c| if c.is_whitespace() { ' ' } else { c })
        .filter(|c| !c.is_control() && !matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}'));
    let kept: String = shown.skip_while(|c| *c == ' ').take(MOST_CHARS).collect();
    kept.trim_end().into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The octets of "Größe" in three character sets of the IANA registry.
    #[test]
    fn the_declared_character_set_decides() {
        assert_eq!(decode("Größe".as_bytes(), Some(106)), "Größe");
        assert_eq!(decode(b"Gr\xf6\xdfe", Some(4)), "Größe");
        assert_eq!(decode(b"Gr\xf6\xdfe \x80", Some(2252)), "Größe €");
        assert_eq!(decode("Größe".as_bytes(), Some(4)), "GrÃ¶Ã\u{9f}e".replace('\u{9f}', ""));
    }

    #[test]
    fn what_does_not_fit_its_declaration_is_still_shown() {
        assert_eq!(decode(b"Gr\xf6\xdfe", Some(106)), "Größe");
        assert_eq!(decode(b"Gr\xf6\xdfe", None), "Größe");
        assert_eq!(decode("Größe".as_bytes(), Some(3)), "Größe");
        assert_eq!(decode("Größe".as_bytes(), Some(17)), "Größe");
    }

    #[test]
    fn nothing_but_text_is_left() {
        assert_eq!(decode(b"  black\0ink\r\n\x1b[31m\0\0", None), "blackink  [31m");
        assert_eq!(decode("a\u{202e}b\u{feff}".as_bytes(), None), "ab");
        assert_eq!(decode(&[b'x'; 4000], None).chars().count(), MOST_CHARS);
        assert_eq!(decode(&[0, 0], Some(106)), "");
    }

    proptest! {
        #[test]
        fn any_octets_are_a_short_clean_text(octets in prop::collection::vec(any::<u8>(), 0..600),
                                              set in prop::option::of(prop_oneof![Just(3), Just(4), Just(106), Just(2252), any::<i32>()])) {
            let text = decode(&octets, set);
            prop_assert!(text.chars().count() <= MOST_CHARS);
            prop_assert!(!text.chars().any(char::is_control));
            prop_assert_eq!(text.trim(), &text);
        }
    }
}
