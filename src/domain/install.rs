//! Readings to installs: a unit went in, was used, and came out.
//!
//! Between two swaps a level only falls, so a step test with persistence finds the swaps in one pass: a rise
//! that is too large for jitter, or a fall that is too fast for printing, is held back until it has lasted.
//! What does not last was a flicker and is left out.

use jiff::{SignedDuration, Timestamp};

use super::reading::Reading;

/// A rise must exceed this many steps of the unit ...
const RISE_STEPS: f64 = 2.5;
/// ... or this share of the capacity, whichever is larger.
const RISE_SHARE: f64 = 0.01;
/// The fastest that ink can go, as a share of the capacity in a minute: 2 ml of 775 ml.
const FASTEST_SHARE_A_MINUTE: f64 = 2.0 / 775.0;
/// What may go at once besides, as a share of the capacity: a cleaning, a start-up.
const LUMP_SHARE: f64 = 0.015;
/// How long a step must last to be believed: three polls at the usual quarter of an hour.
const LASTING: SignedDuration = SignedDuration::from_mins(30);
/// A fall after a longer silence than this is use that nobody watched, not a swap.
const WATCHED: SignedDuration = SignedDuration::from_mins(60);
/// How many accepted levels the median is taken over.
const RECENT: usize = 5;

/// A level that is believed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// When it was first seen.
    pub at: Timestamp,
    /// When the device last answered before that.
    pub previous_at: Option<Timestamp>,
    /// The last poll that still said so.
    pub held_until: Timestamp,
    /// What was left, or the room left, in the slot's measure.
    pub remaining: f64,
}

/// One physical unit in a slot.
#[derive(Debug, Clone, PartialEq)]
pub struct Install {
    /// When it was first seen.
    pub from: Timestamp,
    /// When it was last seen, if another has taken its place.
    pub to: Option<Timestamp>,
    /// What it can hold, where the device says.
    pub capacity: Option<f64>,
    /// The smallest difference the device can express.
    pub step: f64,
    /// How it is known that it took the place of another.
    pub arrival: Arrival,
    /// Its believed levels, earliest first; never empty.
    pub points: Vec<Point>,
}

/// How a unit came to be seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Arrival {
    /// It was there when watching began.
    Found,
    /// The level rose further than jitter can, and stayed.
    Risen,
    /// The capacity changed.
    Resized,
    /// The level fell faster than printing can, and stayed: a part-used unit, or an unusual job. A person
    /// should say which.
    Fallen,
}

/// A step that has not lasted long enough yet.
struct Pending {
    arrival: Arrival,
    points: Vec<(Point, Option<f64>, f64)>,
}

struct Tracker {
    installs: Vec<Install>,
    recent: Vec<f64>,
    pending: Option<Pending>,
}

/// Follows a slot's readings, earliest first, from unit to unit. `seen_until` is the last answered poll.
///
/// A step at the very end that has not lasted yet is in no install: it waits for the next polls.
#[must_use]
pub fn track(readings: &[Reading], seen_until: Timestamp) -> Vec<Install> {
    let mut tracker = Tracker { installs: Vec::new(), recent: Vec::new(), pending: None };
    for (n, reading) in readings.iter().enumerate() {
        let next = readings.get(n + 1);
        let held_until = next.map_or(Some(seen_until), |next| next.previous_at).unwrap_or(reading.at);
        let Some(remaining) = reading.level.remaining.measured() else { continue };
        let point = Point {
            at: reading.at,
            previous_at: reading.previous_at,
            held_until: held_until.max(reading.at),
            remaining,
        };
        tracker.push(point, reading.level.capacity.known(), reading.level.step);
    }
    tracker.installs
}

impl Tracker {
    fn push(&mut self, point: Point, capacity: Option<f64>, step: f64) {
        let Some(install) = self.installs.last_mut() else {
            return self.begin(Arrival::Found, vec![(point, capacity, step)]);
        };
        match suspicion(install, &self.recent, &point, capacity, step) {
            None => {
                self.pending = None;
                install.points.push(point);
                remember(&mut self.recent, point.remaining);
            }
            Some(arrival) => self.suspect(arrival, (point, capacity, step)),
        }
    }

    fn suspect(&mut self, arrival: Arrival, seen: (Point, Option<f64>, f64)) {
        let wanders = |pending: &Pending| {
            pending.arrival != arrival
                || pending.points.last().is_some_and(|(last, _, _)| {
                    (seen.0.remaining - last.remaining).abs() > allowed_fall(last, &seen.0, seen.1, seen.2)
                })
        };
        if self.pending.as_ref().is_none_or(wanders) {
            self.pending = Some(Pending { arrival, points: Vec::new() });
        }
        let Some(pending) = &mut self.pending else { return };
        pending.points.push(seen);
        let lasted = match pending.points.first() {
            Some((first, _, _)) => seen.0.held_until.duration_since(first.at),
            None => SignedDuration::ZERO,
        };
        let enough =
            if arrival == Arrival::Resized { lasted > SignedDuration::ZERO } else { lasted >= LASTING };
        if enough && let Some(Pending { points, .. }) = self.pending.take() {
            if let Some(old) = self.installs.last_mut() {
                old.to = old.points.last().map(|point| point.held_until);
            }
            self.begin(arrival, points);
        }
    }

    fn begin(&mut self, arrival: Arrival, seen: Vec<(Point, Option<f64>, f64)>) {
        let (Some(first), Some(last)) = (seen.first(), seen.last()) else { return };
        self.recent.clear();
        for (point, _, _) in &seen {
            remember(&mut self.recent, point.remaining);
        }
        self.installs.push(Install {
            from: first.0.at,
            to: None,
            capacity: last.1,
            step: last.2,
            arrival,
            points: seen.iter().map(|(point, _, _)| *point).collect(),
        });
    }
}

/// Why a level does not follow from the one before it, if it does not.
fn suspicion(
    install: &Install,
    recent: &[f64],
    point: &Point,
    capacity: Option<f64>,
    step: f64,
) -> Option<Arrival> {
    let last = install.points.last()?;
    if capacity != install.capacity {
        return Some(Arrival::Resized);
    }
    let size = capacity.unwrap_or(last.remaining.max(point.remaining));
    if point.remaining > median(recent) + (RISE_STEPS * step).max(RISE_SHARE * size) {
        return Some(Arrival::Risen);
    }
    let watched = point.at.duration_since(last.held_until) <= WATCHED;
    if watched && point.remaining < last.remaining - allowed_fall(last, point, capacity, step) {
        return Some(Arrival::Fallen);
    }
    None
}

/// The largest fall from one level to the next that printing and cleaning can explain.
fn allowed_fall(last: &Point, point: &Point, capacity: Option<f64>, step: f64) -> f64 {
    let size = capacity.unwrap_or(last.remaining.max(point.remaining));
    let minutes = point.at.duration_since(last.held_until).as_secs_f64().max(0.0) / 60.0;
    RISE_STEPS * step + size * (minutes * FASTEST_SHARE_A_MINUTE + LUMP_SHARE)
}

fn remember(recent: &mut Vec<f64>, level: f64) {
    if recent.len() == RECENT {
        recent.remove(0);
    }
    recent.push(level);
}

fn median(levels: &[f64]) -> f64 {
    let mut sorted = levels.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::reading::Level;
    use crate::domain::standard::SupplyUnit;

    /// Readings of a 775 ml cartridge every quarter of an hour, kept where they change.
    fn readings(polls: &[(i32, i32)]) -> (Vec<Reading>, Timestamp) {
        let at = |n: usize| Timestamp::from_second(n as i64 * 900).unwrap();
        let mut kept: Vec<Reading> = Vec::new();
        let mut last = None;
        for (n, poll) in polls.iter().enumerate() {
            if last != Some(poll) {
                let level = Level::from_raw(SupplyUnit::TenthsOfMilliliters, poll.0, poll.1);
                let previous_at = n.checked_sub(1).map(at);
                kept.push(Reading { at: at(n), previous_at, level });
                last = Some(poll);
            }
        }
        (kept, at(polls.len() - 1))
    }

    fn arrivals(polls: &[(i32, i32)]) -> Vec<Arrival> {
        let (readings, seen_until) = readings(polls);
        track(&readings, seen_until).iter().map(|install| install.arrival).collect()
    }

    #[test]
    fn a_rise_that_stays_is_a_swap_and_one_that_passes_is_not() {
        let full = [(7750, 300), (7750, 290), (7750, 7750), (7750, 7750), (7750, 7740), (7750, 7730)];
        assert_eq!(arrivals(&full), [Arrival::Found, Arrival::Risen]);
        let flicker = [(7750, 300), (7750, 290), (7750, 7750), (7750, 7750), (7750, 288), (7750, 280)];
        assert_eq!(arrivals(&flicker), [Arrival::Found]);
        let jitter = [(7750, 300), (7750, 310), (7750, 295), (7750, 305), (7750, 290)];
        assert_eq!(arrivals(&jitter), [Arrival::Found]);
    }

    #[test]
    fn a_starter_succeeded_by_a_full_one_is_seen_by_its_capacity() {
        let polls = [(2250, 40), (2250, 30), (7750, 7750), (7750, 7750), (7750, 7750)];
        let (readings, seen_until) = readings(&polls);
        let installs = track(&readings, seen_until);
        assert_eq!(installs.len(), 2);
        assert_eq!(installs[1].arrival, Arrival::Resized);
        assert_eq!(installs[1].capacity, Some(775.0));
        assert_eq!(installs[0].points.last().unwrap().remaining, 3.0);
    }

    #[test]
    fn a_fall_too_fast_for_printing_becomes_a_question() {
        let polls = [(7750, 7000), (7750, 6990), (7750, 2000), (7750, 2000), (7750, 1990), (7750, 1990)];
        assert_eq!(arrivals(&polls), [Arrival::Found, Arrival::Fallen]);
    }

    #[test]
    fn sentinels_are_passed_over() {
        let polls = [(7750, 300), (7750, -2), (7750, -2), (7750, 299), (7750, -3)];
        let (readings, seen_until) = readings(&polls);
        let installs = track(&readings, seen_until);
        assert_eq!(installs.len(), 1);
        assert_eq!(installs[0].points.len(), 2);
    }
}
