//! What a program that watches this one is told: whether the service is ready, and figures of how it goes, as
//! OpenMetrics 1.0 text. Nothing in it names a machine, a person or a secret, and the number of its lines does not
//! grow with the room.

use std::fmt::Write;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::Duration;

use tokio::sync::watch;

use super::Service;
use crate::jobs::{Handle, Status};
use crate::poller::leases::Leases;
use crate::store::figures::Figures;

/// The store is asked no longer than this: whoever watches asks again soon.
const PATIENCE: Duration = Duration::from_secs(2);
/// Upper ends of the bins of how long a poll took, in milliseconds.
const BINS_MS: [u64; 9] = [50, 100, 250, 500, 1000, 2500, 5000, 10_000, 30_000];

/// What is counted while the service runs.
#[derive(Debug, Default)]
pub(super) struct Gauges {
    answered: AtomicU64,
    silent: AtomicU64,
    /// Polls by how long they took; the last bin has no end.
    bins: [AtomicU64; BINS_MS.len() + 1],
    took_us: AtomicU64,
    leases: OnceLock<Leases>,
    jobs: Mutex<Vec<(&'static str, watch::Receiver<Status>)>>,
}

impl Gauges {
    /// Counts a poll.
    pub(super) fn polled(&self, answered: bool, took: Duration) {
        let outcome = if answered { &self.answered } else { &self.silent };
        outcome.fetch_add(1, Ordering::Relaxed);
        let ms = u64::try_from(took.as_millis()).unwrap_or(u64::MAX);
        let bin = BINS_MS.iter().position(|end| ms <= *end).unwrap_or(BINS_MS.len());
        self.bins[bin].fetch_add(1, Ordering::Relaxed);
        self.took_us.fetch_add(u64::try_from(took.as_micros()).unwrap_or(0), Ordering::Relaxed);
    }

    /// Tells how many machines are leased from now on.
    pub(super) fn count(&self, leases: Leases) {
        // A process polls once.
        let _ = self.leases.set(leases);
    }

    /// Tells of a job from now on.
    pub(super) fn watch(&self, handle: &Handle) {
        self.jobs.lock().unwrap_or_else(PoisonError::into_inner).push((handle.name(), handle.status()));
    }
}

/// Whether the service can do its work.
///
/// # Errors
/// Why not, as a sentence without its full stop.
pub(super) async fn ready(service: &Service) -> Result<(), String> {
    match tokio::time::timeout(PATIENCE, service.store.mark()).await {
        Ok(Ok(_)) => Ok(()),
        Ok(Err(_)) | Err(_) => {
            let waiting = service.spool.as_ref().map(|spool| spool.depth().polls);
            Err(match waiting {
                Some(polls) => {
                    format!("the store does not answer; polls that wait for it on this disk: {polls}")
                }
                None => "the store does not answer, and what machines say is lost until it does".to_owned(),
            })
        }
    }
}

/// The figures as text. Those of the store are left out where it does not answer.
pub(super) async fn text(service: &Service) -> String {
    let mut page = Page::default();
    polls(&mut page, &service.gauges);
    if let Some(leases) = service.gauges.leases.get() {
        let help = "Machines that this process has leased, to poll them.";
        page.family("ullage_leases", "gauge", help).line("", leases.count());
    }
    if let Some(spool) = &service.spool {
        let depth = spool.depth();
        page.family("ullage_spool_polls", "gauge", "Polls that wait for the store.").line("", depth.polls);
        page.family("ullage_spool_bytes", "gauge", "What they take of the disk.").line("", depth.bytes);
        page.family("ullage_spool_lost_polls", "counter", "Polls that were lost since the start, by why.")
            .line("_total{why=\"room\"}", depth.dropped)
            .line("_total{why=\"disk\"}", depth.refused);
    }
    jobs(&mut page, &service.gauges);
    let asked = tokio::time::timeout(PATIENCE, service.store.figures()).await;
    let figures = asked.ok().and_then(Result::ok);
    page.family("ullage_store_answers", "gauge", "Whether the store answered just now.")
        .line("", u64::from(figures.is_some()));
    let (open, idle) = service.store.connections();
    page.family("ullage_store_connections", "gauge", "Connections to the store.")
        .line("{state=\"busy\"}", open.saturating_sub(idle))
        .line("{state=\"idle\"}", idle);
    if let Some(figures) = figures {
        store(&mut page, &figures);
    }
    page.end()
}

fn polls(page: &mut Page, gauges: &Gauges) {
    let read = |count: &AtomicU64| count.load(Ordering::Relaxed);
    page.family("ullage_polls", "counter", "Polls of machines since the start, by what came of them.")
        .line("_total{outcome=\"answered\"}", read(&gauges.answered))
        .line("_total{outcome=\"silent\"}", read(&gauges.silent));
    page.family("ullage_poll_seconds", "histogram", "How long polls took.");
    let mut so_far = 0;
    for (end, count) in BINS_MS.iter().zip(&gauges.bins) {
        so_far += read(count);
        page.line(&format!("_bucket{{le=\"{:?}\"}}", *end as f64 / 1000.0), so_far);
    }
    so_far += read(&gauges.bins[BINS_MS.len()]);
    page.line("_bucket{le=\"+Inf\"}", so_far)
        .line("_sum", read(&gauges.took_us) as f64 / 1e6)
        .line("_count", so_far);
}

fn jobs(page: &mut Page, gauges: &Gauges) {
    let jobs = gauges.jobs.lock().unwrap_or_else(PoisonError::into_inner).clone();
    let told: Vec<(&str, Status)> =
        jobs.iter().map(|(name, status)| (*name, status.borrow().clone())).collect();
    page.family(
        "ullage_job_last_success_seconds",
        "gauge",
        "When each job last ended well, in Unix seconds.",
    );
    for (name, status) in &told {
        if let Some(at) = status.last_success_at {
            page.line(&format!("{{job=\"{name}\"}}"), at.as_second());
        }
    }
    page.family("ullage_job_failing", "gauge", "Whether each job's last run failed.");
    for (name, status) in &told {
        page.line(&format!("{{job=\"{name}\"}}"), u64::from(status.fault.is_some()));
    }
}

fn store(page: &mut Page, figures: &Figures) {
    page.family("ullage_devices", "gauge", "Machines that are watched, by how they answer.")
        .line("{state=\"answering\"}", figures.answering)
        .line("{state=\"silent\"}", figures.silent)
        .line("{state=\"dark\"}", figures.dark);
    page.family("ullage_pollers", "gauge", "Processes that poll machines.").line("", figures.pollers);
    page.family("ullage_outbox_messages", "gauge", "Messages that are not handed over.")
        .line("{state=\"waiting\"}", figures.waiting)
        .line("{state=\"given_up\"}", figures.given_up);
}

/// The text as it grows: families one after the other, each with its lines.
#[derive(Default)]
struct Page {
    text: String,
    family: &'static str,
}

impl Page {
    fn family(&mut self, name: &'static str, kind: &str, help: &str) -> &mut Self {
        self.family = name;
        let _ = write!(self.text, "# TYPE {name} {kind}\n# HELP {name} {help}\n");
        self
    }

    fn line(&mut self, behind: &str, value: impl std::fmt::Display) -> &mut Self {
        let _ = writeln!(self.text, "{}{behind} {value}", self.family);
        self
    }

    fn end(mut self) -> String {
        self.text.push_str("# EOF\n");
        self.text
    }
}

/// The counts that every copy of a service shares.
pub(super) type Shared = Arc<Gauges>;
