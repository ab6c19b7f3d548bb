//! Who is due when. Pure.

use std::time::Duration;

use jiff::{SignedDuration, Timestamp};

use crate::domain::ids::DeviceId;

/// Silent devices are asked ever more seldom, down to once in this.
const LONGEST_WAIT: Duration = Duration::from_hours(1);
/// Polls of one interval are spread over this share of it, so that not all devices are asked at once.
const JITTER: f64 = 0.1;

/// What the schedule has to know of a device.
#[derive(Debug, Clone, Copy)]
pub struct Turn {
    /// Which device.
    pub device: DeviceId,
    /// How often it is to be polled.
    pub every: Duration,
    /// The last poll, if there was one.
    pub last_poll_at: Option<Timestamp>,
    /// Polls failed since the last answer.
    pub failures: u32,
}

/// When a device is due next; long ago if it was never polled.
///
/// The first failure is followed up after the usual wait; every further one doubles the wait, up to an hour
/// or the device's own interval, whichever is longer.
#[must_use]
pub fn due_at(turn: &Turn) -> Timestamp {
    let Some(last) = turn.last_poll_at else { return Timestamp::MIN };
    let doublings = turn.failures.saturating_sub(1).min(16);
    let backed_off = turn.every.saturating_mul(1 << doublings).min(LONGEST_WAIT.max(turn.every));
    let wait = backed_off.mul_f64(1.0 - JITTER * share(turn.device, last));
    SignedDuration::try_from(wait).ok().and_then(|wait| last.checked_add(wait).ok()).unwrap_or(Timestamp::MAX)
}

/// A number in 0..1 that a device and a moment always share: scatter without a source of randomness
/// (Knuth's multiplicative hash).
fn share(device: DeviceId, at: Timestamp) -> f64 {
    let mixed = (device.0 ^ at.as_second()).unsigned_abs().wrapping_mul(0x9E37_79B9_7F4A_7C15);
    (mixed >> 11) as f64 / (1_u64 << 53) as f64
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn turn(failures: u32, every_s: u64) -> Turn {
        let last_poll_at = Some("2026-11-25T08:00:00Z".parse().unwrap());
        Turn { device: DeviceId(7), every: Duration::from_secs(every_s), last_poll_at, failures }
    }

    fn wait_s(turn: &Turn) -> f64 {
        due_at(turn).duration_since(turn.last_poll_at.unwrap()).as_secs_f64()
    }

    #[test]
    fn a_device_that_was_never_polled_is_due() {
        assert_eq!(due_at(&Turn { last_poll_at: None, ..turn(0, 900) }), Timestamp::MIN);
    }

    #[test]
    fn silence_is_asked_after_ever_more_seldom_but_never_given_up() {
        assert!((810.0..=900.0).contains(&wait_s(&turn(1, 900))));
        assert!((1620.0..=1800.0).contains(&wait_s(&turn(2, 900))));
        assert!((3240.0..=3600.0).contains(&wait_s(&turn(5, 900))));
        assert!((3240.0..=3600.0).contains(&wait_s(&turn(u32::MAX, 900))));
        assert!((6480.0..=7200.0).contains(&wait_s(&turn(9, 7200))));
    }

    proptest! {
        #[test]
        fn nobody_waits_longer_than_the_interval_while_answering(device in 0..10_000i64, second in 0..10_000_000i64) {
            let at = Timestamp::from_second(1_764_000_000 + second).unwrap();
            let turn = Turn { device: DeviceId(device), last_poll_at: Some(at), ..turn(0, 900) };
            prop_assert!((810.0..=900.0).contains(&wait_s(&turn)));
        }
    }
}
