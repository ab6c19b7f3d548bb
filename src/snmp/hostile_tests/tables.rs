//! Agents whose tables are not as the MIB has them.

use super::*;

async fn odd(odd: Odd, version: Version) -> [Seen; 2] {
    both(async || plain(Device { odd, version, ..Device::new(12) }).await, version).await
}

#[tokio::test]
async fn names_that_do_not_increase_end_a_table() {
    for seen in odd(Odd::Loop, Version::V2c).await {
        assert!(!seen.whole().complete);
        assert_eq!(seen.whole().markers, Device::new(12).truth().markers);
    }
    let (outcome, _) = Device { odd: Odd::Loop, ..Device::new(12) }.read(None, Duration::ZERO).unwrap();
    assert_eq!(outcome.partial, Some(Partial::NotIncreasing));
}

#[tokio::test]
async fn an_endless_table_ends_at_the_row_cap() {
    for seen in odd(Odd::Endless, Version::V2c).await {
        assert!(!seen.whole().complete);
        assert!(seen.whole().supplies.len() <= 256);
    }
    let (outcome, _) = Device { odd: Odd::Endless, ..Device::new(12) }.read(None, Duration::ZERO).unwrap();
    assert_eq!(outcome.partial, Some(Partial::TooManyRows));
}

/// Levels as every numeric type, a level that is a text, a description that is a number.
#[tokio::test]
async fn types_that_are_not_the_mibs_are_understood_or_unknown() {
    let device = || {
        let mut device = Device::new(6);
        let level = |row| mib::SUPPLIES.child(&[9, 1, row]);
        device.table.insert(level(1), Value::Gauge32(41));
        device.table.insert(level(2), Value::Counter32(42));
        device.table.insert(level(3), Value::Counter64(43));
        device.table.insert(level(4), Value::OctetString(b"44".as_slice().into()));
        device.table.insert(level(5), Value::Unknown { tag: 0x9e, bytes: b"?".as_slice().into() });
        device.table.insert(mib::SUPPLIES.child(&[6, 1, 1]), Value::Integer(7));
        device.table.insert(mib::SYSTEM.child(&[3, 0]), Value::Integer(5_000_000));
        device
    };
    let make = async || plain(device()).await;
    for seen in both(make, Version::V2c).await {
        let levels: Vec<i32> = seen.whole().supplies.iter().map(|supply| supply.level).collect();
        assert_eq!(levels, [41, 42, 43, -2, -2, 6]);
        assert_eq!(seen.whole().supplies[0].description, "");
        assert_eq!(seen.whole().uptime_centiseconds, Some(5_000_000));
        assert!(seen.whole().complete);
    }
}

#[tokio::test]
async fn negative_and_huge_values_are_kept_or_unknown_and_cost_no_row() {
    let numbers = [-3, -1, i64::from(i32::MAX), i64::from(i32::MAX) + 1, i64::MAX, i64::MIN, 4_294_967_293];
    let device = || {
        let mut device = Device::new(7);
        for (row, number) in (1..).zip(numbers) {
            device.table.insert(mib::SUPPLIES.child(&[9, 1, row]), Value::Integer(number));
        }
        device.table.insert(mib::GENERAL.child(&[19, 1]), Value::Integer(-9));
        device.table.insert(mib::MARKER.child(&[4, 1, 1]), Value::Counter64(u64::MAX));
        device
    };
    let make = async || plain(device()).await;
    for seen in both(make, Version::V2c).await {
        let levels: Vec<i32> = seen.whole().supplies.iter().map(|supply| supply.level).collect();
        assert_eq!(levels, [-3, -1, i32::MAX, -2, -2, -2, -3]);
        assert_eq!((seen.whole().alert_events, seen.whole().markers[0].life_count), (None, None));
    }
}

#[tokio::test]
async fn too_big_is_asked_for_in_smaller_pieces() {
    for version in [Version::V1, Version::V2c] {
        for seen in odd(Odd::TooBig, version).await {
            assert_eq!(*seen.whole(), Device::new(12).truth());
        }
    }
    // One that says it of every single value, or cuts every answer off before the first.
    let make = async |version| plain(Device { limit: 40, version, ..Device::new(2) }).await;
    for seen in both(async || make(Version::V1).await, Version::V1).await {
        let fault = seen.snapshot.unwrap_err();
        assert!(matches!(fault, SnmpError::Agent { status: ErrorStatus::TooBig, .. }), "{fault}");
    }
    for seen in both(async || make(Version::V2c).await, Version::V2c).await {
        let fault = seen.snapshot.unwrap_err();
        assert!(matches!(fault, SnmpError::Unfitting { .. }), "{fault}");
    }
}

#[tokio::test]
async fn gen_err_costs_the_column_that_it_is_about_and_no_other() {
    for version in [Version::V1, Version::V2c] {
        for seen in odd(Odd::Broken(12), version).await {
            assert!(!seen.whole().complete);
            assert_eq!(seen.whole().supplies, Device::new(12).truth().supplies);
        }
    }
    let make = async || {
        spoiling(Device::new(2), |asked, _, _| vec![Act::Send(asked.fail(5, 0, &asked.echo()))]).await
    };
    for seen in both(make, Version::V2c).await {
        assert!(
            matches!(seen.snapshot, Err(SnmpError::Agent { status: ErrorStatus::GenErr, .. })),
            "{:?}",
            seen.snapshot
        );
    }
}

/// Version 1 gives nothing of a question when one name in it is missing: at first, and when something went away
/// since.
#[tokio::test]
async fn no_such_name_in_the_middle_costs_only_that_one() {
    let device = || {
        let mut device = Device { version: Version::V1, ..Device::new(5) };
        device.table.remove(&mib::GENERAL.child(&[17, 1]));
        device.table.retain(|oid, _| !oid.starts_with(&mib::COVER) && !oid.starts_with(&mib::COLORANT));
        device
    };
    let make = async || plain(device()).await;
    for seen in both(make, Version::V1).await {
        assert_eq!(*seen.whole(), device().truth());
    }
    let mut device = device();
    let (_, warm) = device.read(None, Duration::ZERO).unwrap();
    device.table.remove(&mib::SUPPLIES.child(&[9, 1, 3]));
    let (outcome, _) = device.read(Some(warm), Duration::ZERO).unwrap();
    assert_eq!(seen(&outcome), device.truth());
}

/// A description in the character set that the device declares, one that does not fit it, and one with what a
/// terminal would obey.
#[tokio::test]
async fn texts_come_in_the_declared_set_and_nothing_in_them_is_obeyed() {
    let device = || {
        let mut device = Device::new(3);
        // windows-1251, by the registry of character sets.
        device.table.insert(mib::LOCALIZATION.child(&[4, 1, 1]), Value::Integer(2_251));
        let texts: [&[u8]; 3] = [b"\xd7\xe5\xf0\xed\xfb\xe9", b"Ink\x98\xff", b"\x1b[2J\x00Ink\r\n\x07"];
        for (row, text) in (1..).zip(texts) {
            device.table.insert(mib::SUPPLIES.child(&[6, 1, row]), Value::OctetString(text.into()));
        }
        device
    };
    let make = async || plain(device()).await;
    for seen in both(make, Version::V2c).await {
        let texts: Vec<&str> = seen.whole().supplies.iter().map(|supply| &*supply.description).collect();
        assert_eq!(texts[0], "Черный");
        assert!(texts[1].starts_with("Ink"), "{texts:?}");
        assert!(texts.iter().all(|text| !text.chars().any(char::is_control)), "{texts:?}");
        assert!(texts[2].contains("Ink"), "{texts:?}");
    }
}
