//! Deadlines of many requests in one wheel: setting one and letting it pass cost the same however many
//! there are.

use std::time::{Duration, Instant};

/// How fine deadlines are.
const TICK: Duration = Duration::from_millis(4);
/// How many ticks the wheel has: four seconds. What lies further ahead goes round.
const TICKS: usize = 1024;

/// Deadlines of places in a table.
pub(crate) struct Wheel {
    began: Instant,
    /// The tick that was last looked at.
    at: u64,
    ticks: Vec<Vec<u32>>,
    /// For each place: its deadline as a tick, and the tick in which the wheel will come across it.
    due: Vec<(u64, u64)>,
}

/// No deadline, or not in the wheel.
const NEVER: u64 = u64::MAX;

impl Wheel {
    pub(crate) fn new(now: Instant) -> Self {
        Self { began: now, at: 0, ticks: vec![Vec::new(); TICKS], due: Vec::new() }
    }

    fn tick(&self, at: Instant) -> u64 {
        u64::try_from(at.saturating_duration_since(self.began).as_millis() / TICK.as_millis())
            .unwrap_or(NEVER - 1)
    }

    /// Sets the deadline of a place. An earlier deadline of it is void.
    pub(crate) fn set(&mut self, place: u32, deadline: Instant) {
        let due = (self.tick(deadline) + 1).max(self.at + 1);
        let index = place as usize;
        if index >= self.due.len() {
            self.due.resize(index + 1, (NEVER, NEVER));
        }
        let met = self.due[index].1;
        self.due[index].0 = due;
        // A later one is found when the wheel comes across the place anyway.
        if met == NEVER || due < met {
            self.put(place, due);
        }
    }

    /// Takes the deadline of a place away.
    pub(crate) fn clear(&mut self, place: u32) {
        if let Some(due) = self.due.get_mut(place as usize) {
            due.0 = NEVER;
        }
    }

    fn put(&mut self, place: u32, due: u64) {
        let met = due.min(self.at + TICKS as u64 - 1).max(self.at + 1);
        self.due[place as usize].1 = met;
        #[allow(clippy::cast_possible_truncation, reason = "below TICKS")]
        self.ticks[(met % TICKS as u64) as usize].push(place);
    }

    /// The places whose deadlines have passed.
    pub(crate) fn passed(&mut self, now: Instant, passed: &mut Vec<u32>) {
        let until = self.tick(now);
        // After a long pause one round meets every place.
        self.at = self.at.max(until.saturating_sub(TICKS as u64));
        while self.at < until {
            self.at += 1;
            #[allow(clippy::cast_possible_truncation, reason = "below TICKS")]
            let index = (self.at % TICKS as u64) as usize;
            let mut places = std::mem::take(&mut self.ticks[index]);
            for place in places.drain(..) {
                let (due, met) = self.due[place as usize];
                if met > self.at {
                    // It was set to an earlier time and met there; this is what was left of the later one.
                    continue;
                }
                self.due[place as usize].1 = NEVER;
                if due == NEVER {
                    continue;
                }
                if due <= until {
                    self.due[place as usize].0 = NEVER;
                    passed.push(place);
                } else {
                    self.put(place, due);
                }
            }
            if self.ticks[index].is_empty() {
                self.ticks[index] = places;
            }
        }
    }

    /// How long until the next tick with something in it, at most until half the wheel is through.
    pub(crate) fn wait(&self, now: Instant) -> Duration {
        let ahead = (1..TICKS as u64 / 2)
            .find(|ahead| {
                #[allow(clippy::cast_possible_truncation, reason = "below TICKS")]
                let index = ((self.at + ahead) % TICKS as u64) as usize;
                !self.ticks[index].is_empty()
            })
            .unwrap_or(TICKS as u64 / 2);
        let when = self.began + TICK.saturating_mul(u32::try_from(self.at + ahead).unwrap_or(u32::MAX));
        when.saturating_duration_since(now)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Whatever is set, moved and cleared, each place passes once, not before its last deadline and not
        /// more than two ticks and the step after it.
        #[test]
        fn deadlines_pass_once_and_in_time(acts in prop::collection::vec((0..20_u32, 0..12_000_u64, 0..300_u64, any::<bool>()), 1..120)) {
            let began = Instant::now();
            let mut wheel = Wheel::new(began);
            let mut due = std::collections::HashMap::new();
            let (mut now, mut passed) = (0, Vec::new());
            let millis = |at: u64| began + Duration::from_millis(at);
            let mut acts = acts.into_iter();
            while now < 60_000 {
                let mut step = 16;
                if let Some((place, wait, pause, set)) = acts.next() {
                    if set {
                        wheel.set(place, millis(now + wait));
                        due.insert(place, now + wait);
                    } else {
                        wheel.clear(place);
                        due.remove(&place);
                    }
                    step = pause + 1;
                }
                now += step;
                passed.clear();
                wheel.passed(millis(now), &mut passed);
                for place in &passed {
                    let at = due.remove(place);
                    prop_assert!(at.is_some_and(|at| at <= now), "{place} was due at {at:?}, passed at {now}");
                }
                for at in due.values() {
                    prop_assert!(at + 16 >= now.saturating_sub(step), "due at {at}, not passed by {now}");
                }
            }
            prop_assert!(due.is_empty());
        }
    }
}
