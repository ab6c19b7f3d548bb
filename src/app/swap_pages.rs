//! Between the pages about swaps and the use cases: a device is asked at the very moment at which a step needs it.

use std::sync::Arc;

use super::{Service, StorePages, asking, desk};
use crate::domain::ids::{DeviceId, LotId, SwapId};
use crate::domain::part::PartKind;
use crate::domain::poll::Poll;
use crate::domain::snapshot::Snapshot;
use crate::poller::probe::{Patience, probe};
use crate::site::source::SourceError;
use crate::site::swap_source::{Done, SwapSource};
use crate::snmp::transport::{Engine, EngineOptions};
use crate::usecase::book::Note;
use crate::usecase::ingest::ingest;
use crate::usecase::once::Token;
use crate::usecase::swap::{
    self, Act, At, BeginView, GuidesView, Refusal, SwapRow, SwapsWanted, act, asks_device, begin, begin_view,
    guides, write_guide,
};

impl SwapSource for StorePages {
    async fn swap_view(&self, device: DeviceId, at: At) -> Result<Option<BeginView>, SourceError> {
        begin_view(&self.0.store, (device, at), &self.0.present()).await.map_err(SourceError::new)
    }

    async fn begin_swap(
        &self,
        (device, at): (DeviceId, At),
        lot: Option<LotId>,
        note: Note,
        token: Option<Token>,
    ) -> Done<SwapId> {
        let service = &self.0;
        let snapshot = match look(service, device).await? {
            Ok(snapshot) => snapshot,
            Err(refusal) => return Ok(Err(refusal)),
        };
        let (store, present) = (&service.store, service.present());
        let begun = begin(store, (device, at), &snapshot, (lot, &note), token.as_ref(), &present).await;
        begun.map_err(SourceError::new)
    }

    async fn swaps(&self, wanted: SwapsWanted) -> Result<Vec<SwapRow>, SourceError> {
        self.0.store.swaps(&wanted).await.map_err(SourceError::new)
    }

    async fn act_swap(&self, id: SwapId, step: usize, what: Act, who: String) -> Done<()> {
        let service = &self.0;
        let Some(row) = swap::swap(&service.store, id).await.map_err(SourceError::new)? else {
            return Ok(Err(Refusal::NoSuchSwap));
        };
        let snapshot = match asks_device(&row, &what) {
            false => None,
            true => match look(service, row.device).await? {
                Ok(snapshot) => Some(snapshot),
                Err(refusal) => return Ok(Err(refusal)),
            },
        };
        let present = service.present();
        let done = act(&service.store, (id, step), &what, snapshot.as_ref(), &who, &present).await;
        done.map_err(SourceError::new)
    }

    async fn swap_photo(&self, id: SwapId) -> Result<Option<(String, Vec<u8>)>, SourceError> {
        self.0.store.photo(id).await.map_err(SourceError::new)
    }

    async fn put_photo(&self, id: SwapId, octets: Vec<u8>, who: String) -> Done<()> {
        let present = self.0.present();
        swap::put_photo(&self.0.store, id, &octets, &who, &present).await.map_err(SourceError::new)
    }

    async fn guides(&self) -> Result<GuidesView, SourceError> {
        guides(&self.0.store).await.map_err(SourceError::new)
    }

    async fn write_guide(
        &self,
        kind: PartKind,
        model: Option<String>,
        text: String,
        note: Note,
        token: Option<Token>,
    ) -> Done<()> {
        let (store, present) = (&self.0.store, self.0.present());
        let written = write_guide(store, (kind, model.as_deref()), &text, &note, token.as_ref(), &present);
        written.await.map_err(SourceError::new)
    }
}

/// Asks a device, through whoever polls it, and takes what it says in as the poller does: what a step is judged by is what the history has.
async fn look(service: &Service, device: DeviceId) -> Done<Snapshot> {
    let Some(row) = service.store.devices(Some(device)).await.map_err(SourceError::new)?.pop() else {
        return Ok(Err(Refusal::NoSuchPlace));
    };
    // Whoever polls it asks it: this process may not even reach it.
    if let Some(answer) = asking::ask_holder(&service.store, device).await.map_err(SourceError::new)? {
        let late = "the process that polls this machine did not answer in time; try again in a moment";
        return Ok(answer.unwrap_or_else(|| Err(late.to_owned())).map_err(Refusal::Silent));
    }
    let Some(secret) = service.store.credential_of(device).await.map_err(SourceError::new)? else {
        return Ok(Err(Refusal::NoSuchPlace));
    };
    let speaks = Arc::new(desk::credential(&secret).map_err(SourceError::new)?);
    let engine = Engine::start(&EngineOptions::default()).map_err(SourceError::new)?;
    let poll = &service.setup.poll;
    let patience = Patience { timeout: poll.timeout, retries: poll.retries };
    let snapshot = match probe(&engine, (&row.host, row.port), speaks, patience).await {
        Ok(snapshot) => snapshot,
        Err(fault) => return Ok(Err(Refusal::Silent(fault.to_string()))),
    };
    // The store would pass over what still waits of this machine, because it is older.
    if service.spool.as_ref().is_some_and(|spool| !spool.is_empty()) {
        let why = "what machines said before still waits for the store; try again in a moment";
        return Ok(Err(Refusal::Silent(why.to_owned())));
    }
    let present = service.present();
    let polls = [Poll { at: present.now, outcome: Ok(snapshot.clone()) }];
    let taken = ingest(&service.store, device, &row.name, &polls, &present, &service.rules).await;
    taken.map_err(SourceError::new)?;
    service.changes.tell();
    Ok(Ok(snapshot))
}
