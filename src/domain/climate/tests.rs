use proptest::prelude::*;

use super::*;

fn row(kind: i64, scale: i64, precision: i64, value: i64) -> SensorRow {
    SensorRow { index: 1, kind, scale, precision, value, status: OK }
}

fn celsius(scale: i64, precision: i64, value: i64) -> Option<f64> {
    Climate::of(&[row(CELSIUS, scale, precision, value)]).and_then(|climate| climate.celsius)
}

fn percent(scale: i64, precision: i64, value: i64) -> Option<f64> {
    Climate::of(&[row(PERCENT_RH, scale, precision, value)]).and_then(|climate| climate.humidity_percent)
}

/// RFC 3433 (December 2002), section 4: `EntitySensorPrecision` gives as its example a sensor of 0 to 100 degrees C in
/// steps of 0.1, with precision 1, scale units(9) and values from 0 to 1000, "interpreted as 'degrees C * 10'";
/// `EntitySensorDataScale` has milli(8) for 10^-3, units(9) for 10^0 and kilo(10) for 10^3; celsius is 8, percentRH 9.
#[test]
fn values_are_read_as_rfc_3433_reads_them() {
    assert_eq!(celsius(9, 1, 0), Some(0.0));
    assert_eq!(celsius(9, 1, 235), Some(23.5));
    assert_eq!(celsius(9, 1, 1000), Some(100.0));
    assert_eq!(celsius(8, 0, 23_456), Some(23.456));
    assert_eq!(celsius(8, 1, 234_560), Some(23.456));
    assert_eq!(celsius(10, 3, 21), Some(21.0));
    assert_eq!(celsius(9, 0, -4), Some(-4.0));
    assert_eq!(percent(9, 0, 41), Some(41.0));
    // "A value in the range -8 to -1 represents the number of accurate digits": the point stays where it is.
    assert_eq!(celsius(9, -2, 23), Some(23.0));
}

/// The same section: -1000000000 is an underflow and +1000000000 an overflow of a fixed-point number, percentRH ranges
/// from 0 to 100, precision from -8 to 9; unavailable(2) and nonoperational(3) are no values.
#[test]
fn what_is_no_measurement_by_rfc_3433_is_none_here() {
    for precision in [0, 1, 6] {
        assert_eq!(celsius(9, precision, 1_000_000_000), None, "overflow");
        assert_eq!(celsius(9, precision, -1_000_000_000), None, "underflow");
    }
    assert_eq!([percent(9, 0, 101), percent(9, 0, -1)], [None, None]);
    assert_eq!([celsius(9, 10, 23), celsius(9, -9, 23), celsius(0, 0, 23), celsius(14, 0, 0)], [None; 4]);
    for status in [2, 3, 0, 7] {
        assert_eq!(Climate::of(&[SensorRow { status, ..row(CELSIUS, 9, 0, 23) }]), None, "status {status}");
    }
    // Volts, rounds and truth are no air.
    for kind in [1, 2, 3, 4, 5, 6, 7, 10, 11, 12] {
        assert!(Climate::of(&[row(kind, 9, 0, 23)]).is_none() && !row(kind, 9, 0, 23).is_of_air());
    }
}

#[test]
fn of_several_sensors_the_first_by_index_that_is_in_order_is_taken() {
    let at = |index, row| SensorRow { index, ..row };
    let broken = SensorRow { status: 3, ..row(CELSIUS, 9, 0, 19) };
    let rows = [
        at(9, row(CELSIUS, 9, 0, 44)),
        at(2, broken),
        at(4, row(CELSIUS, 9, 0, 22)),
        at(3, row(CELSIUS, 9, 0, 900)),
        at(7, row(PERCENT_RH, 9, 0, 52)),
    ];
    let climate = Climate::of(&rows).unwrap();
    assert_eq!((climate.celsius, climate.humidity_percent), (Some(22.0), Some(52.0)));
    assert_eq!(climate.to_string(), "22 °C and 52 % relative humidity");
    assert_eq!(Climate::of(&[broken]), None);
    assert!(broken.is_of_air(), "it has a sensor all the same");
}

#[test]
fn what_is_out_of_its_range_is_told_with_the_range() {
    let told = |celsius, humidity_percent| {
        let strays = Climate { celsius, humidity_percent }.strays(&Comfort::default());
        strays.iter().map(|stray| format!("{}: {stray}", stray.how)).collect::<Vec<_>>()
    };
    assert_eq!(told(Some(15.0), Some(70.0)), Vec::<String>::new(), "the ends are within");
    assert_eq!(told(None, None), Vec::<String>::new(), "what is not told is not judged");
    assert_eq!(
        told(Some(30.04), Some(29.0)),
        ["too warm: 30.04 °C (wanted: 15 to 30)", "too dry: 29 % relative humidity (wanted: 30 to 70)"]
    );
    assert_eq!(told(Some(14.9), None), ["too cold: 14.9 °C (wanted: 15 to 30)"]);
    assert_eq!(told(None, Some(70.5)), ["too damp: 70.5 % relative humidity (wanted: 30 to 70)"]);
}

#[test]
fn a_report_is_good_for_a_day() {
    let at: Timestamp = "2026-11-25T08:00:00Z".parse().unwrap();
    let report = Report { at, climate: Climate { celsius: Some(22.0), humidity_percent: None } };
    assert!(report.is_good(at) && report.is_good(at + SignedDuration::from_hours(24)));
    assert!(!report.is_good(at + SignedDuration::from_hours(25)));
}

#[test]
fn a_range_is_two_rising_numbers() {
    let bounds = |text: &str| text.parse::<Bounds>();
    assert_eq!(bounds("15..30").unwrap(), Comfort::default().celsius);
    assert_eq!(bounds(" -4.5 .. 30 ").unwrap(), Bounds { least: -4.5, most: 30.0 });
    for wrong in ["", "15", "30..15", "15..15", "15-30", "15..", "a..b", "nan..30", "15..inf"] {
        let fault = bounds(wrong).unwrap_err().to_string();
        assert!(fault.contains("like 15..30"), "{fault}");
    }
}

proptest! {
    #[test]
    fn a_fixed_point_number_reads_as_its_decimals(precision in 0i64..=9, value in -999_999_999i64..=999_999_999) {
        let digits = format!("{:0width$}", value.abs(), width = usize::try_from(precision).unwrap() + 1);
        let (whole, part) = digits.split_at(digits.len() - usize::try_from(precision).unwrap());
        let sign = if value < 0 { "-" } else { "" };
        let meant: f64 = format!("{sign}{whole}.{part}0").parse().unwrap();
        let believed = BELIEVED_CELSIUS.hold(meant);
        prop_assert_eq!(celsius(9, precision, value), believed.then_some(meant));
    }

    #[test]
    fn no_row_panics_and_what_comes_of_it_can_be_believed(
        kind in any::<i64>(), scale in any::<i64>(), precision in any::<i64>(), value in any::<i64>(), status in 0i64..4,
    ) {
        for kind in [kind, CELSIUS, PERCENT_RH] {
            for (scale, precision) in [(scale, precision), (scale.rem_euclid(20), precision.rem_euclid(24) - 12)] {
                let row = SensorRow { index: 1, kind, scale, precision, value, status };
                if let Some(climate) = Climate::of(&[row]) {
                    prop_assert!(status == OK);
                    prop_assert!(climate.celsius.is_none_or(|celsius| BELIEVED_CELSIUS.hold(celsius)));
                    prop_assert!(climate.humidity_percent.is_none_or(|percent| BELIEVED_PERCENT.hold(percent)));
                }
            }
        }
    }

    #[test]
    fn a_stray_is_out_of_its_range_and_nothing_else_is(celsius in -60f64..110.0, percent in 0f64..=100.0) {
        let comfort = Comfort::default();
        let climate = Climate { celsius: Some(celsius), humidity_percent: Some(percent) };
        let strays = climate.strays(&comfort);
        let expected = [!(15.0..=30.0).contains(&celsius), !(30.0..=70.0).contains(&percent)];
        prop_assert_eq!(strays.len(), expected.into_iter().filter(|out| *out).count());
        prop_assert!(strays.iter().all(|stray| !stray.range.hold(stray.amount)));
    }
}
