//! Numbers, days and moments as they stand on a page. Everything that a person reads passes through here.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::domain::month::Costs;
use crate::domain::outlook::Horizon;
use crate::domain::part::Price;
use crate::domain::reading::{Amount, Capacity, Level, Oddity, Role};
use crate::domain::units::Measure;

/// Keeps a number and its unit on one line.
const NO_BREAK: char = '\u{a0}';
/// Groups thousands: no comma, which half of Europe reads as a decimal sign.
const GROUP: char = '\u{202f}';

/// A moment without doubt: "Wed 25 Nov 2026, 08:10". In the hour that a clock change repeats, the zone's
/// abbreviation follows.
pub(crate) fn moment(at: Timestamp, zone: &TimeZone) -> String {
    let zoned = at.to_zoned(zone.clone());
    let text = zoned.strftime("%a %-d %b %Y, %H:%M").to_string();
    if zone.to_ambiguous_timestamp(zoned.datetime()).is_ambiguous() {
        format!("{text} {}", zoned.strftime("%Z"))
    } else {
        text
    }
}

/// The moment for a `datetime` attribute.
pub(crate) fn machine_moment(at: Timestamp) -> String {
    at.strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
}

/// The day in the zone.
pub(crate) fn day_of(at: Timestamp, zone: &TimeZone) -> Date {
    at.to_zoned(zone.clone()).date()
}

/// "25 Nov", with the year where it is not the year of `today`.
pub(crate) fn day(date: Date, today: Date) -> String {
    date.strftime(if date.year() == today.year() { "%-d %b" } else { "%-d %b %Y" }).to_string()
}

/// "Wed 25 Nov", with the year where it is not the year of `today`.
pub(crate) fn weekday(date: Date, today: Date) -> String {
    format!("{} {}", date.strftime("%a"), day(date, today))
}

/// "4–16 Dec", "28 Nov – 4 Dec", "28 Dec – 4 Jan 2027".
pub(crate) fn days(from: Date, to: Date, today: Date) -> String {
    if from == to {
        return day(from, today);
    }
    if (from.year(), from.month()) == (to.year(), to.month()) {
        return format!("{}–{}", from.day(), day(to, today));
    }
    format!("{} – {}", day(from, today), day(to, today))
}

/// Digits with thousands grouped from 10 000 on.
fn grouped(digits: &str) -> String {
    let (whole, rest) = digits.split_once('.').map_or((digits, None), |(whole, rest)| (whole, Some(rest)));
    let mut text = String::with_capacity(digits.len() + 4);
    if whole.len() <= 4 {
        text.push_str(whole);
    } else {
        for (at, digit) in whole.chars().enumerate() {
            if at > 0 && (whole.len() - at) % 3 == 0 {
                text.push(GROUP);
            }
            text.push(digit);
        }
    }
    if let Some(rest) = rest {
        text.push('.');
        text.push_str(rest);
    }
    text
}

/// A count: "1500", "12 480".
pub(crate) fn count(value: u64) -> String {
    grouped(&value.to_string())
}

/// An amount's figures without its unit: as many digits as the device can mean.
pub(crate) fn figure(value: f64, measure: Measure) -> String {
    if !value.is_finite() {
        return "?".to_owned();
    }
    let value = value.max(0.0);
    let whole = matches!(measure, Measure::Percent | Measure::Impressions | Measure::Sheets | Measure::Items);
    // 9.96 would become "10.0": what rounds up to ten is written like ten.
    if whole || value >= 9.95 || value == 0.0 {
        grouped(&format!("{value:.0}"))
    } else {
        format!("{value:.1}")
    }
}

/// An amount with its unit: "118 ml", "9.5 ml", "15 %".
pub(crate) fn amount(value: f64, measure: Measure) -> String {
    format!("{}{NO_BREAK}{}", figure(value, measure), measure.symbol())
}

/// A difference with its sign: "+12 ml", "−0.5 ml".
pub(crate) fn difference(value: f64, measure: Measure) -> String {
    let sign = if value < 0.0 { '−' } else { '+' };
    format!("{sign}{}", amount(value.abs(), measure))
}

/// Money with its currency: "1 204.50 EUR", "−3.05 EUR".
pub(crate) fn money(price: Price) -> String {
    let decimal = price.decimal();
    let (sign, digits) = decimal.strip_prefix('-').map_or(("", decimal.as_str()), |digits| ("−", digits));
    format!("{sign}{}{NO_BREAK}{}", grouped(digits), price.currency.code())
}

/// Sums of money, one a currency; a dash where there is none.
pub(crate) fn costs(costs: &Costs) -> String {
    let sums: Vec<String> = costs.iter().map(money).collect();
    if sums.is_empty() { "–".to_owned() } else { sums.join("; ") }
}

/// How much more or less than before, in whole percent: "+4 %", "−12 %"; none where there was nothing before.
pub(crate) fn change(now: f64, before: f64) -> Option<String> {
    let share = (before > 0.0).then(|| ((now - before) / before * 100.0).round())?;
    let sign = if share < 0.0 { "−" } else { "+" };
    Some(format!("{sign}{:.0}{NO_BREAK}%", share.abs()))
}

/// A use per day: a device that counts in whole percent uses a fraction of one, so here one digit more stands.
pub(crate) fn rate(value: f64, measure: Measure) -> String {
    match measure {
        Measure::Percent if value < 0.05 => format!("under 0.1{NO_BREAK}%"),
        Measure::Percent if value < 9.95 => format!("{value:.1}{NO_BREAK}%"),
        _ => amount(value, measure),
    }
}

/// A share as "72 %". What is neither nothing nor everything is never shown as either.
pub(crate) fn percent(share: f64) -> String {
    let rounded = (share.clamp(0.0, 1.0) * 100.0).round();
    let honest = match rounded {
        r if r < 1.0 && share > 0.0 => return format!("under 1{NO_BREAK}%"),
        r if r > 99.0 && share < 1.0 => 99.0,
        r => r,
    };
    format!("{honest:.0}{NO_BREAK}%")
}

/// What is left in a container, or how full a receptacle is.
pub(crate) fn level(level: &Level, role: Role) -> String {
    match (role, level.remaining) {
        (Role::Filled, Amount::Measured(room)) => match level.fraction() {
            Some(left) => format!("{} full", percent(left.complement().value())),
            None => format!("room for about {}", amount(room, level.measure)),
        },
        (Role::Consumed, Amount::Measured(left)) => format!("about {}", amount(left, level.measure)),
        (Role::Filled, Amount::SomeLeft) => "some room left".to_owned(),
        (Role::Consumed, Amount::SomeLeft) => "some left".to_owned(),
        (_, Amount::Unknown) => "level not told".to_owned(),
        (_, Amount::Unlimited) => "no limit".to_owned(),
    }
}

/// The level with what it is a part of: "about 118 ml of 775 ml, 15 %", "72 % full, room for about 420 ml".
pub(crate) fn level_in_full(of: &Level, role: Role) -> String {
    let short = level(of, role);
    match (role, of.remaining, of.capacity, of.fraction()) {
        (_, _, _, Some(_)) if of.measure == Measure::Percent => short,
        (Role::Consumed, _, Capacity::Known(capacity), Some(left)) => {
            format!("{short} of {}, {}", amount(capacity, of.measure), percent(left.value()))
        }
        (Role::Filled, Amount::Measured(room), _, Some(_)) => {
            format!("{short}, room for about {}", amount(room, of.measure))
        }
        (_, Amount::SomeLeft, ..) => format!("{short}; the device cannot say how much"),
        _ => short,
    }
}

/// Why a level is not believed, in words.
pub(crate) fn oddity(oddity: Oddity) -> &'static str {
    match oddity {
        Oddity::LevelAboveCapacity => {
            "The device says that more is in it than it can hold, so its figure is not believed."
        }
        Oddity::NegativeNonsense => {
            "The device gave a number that means nothing, so its figure is not believed."
        }
    }
}

/// When it ends: "runs out 4–16 Dec, about 9 Dec".
pub(crate) fn horizon(horizon: Horizon, role: Role, today: Date) -> String {
    let (verb, past) = match role {
        Role::Consumed => ("runs out", "should have run out by now"),
        Role::Filled => ("full", "should be full by now"),
    };
    if horizon.late <= today {
        return past.to_owned();
    }
    if horizon.early <= today {
        return format!("{verb} any day now, likely by {}", day(horizon.late, today));
    }
    format!(
        "{verb} {}, about {}",
        days(horizon.early, horizon.late, today),
        day(horizon.middle.max(today), today)
    )
}

/// A span in its two largest units: "2 days 13 hours", "25 minutes".
pub(crate) fn span(from: Timestamp, to: Timestamp) -> String {
    minutes(u64::try_from(to.duration_since(from).as_mins()).unwrap_or(0))
}

/// Minutes in their two largest units.
pub(crate) fn minutes(minutes: u64) -> String {
    let (days, hours, rest) = (minutes / 1440, minutes / 60 % 24, minutes % 60);
    let unit = |n: u64, word: &str| format!("{n} {word}{}", if n == 1 { "" } else { "s" });
    match (days, hours, rest) {
        (0, 0, 0) => "under a minute".to_owned(),
        (0, 0, m) => unit(m, "minute"),
        (0, h, 0) => unit(h, "hour"),
        (0, h, m) => format!("{} {}", unit(h, "hour"), unit(m, "minute")),
        (1..14, h, _) if h > 0 => format!("{} {}", unit(days, "day"), unit(h, "hour")),
        _ => unit(days, "day"),
    }
}

/// A small number as a word: "three"; larger ones as digits.
pub(crate) fn number_word(n: usize) -> String {
    const WORDS: [&str; 13] = [
        "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
        "twelve",
    ];
    WORDS.get(n).map_or_else(|| count(u64::try_from(n).unwrap_or(u64::MAX)), |word| (*word).to_owned())
}

/// With a capital letter in front.
pub(crate) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;
    use crate::domain::standard::SupplyUnit;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn moments_follow_the_zone_over_a_clock_change() {
        let lisbon = TimeZone::get("Europe/Lisbon").unwrap();
        assert_eq!(moment(at("2026-11-25T08:10:59Z"), &lisbon), "Wed 25 Nov 2026, 08:10");
        assert_eq!(moment(at("2026-03-29T00:59:00Z"), &lisbon), "Sun 29 Mar 2026, 00:59");
        assert_eq!(moment(at("2026-03-29T01:00:00Z"), &lisbon), "Sun 29 Mar 2026, 02:00");
        assert_eq!(moment(at("2026-10-25T00:30:00Z"), &lisbon), "Sun 25 Oct 2026, 01:30 WEST");
        assert_eq!(moment(at("2026-10-25T01:30:00Z"), &lisbon), "Sun 25 Oct 2026, 01:30 WET");
    }

    #[test]
    fn days_carry_a_year_only_where_it_is_another() {
        let today = date(2026, 11, 25);
        assert_eq!(weekday(date(2026, 11, 27), today), "Fri 27 Nov");
        assert_eq!(weekday(date(2027, 1, 4), today), "Mon 4 Jan 2027");
        assert_eq!(days(date(2026, 12, 4), date(2026, 12, 16), today), "4–16 Dec");
        assert_eq!(days(date(2026, 11, 28), date(2026, 12, 4), today), "28 Nov – 4 Dec");
        assert_eq!(days(date(2026, 12, 28), date(2027, 1, 4), today), "28 Dec – 4 Jan 2027");
        assert_eq!(days(today, today, today), "25 Nov");
    }

    #[test]
    fn amounts_have_as_many_digits_as_they_mean() {
        let ml = |value| figure(value, Measure::Millilitres);
        assert_eq!(
            [ml(1234.5), ml(118.4), ml(42.49), ml(9.96), ml(9.94), ml(0.04), ml(0.0)],
            ["1234", "118", "42", "10", "9.9", "0.0", "0"]
        );
        assert_eq!(ml(1_234_567.0), "1\u{202f}234\u{202f}567");
        assert_eq!(ml(-3.0), "0");
        assert_eq!(ml(f64::NAN), "?");
        assert_eq!(figure(3.4, Measure::Sheets), "3");
        assert_eq!(amount(15.2, Measure::Percent), "15\u{a0}%");
        assert_eq!(rate(1.44, Measure::Percent), "1.4\u{a0}%");
        assert_eq!(rate(0.01, Measure::Percent), "under 0.1\u{a0}%");
        assert_eq!(rate(12.2, Measure::Millilitres), "12\u{a0}ml");
    }

    #[test]
    fn money_and_changes_carry_their_signs() {
        let euro =
            |minor| Price { minor, currency: crate::domain::part::Currency::from_code("EUR").unwrap() };
        assert_eq!(money(euro(1_234_567)), "12\u{202f}345.67\u{a0}EUR");
        assert_eq!(money(euro(-305)), "−3.05\u{a0}EUR");
        assert_eq!(costs(&Costs::default()), "–");
        assert_eq!(difference(-12.5, Measure::Millilitres), "−12\u{a0}ml");
        assert_eq!(change(96.0, 100.0).as_deref(), Some("−4\u{a0}%"));
        assert_eq!(change(96.0, 0.0), None);
    }

    #[test]
    fn nearly_is_not_quite() {
        assert_eq!(percent(0.0), "0\u{a0}%");
        assert_eq!(percent(0.004), "under 1\u{a0}%");
        assert_eq!(percent(0.724), "72\u{a0}%");
        assert_eq!(percent(0.997), "99\u{a0}%");
        assert_eq!(percent(1.0), "100\u{a0}%");
    }

    #[test]
    fn a_receptacle_says_how_full_and_a_container_how_much() {
        let waste = Level::from_raw(SupplyUnit::TenthsOfMilliliters, 15_000, 4200);
        assert_eq!(level(&waste, Role::Filled), "72\u{a0}% full");
        assert_eq!(level_in_full(&waste, Role::Filled), "72\u{a0}% full, room for about 420\u{a0}ml");
        let ink = Level::from_raw(SupplyUnit::TenthsOfMilliliters, 7750, 1180);
        assert_eq!(level(&ink, Role::Consumed), "about 118\u{a0}ml");
        assert_eq!(level_in_full(&ink, Role::Consumed), "about 118\u{a0}ml of 775\u{a0}ml, 15\u{a0}%");
        let some = Level::from_raw(SupplyUnit::TenthsOfMilliliters, 7750, -3);
        assert_eq!(level_in_full(&some, Role::Consumed), "some left; the device cannot say how much");
        let share = Level::from_raw(SupplyUnit::Percent, 100, 40);
        assert_eq!(level_in_full(&share, Role::Consumed), "about 40\u{a0}%");
    }

    #[test]
    fn a_horizon_is_a_sentence() {
        let today = date(2026, 11, 25);
        let spread = |early, middle, late| Horizon { early, middle, late };
        let ahead = spread(date(2026, 12, 4), date(2026, 12, 9), date(2026, 12, 16));
        assert_eq!(horizon(ahead, Role::Consumed, today), "runs out 4–16 Dec, about 9 Dec");
        let near = spread(today, date(2026, 11, 26), date(2026, 11, 28));
        assert_eq!(horizon(near, Role::Filled, today), "full any day now, likely by 28 Nov");
        let past = spread(date(2026, 11, 1), date(2026, 11, 2), date(2026, 11, 3));
        assert_eq!(horizon(past, Role::Consumed, today), "should have run out by now");
    }

    #[test]
    fn spans_and_small_numbers_read_aloud() {
        let from = at("2026-11-22T18:40:00Z");
        assert_eq!(span(from, at("2026-11-25T08:10:00Z")), "2 days 13 hours");
        assert_eq!(span(from, at("2026-11-22T18:41:10Z")), "1 minute");
        assert_eq!(span(from, at("2026-11-22T20:40:00Z")), "2 hours");
        assert_eq!(span(from, at("2027-01-22T20:40:00Z")), "61 days");
        assert_eq!(span(from, from), "under a minute");
        assert_eq!((number_word(3), number_word(40)), ("three".to_owned(), "40".to_owned()));
    }
}
