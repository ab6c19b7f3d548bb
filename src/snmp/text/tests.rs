use proptest::prelude::*;

use super::*;

/// Octets by the codecs of Python 3, which knows nothing of the tables used here.
#[test]
fn every_declared_character_set_is_decoded_as_another_library_encodes_it() {
    let known: &[(i32, &[u8], &str)] = &[
        (4, &b"Gr\xf6\xdfe"[..], "Größe"),
        (5, &b"\xc8ern\xfd inkoust"[..], "Černý inkoust"),
        (6, &b"\xa1a\xbfna"[..], "Ħażna"),
        (7, &b"Meln\xe0 \xf3erme"[..], "Melnā ķerme"),
        (8, &b"\xc7\xf1\xe0\xdd\xeb\xd9"[..], "Чёрный"),
        (9, &b"\xc3\xd3\xe8\xcf"[..], "أسود"),
        (10, &b"\xcc\xe5\xeb\xdc\xed\xe9"[..], "Μελάνι"),
        (11, &b"\xf9\xe7\xe5\xf8"[..], "שחור"),
        (12, &b"Siyah m\xfcrekkep \xf0\xfd\xfe"[..], "Siyah mürekkep ğış"),
        (13, &b"\xaaed\xe1 \xfe"[..], "Šedá þ"),
        (17, &b"\x8d\x95\x83C\x83\x93\x83N \xca\xde\xdd\xc4\xde"[..], "黒インク ﾊﾞﾝﾄﾞ"),
        (18, &b"\xb9\xf5\xa5\xa4\xa5\xf3\xa5\xaf"[..], "黒インク"),
        (38, &b"\xb0\xcb\xc1\xa4 \xc0\xd7\xc5\xa9"[..], "검정 잉크"),
        (39, &b"\x1b$B9u%$%s%/\x1b(B"[..], "黒インク"),
        (57, &b"\xba\xda\xc9\xab\xc4\xab\xcb\xae"[..], "黑色墨水"),
        (106, &b"\xe9\xbb\x91\xe8\x89\xb2 ink"[..], "黑色 ink"),
        (109, &b"Juodas ra\xf0alas \xeb"[..], "Juodas rašalas ė"),
        (110, &b"Inc dubh \xb8"[..], "Inc dubh ẁ"),
        (111, &b"Encre \xa4 \xbd"[..], "Encre € œ"),
        (112, &b"Cerneal\xe3 neagr\xe3 \xba"[..], "Cerneală neagră ș"),
        (113, &b"\xba\xda\xc9\xab\xc4\xab\xcb\xae \xe9F"[..], "黑色墨水 镕"),
        (114, &b"\xba\xda\xc9\xab\xc4\xab\xcb\xae \xfe\x9f \x811\xb32"[..], "黑色墨水 䶮 ࠀ"),
        (1000, &b"\x9e\xd2\x00 \x00i\x00n\x00k"[..], "黒 ink"),
        (1013, &b"\x9e\xd2\x00 \x00i\x00n\x00k\x00 \xd8=\xdd\xa8"[..], "黒 ink 🖨"),
        (1014, &b"\xd2\x9e \x00i\x00n\x00k\x00 \x00=\xd8\xa8\xdd"[..], "黒 ink 🖨"),
        (2024, &b"\x8d\x95\x83C\x83\x93\x83N\x87@"[..], "黒インク①"),
        (2025, &b"\xba\xda\xc9\xab\xc4\xab\xcb\xae"[..], "黑色墨水"),
        (2026, &b"\xb6\xc2\xa6\xe2\xbe\xa5\xa4\xf4"[..], "黑色墨水"),
        (2027, &b"Gr\x9a\xa7e \xcf"[..], "Größe œ"),
        (2084, &b"\xfe\xa3\xd2\xce\xd9\xca"[..], "Чёрный"),
        (2086, &b"\x97\xf1\xe0\xad\xeb\xa9"[..], "Чёрный"),
        (2088, &b"\xfe\xcf\xd2\xce\xc9\xcc\xcf \xad"[..], "Чорнило ґ"),
        (2101, &b"\xb6\xc2\xa6\xe2\xbe\xa5\xa4\xf4 \x9d\xef"[..], "黑色墨水 嘅"),
        (2109, &b"\xcb\xc1\xd6\xa1\xb4\xd3"[..], "หมึกดำ"),
        (2250, &b"\xc8ern\xfd \x80"[..], "Černý €"),
        (2251, &b"\xd7\xb8\xf0\xed\xfb\xe9"[..], "Чёрный"),
        (2252, &b"Gr\xf6\xdfe \x80"[..], "Größe €"),
        (2253, &b"\xcc\xe5\xeb\xdc\xed\xe9"[..], "Μελάνι"),
        (2254, &b"Siyah \xf0\xfd\xfe \x80"[..], "Siyah ğış €"),
        (2255, &b"\xf9\xe7\xe5\xf8"[..], "שחור"),
        (2256, &b"\xc3\xd3\xe6\xcf"[..], "أسود"),
        (2257, &b"Ra\xf0alas \x80"[..], "Rašalas €"),
        (2258, &b"M\xfd\xf2c"[..], "Mực"),
        (2259, &b"\xcb\xc1\xd6\xa1\xb4\xd3"[..], "หมึกดำ"),
        (36, &b"\xb0\xcb\xc1\xa4"[..], "검정"),
    ];
    for (set, octets, text) in known {
        assert_eq!(decode(octets, Some(*set)), *text, "MIBenum {set}");
    }
}

#[test]
fn a_byte_order_mark_decides_the_order_and_is_not_shown() {
    assert_eq!(decode(b"\xff\xfei\0n\0k\0", Some(1015)), "ink");
    assert_eq!(decode(b"\xfe\xff\0i\0n\0k", Some(1015)), "ink");
    assert_eq!(decode(b"\0i\0n\0k", Some(1015)), "ink");
    assert_eq!(decode(b"\xef\xbb\xbfink", Some(106)), "ink");
}

#[test]
fn what_does_not_fit_its_declaration_is_still_shown() {
    // Latin-1 where UTF-8, or nothing, or ASCII is declared; UTF-8 where another set is.
    for set in [Some(106), None, Some(2), Some(3), Some(99)] {
        assert_eq!(decode(b"Gr\xf6\xdfe", set), "Größe", "{set:?}");
        assert_eq!(decode("Größe".as_bytes(), set), "Größe", "{set:?}");
    }
    assert_eq!(decode("黒".as_bytes(), Some(38)), "黒");
    // A double-byte string that was cut off in the middle keeps what came, and the octet that is left.
    assert_eq!(decode(b"\x8d\x95\x83C\x83\x93\x83", Some(17)), "黒イン\\x83");
    // Neither UTF-8 nor Latin-1: every octet can be told.
    assert_eq!(decode(b"ink \x8d\x95\xff", None), "ink \\x8d\\x95\\xff");
    assert_eq!(decode(b"i\0\xe9\0k", Some(1014)), "ié\\x6b");
}

#[test]
fn what_would_not_be_seen_is_made_visible() {
    assert_eq!(decode(b"  black\0ink\r\n\x1b[31m\0\0", None), "black\\u{0}ink  \\u{1b}[31m");
    assert_eq!(decode("a\u{202e}b\u{feff}".as_bytes(), None), "a\\u{202e}b\\u{feff}");
    assert_eq!(decode(&[b'x'; 4000], None).chars().count(), MOST_CHARS);
    assert_eq!(decode(&[0, 0], Some(106)), "");
    assert_eq!(decode(&[0xff; 255], None), "ÿ".repeat(255));
    assert_eq!(decode(&[0x81; 255], Some(106)), "\\x81".repeat(255));
}

/// Puts back what [`by`] escaped.
fn unescaped(text: &str) -> Vec<u8> {
    let mut octets = Vec::new();
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        let escaped = rest.strip_prefix("\\x").and_then(|digits| digits.get(..2));
        match escaped.and_then(|digits| u8::from_str_radix(digits, 16).ok()) {
            Some(octet) => (octets.push(octet), rest = &rest[4..]).0,
            None => (octets.extend_from_slice(c.to_string().as_bytes()), rest = &rest[c.len_utf8()..]).0,
        }
    }
    octets
}

proptest! {
    #[test]
    fn any_octets_are_a_short_clean_text(octets in prop::collection::vec(any::<u8>(), 0..600),
                                          set in prop::option::of(prop_oneof![0..120, 1000..1020, 2000..2110, 2250..2260, any::<i32>()])) {
        let text = decode(&octets, set);
        prop_assert!(text.chars().count() <= MOST_CHARS);
        prop_assert!(!text.chars().any(is_unseen));
        prop_assert_eq!(text.trim(), &text);
    }

    /// Escapes lose nothing: put back, they are the octets that came.
    #[test]
    fn octets_that_are_no_utf_8_can_all_be_told(octets in prop::collection::vec(any::<u8>().prop_filter("no escape of its own", |octet| *octet != b'\\'), 0..100)) {
        prop_assert_eq!(unescaped(&by(UTF_8, &octets).0), octets);
    }
}
