//! The set-up pages' source: devices are tried and searched for here, and kept in the store.

mod search;
mod trial;

use std::sync::Mutex;

use super::{Service, StorePages, credential};
use crate::config::{Config, DiscoverSettings, PollSettings};
use crate::domain::ids::DeviceId;
use crate::site::setup_source::{Decided, SetupSource};
use crate::site::source::SourceError;
use crate::snmp::credential::CredentialError;
use crate::store::credentials::CredentialRow;
use crate::store::devices::NewDevice;
use crate::store::{Store, StoreError};
use crate::usecase::setup::view::{
    Chosen, CredentialForm, DeviceChange, Refusal, SearchRequest, SearchView, SetupView, TriedView,
    TryRequest, Way,
};
use crate::usecase::setup::{self, CredentialSummary, DeviceEntry, Imported, Refused, Usual, Watched};
use search::Job;
use trial::Trials;

/// What the set-up pages go by, and what they have under way. In memory: a service that starts anew has no
/// search under way.
pub(super) struct Setup {
    usual: Usual,
    pub(super) poll: PollSettings,
    discover: DiscoverSettings,
    trials: Mutex<Trials>,
    job: Mutex<Option<Job>>,
}

impl Setup {
    /// By the settings.
    #[must_use]
    pub(super) fn new(config: &Config) -> Self {
        let zone = config.site.zone.iana_name().unwrap_or("UTC").to_owned();
        Self {
            usual: Usual { site: (config.site.name.clone(), zone), poll_every_s: config.poll.every_s() },
            poll: config.poll.clone(),
            discover: config.discover.clone(),
            trials: Mutex::default(),
            job: Mutex::default(),
        }
    }
}

/// Puts a device under watch, and says which field is wrong if its name or address is taken.
async fn watch(service: &Service, row: &CredentialRow, device: &NewDevice) -> Decided<()> {
    let (name, zone) = &service.setup.usual.site;
    let site = service.store.put_site(name, zone).await.map_err(SourceError::new)?;
    match service.store.add_device(site, row, device, service.clock.now()).await {
        Ok(_) => Ok(Ok(())),
        Err(StoreError::Taken(why)) => Ok(Err(taken(why))),
        Err(StoreError::Keys(fault)) => Ok(Err(Refusal::new("", fault.to_string()))),
        Err(fault) => Err(SourceError::new(fault)),
    }
}

/// A name that is taken stands beside the name, an address beside the address.
fn taken(why: String) -> Refusal {
    Refusal::new(if why.contains("named") { "name" } else { "address" }, why)
}

/// The credential that a form means, with what it leaves out taken from the old one.
fn row_of(form: &CredentialForm, old: Option<&CredentialRow>) -> Result<CredentialRow, Refusal> {
    let mut row = CredentialRow { version: form.version.clone(), ..CredentialRow::default() };
    if form.version != "v3" {
        let community = form.community.clone().or_else(|| old.and_then(|old| old.community.clone()));
        row.community = Some(community.ok_or_else(|| Refusal::new("community", "write the read community"))?);
    } else {
        row.user_name =
            Some(form.user.clone().ok_or_else(|| Refusal::new("user", "version 3 needs a user"))?);
        let old_auth = old.and_then(|old| old.auth.clone());
        row.auth = pair(&form.auth, old_auth, "auth_password")?;
        let old_privacy = old.and_then(|old| old.privacy.clone());
        row.privacy = pair(&form.privacy, old_privacy, "privacy_password")?;
    }
    match credential(&row) {
        Ok(_) => Ok(row),
        Err(fault) => Err(Refusal::new(field_of(&fault), fault.to_string())),
    }
}

/// A protocol and its password; the old password where none is given.
fn pair(
    (protocol, password): &(Option<String>, Option<String>),
    old: Option<(String, String)>,
    field: &'static str,
) -> Result<Option<(String, String)>, Refusal> {
    match (protocol, password.clone().or(old.map(|(_, password)| password))) {
        (None, _) => Ok(None),
        (Some(protocol), Some(password)) => Ok(Some((protocol.clone(), password))),
        (Some(_), None) => Err(Refusal::new(field, "write the password that is set in the device")),
    }
}

/// The field of a form that a fault is about.
fn field_of(fault: &anyhow::Error) -> &'static str {
    match fault.downcast_ref::<CredentialError>() {
        Some(CredentialError::Community(_)) => "community",
        Some(CredentialError::UserName(_)) => "user",
        Some(CredentialError::ShortPassword { which: "privacy", .. }) => "privacy_password",
        Some(CredentialError::ShortPassword { .. }) => "auth_password",
        Some(CredentialError::PrivacyAlone) => "auth_protocol",
        _ => "",
    }
}

impl SetupSource for StorePages {
    async fn setup(&self) -> Result<SetupView, SourceError> {
        let Service { store, setup, .. } = &self.0;
        let devices = store.devices(None).await.map_err(SourceError::new)?;
        let credentials = store.credentials().await.map_err(SourceError::new)?;
        let parts = store.stocks(None).await.map_err(SourceError::new)?;
        let told = store.recipients().await.map_err(SourceError::new)?;
        let people = store.people().await.map_err(SourceError::new)?;
        Ok(SetupView {
            room: setup.usual.site.0.clone(),
            machines: devices.len(),
            answering: devices
                .iter()
                .filter(|row| row.fault.is_none() && row.last_answer_at.is_some())
                .count(),
            waiting: devices.iter().filter(|row| row.fault.is_none() && row.last_answer_at.is_none()).count(),
            credentials: credentials.len(),
            parts: parts.len(),
            told: told.len(),
            people: people.len(),
            ranges: setup.discover.ranges.iter().map(ToString::to_string).collect(),
            poll_every_s: setup.usual.poll_every_s,
            trouble: store.sealing().await.map_err(SourceError::new)?.trouble(),
        })
    }

    async fn watched(&self) -> Result<Vec<Watched>, SourceError> {
        setup::watched(&self.0.store).await.map_err(SourceError::new)
    }

    async fn credentials(&self) -> Result<Vec<CredentialSummary>, SourceError> {
        self.0.store.credentials().await.map_err(SourceError::new)
    }

    async fn try_device(&self, request: TryRequest) -> Decided<TriedView> {
        trial::run(&self.0, request).await
    }

    fn tried(&self, trial: u64) -> Option<TriedView> {
        trial::remembered(&self.0, trial).map(|trial| trial.view)
    }

    async fn keep_tried(&self, number: u64, chosen: Chosen) -> Decided<String> {
        let Some(trial) = trial::remembered(&self.0, number) else {
            return Ok(Err(Refusal::new("", "the trial was some time ago; try the address once more")));
        };
        let (host, port) = trial.at;
        let Chosen { name, cost_centre, poll_every_s } = chosen;
        let device = NewDevice { name: name.clone(), host, port, cost_centre, poll_every_s };
        let added = watch(&self.0, &trial.row, &device).await?;
        Ok(added.map(|()| name))
    }

    async fn change_device(&self, id: DeviceId, change: DeviceChange) -> Decided<bool> {
        let DeviceChange { host, port, credential, chosen } = change;
        let Chosen { name, cost_centre, poll_every_s } = chosen;
        let device = NewDevice { name, host, port, cost_centre, poll_every_s };
        let done = setup::change(&self.0.store, id, &device, credential).await.map_err(SourceError::new)?;
        Ok(done.map_err(taken))
    }

    async fn retire_device(&self, id: DeviceId) -> Result<Option<String>, SourceError> {
        let found = self.0.store.devices(Some(id)).await.map_err(SourceError::new)?.pop();
        let Some(name) = found.map(|row| row.name) else { return Ok(None) };
        let done = self.0.store.retire_device(&name, self.0.clock.now()).await.map_err(SourceError::new)?;
        Ok(done.then_some(name))
    }

    async fn put_credential(&self, id: Option<i64>, form: CredentialForm) -> Decided<bool> {
        let store: &Store = &self.0.store;
        let old = match id {
            Some(id) => store.credential_to_change(id).await.map_err(SourceError::new)?,
            None => None,
        };
        if id.is_some() && old.is_none() {
            return Ok(Ok(false));
        }
        let row = match row_of(&form, old.as_ref()) {
            Ok(row) => row,
            Err(refusal) => return Ok(Err(refusal)),
        };
        let name = if form.name.is_empty() { row.usual_name() } else { form.name };
        let done = match id {
            Some(id) => store.change_credential(id, &name, &row).await,
            None => store.add_credential(&name, &row).await.map(|_| true),
        };
        match done {
            Ok(found) => Ok(Ok(found)),
            Err(StoreError::Taken(why)) => Ok(Err(Refusal::new("name", why))),
            Err(StoreError::Keys(fault)) => Ok(Err(Refusal::new("", fault.to_string()))),
            Err(fault) => Err(SourceError::new(fault)),
        }
    }

    async fn remove_credential(&self, id: i64) -> Result<bool, SourceError> {
        self.0.store.remove_credential(id).await.map_err(SourceError::new)
    }

    async fn search(&self) -> Result<SearchView, SourceError> {
        search::view(&self.0).await
    }

    async fn start_search(&self, request: SearchRequest) -> Decided<()> {
        search::start(&self.0, request).await
    }

    fn stop_search(&self) {
        search::stop(&self.0);
    }

    async fn watch_found(&self, chosen: Vec<(String, String)>) -> Decided<Vec<String>> {
        search::watch_found(&self.0, chosen).await
    }

    async fn import_devices(
        &self,
        entries: Vec<DeviceEntry>,
        rehearsal: bool,
    ) -> Result<Result<Vec<Imported>, Vec<Refused>>, SourceError> {
        let Service { store, setup, clock, .. } = &self.0;
        let check = |row: &CredentialRow| credential(row).map(drop).map_err(|fault| fault.to_string());
        setup::import(store, &entries, &setup.usual, (clock.now(), rehearsal), check)
            .await
            .map_err(SourceError::new)
    }
}

/// The credential that a way of asking means, or which field does not say one.
async fn row_by(service: &Service, way: Way) -> Decided<CredentialRow> {
    let row = match way {
        Way::New(row) => row,
        Way::Kept(id) => match service.store.credential(id).await {
            Ok(Some(row)) => row,
            Ok(None) => return Ok(Err(Refusal::new("credential", "it is no longer kept; choose another"))),
            Err(StoreError::Keys(fault)) => return Ok(Err(Refusal::new("credential", fault.to_string()))),
            Err(fault) => return Err(SourceError::new(fault)),
        },
    };
    Ok(match credential(&row) {
        Ok(_) => Ok(row),
        Err(fault) => Err(Refusal::new(field_of(&fault), fault.to_string())),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn secure(auth: (Option<&str>, Option<&str>), privacy: (Option<&str>, Option<&str>)) -> CredentialForm {
        let owned = |(a, b): (Option<&str>, Option<&str>)| (a.map(str::to_owned), b.map(str::to_owned));
        CredentialForm {
            version: "v3".to_owned(),
            user: Some("loft".to_owned()),
            auth: owned(auth),
            privacy: owned(privacy),
            ..CredentialForm::default()
        }
    }

    #[test]
    fn secrets_that_are_not_given_stay_and_protocols_that_are_left_out_go() {
        let first = row_of(
            &secure((Some("sha256"), Some("velvet-curtain")), (Some("aes128"), Some("footlight-row"))),
            None,
        )
        .unwrap();
        let kept = row_of(&secure((Some("sha512"), None), (Some("aes128"), None)), Some(&first)).unwrap();
        assert_eq!(kept.auth, Some(("sha512".to_owned(), "velvet-curtain".to_owned())));
        assert_eq!(kept.privacy, first.privacy);
        let less = row_of(&secure((Some("sha512"), None), (None, None)), Some(&kept)).unwrap();
        assert_eq!(less.privacy, None);
        for (form, field) in [
            (secure((Some("sha256"), None), (None, None)), "auth_password"),
            (secure((Some("sha256"), Some("short")), (None, None)), "auth_password"),
            (secure((None, None), (Some("aes128"), Some("footlight-row"))), "auth_protocol"),
            (CredentialForm { version: "v2c".to_owned(), ..CredentialForm::default() }, "community"),
        ] {
            assert_eq!(row_of(&form, None).unwrap_err().field, field);
        }
    }
}
