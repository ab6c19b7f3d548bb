//! Between the pages about print heads and the use cases.

use super::StorePages;
use crate::domain::ids::{DeviceId, HeadId};
use crate::domain::plumbing::Plumbing;
use crate::site::heads_source::{Arrival, HeadSource};
use crate::site::source::SourceError;
use crate::usecase::book::Note;
use crate::usecase::heads::view::HeadsView;
use crate::usecase::heads::{Entry, Refusal, heads_page, register, replace, write_plumbing};

impl HeadSource for StorePages {
    async fn heads(&self, device: DeviceId) -> Result<Option<HeadsView>, SourceError> {
        let practice = &self.0.rules.practice;
        heads_page(&self.0.store, device, &self.0.present(), practice).await.map_err(SourceError::new)
    }

    async fn put_head(
        &self,
        device: DeviceId,
        arrival: Arrival,
        entry: Entry,
        note: Note,
    ) -> Result<Result<HeadId, Refusal>, SourceError> {
        let (store, present) = (&self.0.store, self.0.present());
        let put = match arrival {
            Arrival::Registered => register(store, device, &entry, &note, &present).await,
            Arrival::Replaced => replace(store, device, &entry, &note, &present).await,
        };
        put.map_err(SourceError::new)
    }

    async fn put_plumbing(
        &self,
        device: DeviceId,
        plumbing: Option<Plumbing>,
    ) -> Result<Result<String, Refusal>, SourceError> {
        let present = self.0.present();
        write_plumbing(&self.0.store, device, plumbing.as_ref(), &present).await.map_err(SourceError::new)
    }
}
