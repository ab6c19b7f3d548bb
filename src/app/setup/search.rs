//! A search that the service runs in the background while a page looks on.

use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};

use tokio_util::sync::CancellationToken;

use super::{Service, taken, watch};
use crate::app::search::{Progress, SearchPlan};
use crate::config::ranges::Range;
use crate::site::setup_source::Decided;
use crate::site::source::SourceError;
use crate::store::credentials::CredentialRow;
use crate::store::devices::NewDevice;
use crate::usecase::discover::{Found, FoundKind, names};
use crate::usecase::setup::public;
use crate::usecase::setup::view::{FoundLine, JobView, Refusal, SearchRequest, SearchView};

/// The search that is under way, or the last one.
#[derive(Clone)]
pub(super) struct Job {
    what: String,
    credentials: Vec<CredentialRow>,
    stop: CancellationToken,
    state: Arc<Mutex<State>>,
}

#[derive(Default)]
struct State {
    progress: Progress,
    found: Vec<Found>,
    over: bool,
}

fn locked<T>(of: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    of.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Begins a search, unless one is under way.
pub(super) async fn start(service: &Service, request: SearchRequest) -> Decided<()> {
    let SearchRequest { range, port, credentials } = request;
    let range: Range = match range.parse() {
        Ok(range) => range,
        Err(fault) => return Ok(Err(Refusal::new("range", format!("{fault}")))),
    };
    let mut rows = Vec::new();
    for id in credentials {
        rows.extend(service.store.credential(id).await.map_err(SourceError::new)?);
    }
    if rows.is_empty() {
        rows.push(public());
    }
    let plan = match SearchPlan::new((&[range], port), &[], &rows, &service.setup.discover) {
        Ok(plan) => plan,
        Err(fault) => return Ok(Err(Refusal::new("range", fault.to_string()))),
    };
    let progress = Progress { total: plan.total(), ..Progress::default() };
    let job = Job {
        what: if port == 161 { range.to_string() } else { format!("{range}, port {port}") },
        credentials: rows,
        stop: CancellationToken::new(),
        state: Arc::new(Mutex::new(State { progress, ..State::default() })),
    };
    {
        let mut current = locked(&service.setup.job);
        if current.as_ref().is_some_and(|job| !locked(&job.state).over) {
            return Ok(Err(Refusal::new("", "a search is under way; stop it first, or wait for its end")));
        }
        *current = Some(job.clone());
    }
    tokio::spawn(run(job, plan));
    Ok(Ok(()))
}

async fn run(job: Job, plan: SearchPlan) {
    let told = |progress: &Progress, one: Option<Found>| {
        let mut state = locked(&job.state);
        state.progress.clone_from(progress);
        state.found.extend(one);
    };
    if let Err(fault) = plan.run(&job.stop, told).await {
        tracing::error!("a search ended badly: {fault:#}");
    }
    locked(&job.state).over = true;
}

/// Stops the search that is under way.
pub(super) fn stop(service: &Service) {
    if let Some(job) = locked(&service.setup.job).as_ref() {
        job.stop.cancel();
        locked(&job.state).over = true;
    }
}

/// Where can be searched, and how the search stands.
pub(super) async fn view(service: &Service) -> Result<SearchView, SourceError> {
    let devices = service.store.devices(None).await.map_err(SourceError::new)?;
    let credentials = service.store.credentials().await.map_err(SourceError::new)?;
    let job = locked(&service.setup.job).clone().map(|job| {
        let state = locked(&job.state);
        let mut found = state.found.clone();
        found.sort_by_key(|one| (one.host.parse::<IpAddr>().ok(), one.port));
        let named = names(&found.iter().collect::<Vec<_>>(), devices.iter().map(|row| row.name.clone()));
        let line = |(found, name): (Found, String)| FoundLine {
            watched_as: found.watched_as(&devices).map(str::to_owned),
            found,
            name,
        };
        JobView {
            what: job.what.clone(),
            running: !state.over,
            stopped: job.stop.is_cancelled(),
            asked: state.progress.asked,
            total: state.progress.total,
            unsent: state.progress.unsent.clone(),
            found: found.into_iter().zip(named).map(line).collect(),
        }
    });
    let ranges = service.setup.discover.ranges.iter().map(ToString::to_string).collect();
    Ok(SearchView { ranges, credentials, job })
}

/// Watches printers that were found, one after the other; the first that cannot be ends it.
pub(super) async fn watch_found(service: &Service, chosen: Vec<(String, String)>) -> Decided<Vec<String>> {
    let Some(job) = locked(&service.setup.job).clone() else {
        return Ok(Err(Refusal::new(
            "",
            "nothing was searched since the service was started; search once more",
        )));
    };
    let found = locked(&job.state).found.clone();
    let mut watched = Vec::new();
    for (address, name) in chosen {
        let one = found.iter().find(|one| one.address() == address && one.kind == FoundKind::Printer);
        let Some(one) = one else {
            return Ok(Err(Refusal::new("", format!("no printer was found at {address}; search once more"))));
        };
        let device = NewDevice {
            name: name.clone(),
            host: one.host.clone(),
            port: one.port,
            cost_centre: None,
            poll_every_s: service.setup.usual.poll_every_s,
        };
        let row = job.credentials.get(one.credential).cloned().unwrap_or_default();
        if let Err(refusal) = watch(service, &row, &device).await? {
            return Ok(Err(Refusal { field: "", ..taken(refusal.why) }));
        }
        watched.push(name);
    }
    Ok(Ok(watched))
}
