//! The tasks of a running service, and their end: what is under way may finish, and what does not is told by its name.

use std::collections::{BTreeMap, HashMap};
use std::time::Duration;

use tokio::task::{Id, JoinSet};
use tokio_util::sync::CancellationToken;
use tracing::warn;

/// How long what is under way may take to finish once the service is told to stop.
const DRAIN: Duration = Duration::from_secs(10);

/// The tasks of a running service.
pub struct Running {
    tasks: JoinSet<()>,
    /// What each of them does.
    names: HashMap<Id, &'static str>,
    pub(super) stop: CancellationToken,
}

impl Running {
    /// Nothing runs yet.
    #[must_use]
    pub fn new() -> Self {
        Self { tasks: JoinSet::new(), names: HashMap::new(), stop: CancellationToken::new() }
    }

    /// What tells a task to stop.
    #[must_use]
    pub fn stop_signal(&self) -> CancellationToken {
        self.stop.clone()
    }

    /// Runs a piece of work beside the rest; it should end when [`Running::stop_signal`] says so. It is told of by its
    /// name if it does not.
    pub fn spawn(&mut self, name: &'static str, work: impl Future<Output = ()> + Send + 'static) {
        let task = self.tasks.spawn(work);
        self.names.insert(task.id(), name);
    }

    /// Stops every task, and lets what is under way finish within a deadline. What does not is cut off, and told in the
    /// log.
    pub async fn drain(self) {
        let cut_off = self.drain_within(DRAIN).await;
        if !cut_off.is_empty() {
            let told: Vec<String> = cut_off.iter().map(|(name, tasks)| format!("{name} ({tasks})")).collect();
            warn!(
                "gave up waiting after {DRAIN:?}, and cut off what was still under way: {}",
                told.join(", ")
            );
        }
    }

    /// The names of what was cut off, with how many tasks they were.
    async fn drain_within(mut self, deadline: Duration) -> BTreeMap<&'static str, usize> {
        self.stop.cancel();
        let (tasks, names) = (&mut self.tasks, &mut self.names);
        let all_done = async {
            while let Some(done) = tasks.join_next_with_id().await {
                names.remove(&done.map_or_else(|broken| broken.id(), |(task, ())| task));
            }
        };
        let _ = tokio::time::timeout(deadline, all_done).await;
        let mut left = BTreeMap::new();
        for name in self.names.into_values() {
            *left.entry(name).or_default() += 1;
        }
        left
    }
}

impl Default for Running {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};

    use super::*;

    /// Tells when it is dropped, done or not.
    struct Told(Arc<AtomicBool>);

    impl Drop for Told {
        fn drop(&mut self) {
            self.0.store(true, Ordering::SeqCst);
        }
    }

    // The clock of the runtime stands still and leaps to the next deadline when nothing else is to be done.
    #[tokio::test(start_paused = true)]
    async fn what_never_ends_does_not_hold_the_service_and_is_told_by_its_name() {
        let mut running = Running::new();
        let stop = running.stop_signal();
        let finished = Arc::new(AtomicBool::new(false));
        let finishes = Arc::clone(&finished);
        running.spawn("polls", async move {
            stop.cancelled().await;
            tokio::time::sleep(DRAIN / 2).await;
            finishes.store(true, Ordering::SeqCst);
        });
        let dropped = Arc::new(AtomicBool::new(false));
        let told = Told(Arc::clone(&dropped));
        running.spawn("pages", async move {
            let _told = told;
            std::future::pending::<()>().await;
        });
        running.spawn("pages", std::future::pending());
        running.spawn("delivery", async { panic!("on purpose") });
        let begun = tokio::time::Instant::now();
        assert_eq!(running.drain_within(DRAIN).await, BTreeMap::from([("pages", 2)]));
        assert_eq!(begun.elapsed(), DRAIN);
        assert!(finished.load(Ordering::SeqCst), "what ends in time is waited for");
        // The tasks that are cut off go the next time that the runtime looks at them.
        tokio::task::yield_now().await;
        assert!(dropped.load(Ordering::SeqCst));
    }

    #[tokio::test(start_paused = true)]
    async fn nothing_is_waited_for_once_all_has_ended() {
        let mut running = Running::new();
        let stop = running.stop_signal();
        running.spawn("polls", async move { stop.cancelled().await });
        let begun = tokio::time::Instant::now();
        assert!(running.drain_within(DRAIN).await.is_empty());
        assert!(begun.elapsed().is_zero());
    }
}
