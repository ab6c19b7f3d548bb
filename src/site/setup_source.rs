//! Where the set-up pages get what they show, and where they send what people decide. The site knows neither
//! store nor SNMP: asking devices and searching for them is what a source does.

use std::future::Future;

use super::source::SourceError;
use crate::domain::ids::DeviceId;
use crate::usecase::setup::view::{
    Chosen, CredentialForm, DeviceChange, Refusal, SearchRequest, SearchView, SetupView, TriedView,
    TryRequest,
};
use crate::usecase::setup::{CredentialSummary, DeviceEntry, Imported, Refused, Watched};

/// A result of a source whose refusals stand beside the field that they are about.
pub type Decided<T> = Result<Result<T, Refusal>, SourceError>;

/// What the set-up pages are made from.
pub trait SetupSource {
    /// All that is set up.
    fn setup(&self) -> impl Future<Output = Result<SetupView, SourceError>> + Send;

    /// The devices that are watched, by name.
    fn watched(&self) -> impl Future<Output = Result<Vec<Watched>, SourceError>> + Send;

    /// The kept credentials, by name.
    fn credentials(&self) -> impl Future<Output = Result<Vec<CredentialSummary>, SourceError>> + Send;

    /// Asks a device once, and remembers the trial for some minutes.
    fn try_device(&self, request: TryRequest) -> impl Future<Output = Decided<TriedView>> + Send;

    /// What a device said in a trial that is still remembered.
    fn tried(&self, trial: u64) -> Option<TriedView>;

    /// Watches a device that was tried; gives its name back.
    fn keep_tried(&self, trial: u64, chosen: Chosen) -> impl Future<Output = Decided<String>> + Send;

    /// Changes a device; `false` if it is not watched.
    fn change_device(&self, id: DeviceId, change: DeviceChange)
    -> impl Future<Output = Decided<bool>> + Send;

    /// Stops watching a device; gives back its name, or `None` if it is not watched.
    fn retire_device(&self, id: DeviceId)
    -> impl Future<Output = Result<Option<String>, SourceError>> + Send;

    /// Keeps a new credential, or changes the one of that number; `false` if there is none.
    fn put_credential(
        &self,
        id: Option<i64>,
        form: CredentialForm,
    ) -> impl Future<Output = Decided<bool>> + Send;

    /// Throws a credential away; `false` if a device is or was asked with it, or there is none.
    fn remove_credential(&self, id: i64) -> impl Future<Output = Result<bool, SourceError>> + Send;

    /// Where can be searched, and the search that is under way or was the last.
    fn search(&self) -> impl Future<Output = Result<SearchView, SourceError>> + Send;

    /// Begins a search in the background, unless one is under way.
    fn start_search(&self, request: SearchRequest) -> impl Future<Output = Decided<()>> + Send;

    /// Stops the search that is under way.
    fn stop_search(&self);

    /// Watches devices that the last search found, given by address and name; gives back their names.
    fn watch_found(&self, chosen: Vec<(String, String)>)
    -> impl Future<Output = Decided<Vec<String>>> + Send;

    /// Brings a file of devices in, or rehearses that.
    fn import_devices(
        &self,
        entries: Vec<DeviceEntry>,
        rehearsal: bool,
    ) -> impl Future<Output = Result<Result<Vec<Imported>, Vec<Refused>>, SourceError>> + Send;
}
