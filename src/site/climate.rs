//! What a machine's sensors say of the air around it, in plain words.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::format::moment;
use crate::domain::climate::{Comfort, Report};

/// The last report with its time, and what is out of the range that is set.
pub(crate) fn words(report: &Report, comfort: &Comfort, now: Timestamp, zone: &TimeZone) -> String {
    let mut text = format!("Its sensors said {} ({}).", report.climate, moment(report.at, zone));
    let strays = report.climate.strays(comfort);
    if !report.is_good(now) {
        text.push_str(" That is more than a day ago, and says nothing of now.");
    } else if strays.is_empty() {
        text.push_str(" That is as it is wanted.");
    }
    for stray in strays.iter().filter(|_| report.is_good(now)) {
        text.push_str(&format!(" It is {}: {} {} is wanted.", stray.how, stray.range, stray.unit));
    }
    text.push_str(" Where a sensor sits they do not say. Your machine maker's manual comes first.");
    text
}

#[cfg(test)]
mod tests {
    use jiff::SignedDuration;

    use super::*;
    use crate::domain::climate::Climate;
    use crate::site::fixtures::now;

    #[test]
    fn what_is_out_of_range_is_told_while_it_is_news() {
        let words = |celsius, hours| {
            let at = now() - SignedDuration::from_hours(hours);
            let climate = Climate { celsius: Some(celsius), humidity_percent: Some(28.0) };
            words(&Report { at, climate }, &Comfort::default(), now(), &TimeZone::UTC)
        };
        let within = Climate { celsius: Some(21.5), humidity_percent: None };
        let within =
            super::words(&Report { at: now(), climate: within }, &Comfort::default(), now(), &TimeZone::UTC);
        insta::assert_snapshot!([words(31.5, 1), words(31.5, 25), within].join("\n"));
    }
}
