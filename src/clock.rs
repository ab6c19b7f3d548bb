//! The only reader of the current time.
//!
//! Everything else takes the present as a value, which is what makes a demo that runs faster than life,
//! and tests that cross a clock change, the same code as a Tuesday morning in a print room.

use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};

/// Where the service gets the present from.
#[derive(Debug, Clone)]
pub struct Clock(Kind);

#[derive(Debug, Clone)]
enum Kind {
    System,
    Scaled { started: Instant, from: Timestamp, factor: f64 },
}

impl Clock {
    /// The machine's own clock.
    #[must_use]
    pub fn system() -> Self {
        Self(Kind::System)
    }

    /// A clock that stands at `from` now and runs `factor` times as fast as life. It rests on the
    /// monotonic clock, so a step of the machine's clock does not move it.
    #[must_use]
    pub fn scaled(from: Timestamp, factor: f64) -> Self {
        Self(Kind::Scaled { started: Instant::now(), from, factor: factor.max(f64::MIN_POSITIVE) })
    }

    /// The present.
    #[must_use]
    #[allow(clippy::disallowed_methods, reason = "this is the one place that reads the clock")]
    pub fn now(&self) -> Timestamp {
        match self.0 {
            Kind::System => Timestamp::now(),
            Kind::Scaled { started, from, factor } => {
                let passed = started.elapsed().as_secs_f64() * factor;
                SignedDuration::try_from_secs_f64(passed)
                    .ok()
                    .and_then(|passed| from.checked_add(passed).ok())
                    .unwrap_or(Timestamp::MAX)
            }
        }
    }

    /// How long to wait in life for `span` to pass on this clock.
    #[must_use]
    pub fn real(&self, span: Duration) -> Duration {
        match self.0 {
            Kind::System => span,
            Kind::Scaled { factor, .. } => {
                Duration::try_from_secs_f64(span.as_secs_f64() / factor).unwrap_or(Duration::MAX)
            }
        }
    }
}

/// Follows a clock beside the passing of time, and sees when it is set.
#[derive(Debug, Clone, Copy)]
pub struct Watch {
    clock: Timestamp,
    passing: Instant,
}

impl Watch {
    /// A clock that was put back by less is not told: machines are asked again as soon as it has caught up.
    pub const BACK: SignedDuration = SignedDuration::from_secs(10);
    /// A clock that was put forward by less is not told.
    pub const FORWARD: SignedDuration = SignedDuration::from_hours(1);

    /// From what both say now.
    #[must_use]
    pub fn new(clock: Timestamp, passing: Instant) -> Self {
        Self { clock, passing }
    }

    /// By how much the clock was set since the last look, if that is worth telling: less than nothing if it was put
    /// back. A machine that slept has a clock that was put forward, as far as can be seen.
    pub fn look(&mut self, clock: Timestamp, passing: Instant) -> Option<SignedDuration> {
        let passed = passing.saturating_duration_since(self.passing);
        let passed = SignedDuration::try_from(passed).unwrap_or(SignedDuration::MAX);
        let set = clock.duration_since(self.clock).saturating_sub(passed);
        *self = Self::new(clock, passing);
        (set <= -Self::BACK || set >= Self::FORWARD).then_some(set)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_that_is_set_is_seen_once() {
        let (clock, passing): (Timestamp, _) = ("2026-11-26T12:00:00Z".parse().unwrap(), Instant::now());
        let mut watch = Watch::new(clock, passing);
        let mut look = |clock_s: i64, passed_s: u64| {
            let at = clock + SignedDuration::from_secs(clock_s);
            watch.look(at, passing + Duration::from_secs(passed_s)).map(|set| set.as_secs())
        };
        assert_eq!(look(5, 5), None);
        assert_eq!(look(1, 10), None, "nine seconds back: as good as nothing");
        assert_eq!(look(-7200, 15), Some(-7206));
        assert_eq!(look(-7195, 20), None, "told once");
        assert_eq!(look(3605, 30), Some(10_790));
        assert_eq!(look(3610 + 3599, 35), None, "less than an hour forward");
        assert_eq!(look(3610 + 3599 + 3600, 3635), None, "a long while between two looks is no step");
    }

    #[test]
    fn a_scaled_clock_starts_where_it_is_told_and_only_moves_forward() {
        let from: Timestamp = "2026-03-29T00:59:59Z".parse().unwrap();
        let clock = Clock::scaled(from, 1_000_000.0);
        let first = clock.now();
        assert!(first >= from);
        assert!(clock.now() >= first);
        assert_eq!(clock.real(Duration::from_secs(1_000_000)), Duration::from_secs(1));
    }
}
