//! The outbox, emptied: what is due is put into messages, and each is handed over until it has arrived.
//!
//! At least once: a message whose handing over is not known to have gone well is handed over again, with the same
//! key. What a server refuses for good, or what is refused for two days, is given up and stays to be seen.

use std::future::Future;

use jiff::{SignedDuration, Timestamp};

use crate::store::outbox::Due;
use crate::store::{Result, Store};

/// A run hands over no more than so many messages; the next run goes on.
const AT_MOST: usize = 500;
/// Tries after which a message is given up: with waits that double from a minute to six hours, a day and a half.
pub const TRIES: u32 = 14;
/// No wait between two tries is longer.
const LONGEST_WAIT: SignedDuration = SignedDuration::from_hours(6);

/// Why a message was not handed over, in a sentence without its full stop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Failure {
    /// It may go right later.
    Later(String),
    /// It never will.
    Never(String),
}

impl std::fmt::Display for Failure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Later(fault) | Self::Never(fault) => f.write_str(fault),
        }
    }
}

/// What hands messages over.
pub trait Carrier: Send + Sync {
    /// Hands one over; gives up in less than the wait for the second try.
    fn carry(&self, due: &Due) -> impl Future<Output = std::result::Result<(), Failure>> + Send;
}

/// How messages are spaced.
#[derive(Debug, Clone, Copy)]
pub struct Pace {
    /// How long after the first try the second one comes; after that the waits double.
    pub again: SignedDuration,
    /// How far apart mails to one person are, so that many alerts become one mail.
    pub apart: SignedDuration,
}

impl Pace {
    /// How long a message waits after so many tries.
    #[must_use]
    pub fn wait(&self, tries: u32) -> SignedDuration {
        let doubled = 1_i32.checked_shl(tries.saturating_sub(1).min(20)).unwrap_or(i32::MAX);
        self.again.checked_mul(doubled).unwrap_or(LONGEST_WAIT).min(LONGEST_WAIT.max(self.again))
    }
}

/// What became of a run.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Delivered {
    /// Messages that were handed over.
    pub sent: usize,
    /// Messages that were not, and are tried again.
    pub failed: usize,
    /// Messages that were given up.
    pub given_up: usize,
}

/// Empties the outbox as far as it is due.
///
/// # Errors
/// If the store cannot be reached; what was handed over without being written down is handed over again.
pub async fn deliver(
    store: &Store,
    carrier: &impl Carrier,
    pace: &Pace,
    now: impl Fn() -> Timestamp,
) -> Result<Delivered> {
    store.bundle(now(), pace.apart).await?;
    let mut delivered = Delivered::default();
    for _ in 0..AT_MOST {
        let started = now();
        let next = |tries: u32| started.checked_add(pace.wait(tries)).unwrap_or(Timestamp::MAX);
        let Some(due) = store.take_due(started, next).await? else { break };
        match carrier.carry(&due).await {
            Ok(()) => {
                store.mark_sent(due.id, now()).await?;
                delivered.sent += 1;
            }
            Err(Failure::Later(fault)) if due.attempts < TRIES => {
                store.mark_failed(due.id, &fault, None).await?;
                delivered.failed += 1;
            }
            Err(failure) => {
                store.mark_failed(due.id, &failure.to_string(), Some(now())).await?;
                delivered.given_up += 1;
            }
        }
    }
    Ok(delivered)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_six_hours() {
        let pace = Pace { again: SignedDuration::from_mins(1), apart: SignedDuration::ZERO };
        let minutes: Vec<i64> = (1..=11).map(|tries| pace.wait(tries).as_mins()).collect();
        assert_eq!(minutes, [1, 2, 4, 8, 16, 32, 64, 128, 256, 360, 360]);
        assert_eq!(pace.wait(u32::MAX), LONGEST_WAIT);
        let all: i64 = (1..TRIES).map(|tries| pace.wait(tries).as_hours()).sum();
        assert!((24..48).contains(&all), "{all}");
    }
}
