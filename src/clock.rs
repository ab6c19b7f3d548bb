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

#[cfg(test)]
mod tests {
    use super::*;

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
