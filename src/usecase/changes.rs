//! That something has changed, told to pages that are kept open.
//!
//! There is one of these in a service. Whoever changes what pages show says so; whoever listens is told that there is
//! something new and not what, so that a listener who is slow misses nothing and holds nobody up.

use std::sync::Arc;

use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use tokio_util::sync::CancellationToken;

/// So many pages are told at a time; the others stay as they are until somebody loads them again.
const SEATS: usize = 128;

/// Tells that something has changed.
#[derive(Debug)]
pub struct Changes {
    count: watch::Sender<u64>,
    seats: Arc<Semaphore>,
    ended: CancellationToken,
}

impl Default for Changes {
    fn default() -> Self {
        Self {
            count: watch::Sender::new(0),
            seats: Arc::new(Semaphore::new(SEATS)),
            ended: CancellationToken::new(),
        }
    }
}

impl Changes {
    /// Tells everybody that something is new.
    pub fn tell(&self) {
        self.count.send_modify(|count| *count += 1);
    }

    /// Ends every listening: the service stops.
    pub fn end(&self) {
        self.ended.cancel();
    }

    /// Listens from now on; `None` if too many do already, or at the end.
    #[must_use]
    pub fn listen(&self) -> Option<Listener> {
        let seat = Arc::clone(&self.seats).try_acquire_owned().ok()?;
        if self.ended.is_cancelled() {
            return None;
        }
        Some(Listener { count: self.count.subscribe(), ended: self.ended.clone(), _seat: seat })
    }
}

/// One who listens. Its seat is free again when it is dropped.
#[derive(Debug)]
pub struct Listener {
    count: watch::Receiver<u64>,
    ended: CancellationToken,
    _seat: OwnedSemaphorePermit,
}

impl Listener {
    /// Waits until something is new, and gives how often that was so far; `None` at the end.
    pub async fn next(&mut self) -> Option<u64> {
        tokio::select! {
            () = self.ended.cancelled() => None,
            changed = self.count.changed() => changed.ok().map(|()| *self.count.borrow_and_update()),
        }
    }

    /// Rests for so long, or until the end.
    pub async fn rest(&self, span: std::time::Duration) {
        tokio::select! {
            () = self.ended.cancelled() => {}
            () = tokio::time::sleep(span) => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_slow_listener_is_told_once_of_many_changes_and_everybody_of_the_end() {
        let changes = Changes::default();
        let (mut one, mut other) = (changes.listen().unwrap(), changes.listen().unwrap());
        for _ in 0..3 {
            changes.tell();
        }
        assert_eq!(one.next().await, Some(3));
        changes.tell();
        assert_eq!((one.next().await, other.next().await), (Some(4), Some(4)));
        changes.end();
        assert_eq!((one.next().await, other.next().await), (None, None));
        assert!(changes.listen().is_none());
    }

    #[test]
    fn seats_are_counted_and_come_free() {
        let changes = Changes::default();
        let mut all: Vec<Listener> = std::iter::from_fn(|| changes.listen()).collect();
        assert_eq!(all.len(), SEATS);
        all.pop();
        assert!(changes.listen().is_some());
    }
}
