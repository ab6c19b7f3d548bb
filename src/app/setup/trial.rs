//! A device is asked before it is watched, and what it said is remembered until somebody decides.

use std::collections::VecDeque;
use std::sync::{Arc, PoisonError};

use super::{Service, row_by};
use crate::app::credential;
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::outlook::Slot;
use crate::domain::reading::{Level, Role};
use crate::domain::snapshot::{Snapshot, SupplyRow};
use crate::poller::probe::{Patience, probe};
use crate::site::setup_source::Decided;
use crate::site::source::SourceError;
use crate::snmp::transport::{Engine, EngineOptions};
use crate::store::credentials::CredentialRow;
use crate::usecase::discover::{Found, FoundKind, names, shown_address, taken_names};
use crate::usecase::setup::view::{Refusal, TriedView, TryRequest};

/// How many trials are remembered; the oldest is forgotten for the next.
const MOST: usize = 32;

/// The trials that are remembered. Their secrets never reach a page, which names a trial by its number.
#[derive(Default)]
pub(super) struct Trials {
    last: u64,
    kept: VecDeque<(u64, Trial)>,
}

/// A device that answered.
#[derive(Clone)]
pub(super) struct Trial {
    pub(super) at: (String, u16),
    pub(super) row: CredentialRow,
    pub(super) view: TriedView,
}

/// Asks a device once.
pub(super) async fn run(service: &Service, request: TryRequest) -> Decided<TriedView> {
    let TryRequest { host, port, way } = request;
    let row = match row_by(service, way).await? {
        Ok(row) => row,
        Err(refusal) => return Ok(Err(refusal)),
    };
    let devices = service.store.devices(None).await.map_err(SourceError::new)?;
    if let Some(known) = devices.iter().find(|one| one.host == host && one.port == port) {
        return Ok(Err(Refusal::new("address", format!("it is watched already, as {}", known.name))));
    }
    let speaks = Arc::new(credential(&row).map_err(SourceError::new)?);
    let engine = Engine::start(&EngineOptions::default()).map_err(SourceError::new)?;
    let poll = &service.setup.poll;
    let patience = Patience { timeout: poll.timeout, retries: poll.retries };
    let snapshot = match probe(&engine, (&host, port), speaks, patience).await {
        Ok(snapshot) => snapshot,
        Err(fault) => return Ok(Err(Refusal::new("address", fault.to_string()))),
    };
    let found = Found {
        host: host.clone(),
        port,
        kind: FoundKind::Printer,
        identity: snapshot.identity.clone(),
        credential: 0,
    };
    let taken = taken_names(&service.store).await.map_err(SourceError::new)?;
    let mut view = TriedView {
        trial: 0,
        address: shown_address(&host, port),
        supplies: supplies(&snapshot),
        name: names(&[&found], taken).concat(),
        identity: snapshot.identity,
        poll_every_s: service.setup.usual.poll_every_s,
    };
    let mut trials = service.setup.trials.lock().unwrap_or_else(PoisonError::into_inner);
    trials.last += 1;
    view.trial = trials.last;
    trials.kept.push_back((view.trial, Trial { at: (host, port), row, view: view.clone() }));
    if trials.kept.len() > MOST {
        trials.kept.pop_front();
    }
    Ok(Ok(view))
}

/// A trial by its number.
pub(super) fn remembered(service: &Service, number: u64) -> Option<Trial> {
    let trials = service.setup.trials.lock().unwrap_or_else(PoisonError::into_inner);
    trials.kept.iter().find(|(known, _)| *known == number).map(|(_, trial)| trial.clone())
}

fn supplies(snapshot: &Snapshot) -> Vec<(Slot, Level)> {
    let slot = |row: &SupplyRow| Slot {
        id: SlotId(0),
        device: DeviceId(0),
        index: row.index,
        role: Role::of(row.class, row.kind),
        kind: row.kind,
        colorant: row.colorant.clone(),
        description: row.description.clone(),
    };
    snapshot.supplies.iter().map(|row| (slot(row), Level::of(row))).collect()
}
