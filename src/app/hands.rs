//! The hands of this machine's clock: when they are moved, and when they stand before what machines said last.
//!
//! What comes in at an earlier time than what is there already is passed over, or readings would come out of order; so
//! machines are asked again once the clock has caught up. Whoever looks at the pages has to know that.

use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use tracing::{info, warn};

use crate::clock::Watch;
use crate::site::format::{count, minutes, moment};

/// How long a page tells that the clock was set.
const TOLD: SignedDuration = SignedDuration::from_hours(24);

/// What is known of the clock.
#[derive(Debug, Default)]
pub(super) struct Hands(Mutex<Known>);

#[derive(Debug, Default)]
struct Known {
    watch: Option<Watch>,
    /// By how much it was set, and when, by the new time.
    set: Option<(SignedDuration, Timestamp)>,
    /// How many machines spoke later than now, and when the last of them did.
    ahead: Option<(u64, Timestamp)>,
}

impl Hands {
    /// Looks at the clock and at when machines were last asked, and tells the log what is new.
    pub(super) fn look(
        &self,
        (now, passing): (Timestamp, Instant),
        asked: impl Iterator<Item = Timestamp>,
        zone: &TimeZone,
    ) {
        let mut known = self.known();
        if let Some(set) = known.watch.get_or_insert(Watch::new(now, passing)).look(now, passing) {
            known.set = Some((set, now));
            warn!("{}", was_set(set, now, zone));
        }
        let ahead = asked.filter(|at| at.duration_since(now) >= Watch::BACK).fold(
            None,
            |so_far: Option<(u64, Timestamp)>, at| {
                Some(so_far.map_or((1, at), |(machines, last)| (machines + 1, last.max(at))))
            },
        );
        match (known.ahead.is_some(), ahead) {
            (false, Some(ahead)) => warn!("{}", stands_before(ahead, zone)),
            (true, None) => info!("the clock has caught up with what machines said last"),
            _ => {}
        }
        known.ahead = ahead;
    }

    /// What every page says of it, if there is anything.
    pub(super) fn sentence(&self, now: Timestamp, zone: &TimeZone) -> Option<String> {
        let known = self.known();
        let set = known.set.filter(|(_, at)| now.duration_since(*at).abs() < TOLD);
        let told = [
            set.map(|(set, at)| was_set(set, at, zone)),
            known.ahead.map(|ahead| stands_before(ahead, zone)),
        ];
        let told: Vec<String> = told.into_iter().flatten().collect();
        (!told.is_empty()).then(|| told.join(" "))
    }

    fn known(&self) -> MutexGuard<'_, Known> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn was_set(set: SignedDuration, at: Timestamp, zone: &TimeZone) -> String {
    let by = minutes(set.unsigned_abs().as_secs().div_ceil(60));
    let at = moment(at, zone);
    match set.is_negative() {
        true => format!("The clock of this machine was put back by {by}, to {at}."),
        false => format!("The clock of this machine was put forward by {by}, to {at}, or the machine slept."),
    }
}

fn stands_before((machines, last): (u64, Timestamp), zone: &TimeZone) -> String {
    format!(
        "The clock of this machine stands before the time at which {} {} last asked, {}. Until it is past that nothing \
         is asked there, or what is said would come out of order; see that the clock is right.",
        count(machines),
        if machines == 1 { "machine was" } else { "machines were" },
        moment(last, zone)
    )
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    #[test]
    fn a_clock_that_is_put_back_is_told_until_it_has_caught_up() {
        let (hands, zone) = (Hands::default(), TimeZone::UTC);
        let noon: Timestamp = "2026-11-26T12:00:00Z".parse().unwrap();
        let begun = Instant::now();
        let at = |minutes: i64| noon + SignedDuration::from_mins(minutes);
        let look = |clock_min: i64, passed_min: u64, asked: &[i64]| {
            let passing = begun + Duration::from_mins(passed_min);
            hands.look((at(clock_min), passing), asked.iter().map(|min| at(*min)), &zone);
            hands.sentence(at(clock_min), &zone)
        };
        assert_eq!(look(0, 0, &[-3, -15]), None);
        assert_eq!(look(1, 1, &[1, -15]), None);
        let told = look(-120, 2, &[1, -15]).unwrap();
        assert_eq!(
            told,
            "The clock of this machine was put back by 2 hours 2 minutes, to Thu 26 Nov 2026, 10:00. The clock of this \
             machine stands before the time at which 2 machines were last asked, Thu 26 Nov 2026, 12:01. Until it is \
             past that nothing is asked there, or what is said would come out of order; see that the clock is right."
        );
        let told = look(0, 122, &[1, -15]).unwrap();
        assert!(told.contains("1 machine was last asked"), "{told}");
        let told = look(2, 124, &[1, 2]).unwrap();
        assert!(told.contains("put back") && !told.contains("last asked"), "{told}");
        assert_eq!(look(2 + 25 * 60, 124 + 25 * 60, &[2]), None, "a day later it is forgotten");
    }

    #[test]
    fn a_store_that_is_ahead_is_told_from_the_start_and_a_clock_that_leapt_once() {
        let (hands, zone) = (Hands::default(), TimeZone::UTC);
        let noon: Timestamp = "2026-11-26T12:00:00Z".parse().unwrap();
        let begun = Instant::now();
        hands.look((noon, begun), [noon + SignedDuration::from_hours(9)].into_iter(), &zone);
        assert!(hands.sentence(noon, &zone).unwrap().contains("stands before"));
        let later = noon + SignedDuration::from_hours(10);
        hands.look((later, begun), [noon].into_iter(), &zone);
        assert_eq!(
            hands.sentence(later, &zone).unwrap(),
            "The clock of this machine was put forward by 10 hours, to Thu 26 Nov 2026, 22:00, or the machine slept."
        );
    }
}
