//! Work in the background, one way for all of it: a job takes no input, does what there is to do, and is the same
//! done twice. It runs after every period and when it is rung for; how it goes is there for everybody to see.

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use tokio::sync::{Notify, watch};
use tokio::time::MissedTickBehavior;
use tokio_util::sync::CancellationToken;
use tracing::warn;

use crate::clock::Clock;

/// How a job goes.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Status {
    /// How often it has run to its end, well or not.
    pub runs: u64,
    /// When it last did.
    pub last_run_at: Option<Timestamp>,
    /// When it last ended well.
    pub last_success_at: Option<Timestamp>,
    /// What went wrong then, if it did.
    pub fault: Option<String>,
}

/// A job from outside: rings for it and sees how it goes.
#[derive(Debug, Clone)]
pub struct Handle {
    name: &'static str,
    bell: Arc<Notify>,
    status: watch::Receiver<Status>,
}

impl Handle {
    /// Lets the job run now; once more, if it is just running.
    pub fn ring(&self) {
        self.bell.notify_one();
    }

    /// What it is called.
    #[must_use]
    pub fn name(&self) -> &'static str {
        self.name
    }

    /// How it goes.
    #[must_use]
    pub fn status(&self) -> watch::Receiver<Status> {
        self.status.clone()
    }
}

/// A job that is about to be started.
#[derive(Debug)]
pub struct Job {
    /// What it is called in the log.
    pub name: &'static str,
    /// How long it rests, in life, if nobody rings.
    pub period: Duration,
    /// Tells when a run ended.
    pub clock: Clock,
}

impl Job {
    /// The job's handle, and what has to be run for it to go on until it is told to stop. The first run comes after
    /// one period. A run that panics is a run with a fault.
    pub fn start<W, F>(self, work: W, stop: CancellationToken) -> (Handle, impl Future<Output = ()> + Send)
    where
        W: Fn() -> F + Send + Sync + 'static,
        F: Future<Output = anyhow::Result<()>> + Send + 'static,
    {
        let bell = Arc::new(Notify::new());
        let (sender, status) = watch::channel(Status::default());
        let handle = Handle { name: self.name, bell: Arc::clone(&bell), status };
        let running = async move {
            let mut tick = tokio::time::interval_at(tokio::time::Instant::now() + self.period, self.period);
            tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
            loop {
                tokio::select! {
                    () = stop.cancelled() => break,
                    _ = tick.tick() => {}
                    () = bell.notified() => {}
                }
                let fault = match tokio::spawn(work()).await {
                    Ok(Ok(())) => None,
                    Ok(Err(fault)) => Some(format!("{fault:#}")),
                    Err(broken) => Some(format!("it broke down: {broken}")),
                };
                if let Some(fault) = &fault {
                    warn!(job = self.name, "{fault}");
                }
                let now = self.clock.now();
                sender.send_modify(|status| {
                    status.runs += 1;
                    status.last_run_at = Some(now);
                    if fault.is_none() {
                        status.last_success_at = Some(now);
                    }
                    status.fault = fault;
                });
            }
        };
        (handle, running)
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicU32, Ordering};

    use super::*;

    fn job(period: Duration) -> Job {
        Job { name: "test", period, clock: Clock::system() }
    }

    #[tokio::test(start_paused = true)]
    async fn a_job_runs_when_its_period_is_over_or_somebody_rings_and_tells_how_it_went() {
        let count = Arc::new(AtomicU32::new(0));
        let counted = Arc::clone(&count);
        let work = move || {
            let n = counted.fetch_add(1, Ordering::SeqCst);
            async move {
                assert_ne!(n, 1, "the second run breaks down");
                anyhow::ensure!(n != 2, "the third run fails");
                Ok(())
            }
        };
        let stop = CancellationToken::new();
        let (handle, running) = job(Duration::from_secs(3600)).start(work, stop.clone());
        let running = tokio::spawn(running);
        let mut status = handle.status();
        for (run, fault) in
            [(1, None), (2, Some("it broke down")), (3, Some("the third run fails")), (4, None)]
        {
            if run != 3 {
                handle.ring();
            }
            status.wait_for(|status| status.runs == run).await.unwrap();
            let told = status.borrow().fault.clone();
            assert_eq!(told.is_some(), fault.is_some(), "{told:?}");
            assert!(told.unwrap_or_default().contains(fault.unwrap_or_default()));
        }
        stop.cancel();
        running.await.unwrap();
        assert_eq!(count.load(Ordering::SeqCst), 4);
    }
}
