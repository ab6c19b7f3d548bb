//! Where the pages about print heads get what they show, and where their forms go.

use std::future::Future;

use super::source::SourceError;
use crate::domain::ids::{DeviceId, HeadId};
use crate::domain::plumbing::Plumbing;
use crate::usecase::book::Note;
use crate::usecase::heads::view::HeadsView;
use crate::usecase::heads::{Entry, Refusal};

/// What becomes of the place that a head goes into.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Arrival {
    /// No head was known to be there.
    Registered,
    /// The head that was there came out.
    Replaced,
}

/// What the pages about heads are made from.
pub trait HeadSource: Clone + Send + Sync + 'static {
    /// The heads of a machine; `None` if there is no such machine.
    fn heads(&self, device: DeviceId) -> impl Future<Output = Result<Option<HeadsView>, SourceError>> + Send;

    /// Writes a head down, or says why not.
    fn put_head(
        &self,
        device: DeviceId,
        arrival: Arrival,
        entry: Entry,
        note: Note,
    ) -> impl Future<Output = Result<Result<HeadId, Refusal>, SourceError>> + Send;

    /// Writes the map of a machine's model; none: what is usual counts again. Gives the model.
    fn put_plumbing(
        &self,
        device: DeviceId,
        plumbing: Option<Plumbing>,
    ) -> impl Future<Output = Result<Result<String, Refusal>, SourceError>> + Send;
}
