//! Strings of a device as text that can be shown and stored, with nothing of them lost.

use std::fmt::Write as _;

use encoding_rs::{
    BIG5, DecoderResult, EUC_JP, EUC_KR, Encoding, GB18030, GBK, IBM866, ISO_2022_JP, ISO_8859_2, ISO_8859_3,
    ISO_8859_4, ISO_8859_5, ISO_8859_6, ISO_8859_7, ISO_8859_8, ISO_8859_10, ISO_8859_13, ISO_8859_14,
    ISO_8859_15, ISO_8859_16, KOI8_R, KOI8_U, MACINTOSH, SHIFT_JIS, UTF_8, UTF_16BE, UTF_16LE, WINDOWS_874,
    WINDOWS_1250, WINDOWS_1251, WINDOWS_1252, WINDOWS_1253, WINDOWS_1254, WINDOWS_1255, WINDOWS_1256,
    WINDOWS_1257, WINDOWS_1258,
};

/// The most characters kept of one string: the 255 octets that the standard allows, all of them escaped.
pub(super) const MOST_CHARS: usize = 1_024;

/// What a device declares as `prtLocalizationCharacterSet`: the MIBenum of the IANA character set registry.
/// `None` for what is ASCII, unknown, or a set that is not known here.
///
/// Latin-1 and two more are decoded by the Windows sets that extend them, as the WHATWG Encoding Standard
/// does: those have letters and signs where the smaller sets have control characters that no label carries.
fn declared(character_set: i32) -> Option<&'static Encoding> {
    Some(match character_set {
        4 | 2252 => WINDOWS_1252,
        5 => ISO_8859_2,
        6 => ISO_8859_3,
        7 => ISO_8859_4,
        8 => ISO_8859_5,
        9 => ISO_8859_6,
        10 => ISO_8859_7,
        11 => ISO_8859_8,
        12 | 2254 => WINDOWS_1254,
        13 => ISO_8859_10,
        // Shift_JIS, and Windows-31J, which extends it.
        17 | 2024 => SHIFT_JIS,
        18 => EUC_JP,
        // KS_C_5601-1987 and EUC-KR.
        36 | 38 => EUC_KR,
        39 => ISO_2022_JP,
        // GB_2312-80, GB2312 and GBK: each is part of the next.
        57 | 113 | 2025 => GBK,
        106 => UTF_8,
        109 => ISO_8859_13,
        110 => ISO_8859_14,
        111 => ISO_8859_15,
        112 => ISO_8859_16,
        114 => GB18030,
        // ISO-10646-UCS-2, UTF-16BE, and UTF-16 without a mark (RFC 2781 §4.3).
        1000 | 1013 | 1015 => UTF_16BE,
        1014 => UTF_16LE,
        // Big5 and Big5-HKSCS.
        2026 | 2101 => BIG5,
        2027 => MACINTOSH,
        2084 => KOI8_R,
        2086 => IBM866,
        2088 => KOI8_U,
        // windows-874 and TIS-620.
        2109 | 2259 => WINDOWS_874,
        2250 => WINDOWS_1250,
        2251 => WINDOWS_1251,
        2253 => WINDOWS_1253,
        2255 => WINDOWS_1255,
        2256 => WINDOWS_1256,
        2257 => WINDOWS_1257,
        2258 => WINDOWS_1258,
        _ => return None,
    })
}

/// Octets as text.
///
/// What is declared decides, where the octets fit it; else they are UTF-8 if they can be that. What fits
/// neither is Latin-1 where only a single-byte set can be meant and every octet is a letter or sign in that;
/// otherwise each octet that does not fit stands as `\xf6`. Control characters, and those that would reorder
/// the text around them, stand as `\u{1b}`; white space becomes one kind of space, the ends are trimmed, of
/// NULs too, and no more than 1,024 characters are kept.
pub(super) fn decode(octets: &[u8], character_set: Option<i32>) -> String {
    let declared = character_set.and_then(declared);
    let text = match declared.map(|encoding| by(encoding, octets)) {
        Some((text, true)) => text,
        rough => match (std::str::from_utf8(octets), rough) {
            (Ok(text), _) => text.to_owned(),
            (Err(_), Some((text, false))) if declared != Some(UTF_8) => text,
            (Err(_), _) if is_latin_1(octets) => octets.iter().map(|octet| char::from(*octet)).collect(),
            (Err(_), _) => by(UTF_8, octets).0,
        },
    };
    shown(&text)
}

/// Octets by an encoding, with those escaped that do not fit it; and whether all did.
fn by(encoding: &'static Encoding, octets: &[u8]) -> (String, bool) {
    // A byte order mark says more than what is declared, but only about the order of octets.
    let (encoding, mut rest) = match (encoding == UTF_16BE || encoding == UTF_16LE, octets) {
        (true, [0xff, 0xfe, rest @ ..]) => (UTF_16LE, rest),
        (true, [0xfe, 0xff, rest @ ..]) => (UTF_16BE, rest),
        _ => (encoding, octets),
    };
    let mut decoder = encoding.new_decoder_without_bom_handling();
    let mut text = String::with_capacity(3 * octets.len() + 16);
    let mut fits = true;
    loop {
        // As much room as the rest can need, so that only a misfit ends a round early.
        text.reserve(decoder.max_utf8_buffer_length_without_replacement(rest.len()).unwrap_or(rest.len()));
        let (result, read) = decoder.decode_to_string_without_replacement(rest, &mut text, true);
        match result {
            DecoderResult::InputEmpty => return (text, fits),
            DecoderResult::Malformed(bad, behind) => {
                // Of what was read the last octets but `behind` do not fit; of those behind nothing is known
                // yet, so they are read again by a fresh decoder.
                let end = read.saturating_sub(usize::from(behind));
                let start = end.saturating_sub(usize::from(bad));
                for octet in rest.get(start..end).unwrap_or_default() {
                    let _ = write!(text, "\\x{octet:02x}");
                }
                rest = rest.get(end..).unwrap_or_default();
                decoder = encoding.new_decoder_without_bom_handling();
                fits = false;
            }
            DecoderResult::OutputFull => {}
        }
    }
}

/// Whether octets read as Latin-1 have no control characters that only that has.
fn is_latin_1(octets: &[u8]) -> bool {
    !octets.iter().any(|octet| (0x80..0xa0).contains(octet))
}

/// Whether a character would not be seen, or would move those around it.
fn is_unseen(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

fn shown(text: &str) -> String {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let text = text.trim_matches(|c: char| c == '\0' || c.is_whitespace());
    let mut shown = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            c if c.is_whitespace() => shown.push(' '),
            c if is_unseen(c) => _ = write!(shown, "{}", c.escape_unicode()),
            c => shown.push(c),
        }
    }
    if let Some((end, _)) = shown.char_indices().nth(MOST_CHARS) {
        shown.truncate(end);
        shown.truncate(shown.trim_end().len());
    }
    shown
}

#[cfg(test)]
mod tests;
