//! The set-up of the print loft for tests.

use super::fixtures::{Fixture, Mood};
use super::setup_source::{Decided, SetupSource};
use super::source::SourceError;
use crate::domain::ids::DeviceId;
use crate::domain::snapshot::Identity;
use crate::usecase::discover::{Found, FoundKind};
use crate::usecase::setup::view::{
    Chosen, CredentialForm, DeviceChange, FoundLine, JobView, Refusal, SearchRequest, SearchView, SetupView,
    TriedView, TryRequest,
};
use crate::usecase::setup::{Change, CredentialSummary, DeviceEntry, Imported, Refused, Watched};

fn found(host: &str, kind: FoundKind, name: &str) -> FoundLine {
    let identity = Identity {
        printer_name: Some(name.to_owned()),
        serial: Some("VO-9".to_owned()),
        ..Identity::default()
    };
    let found = Found { host: host.to_owned(), port: 161, kind, identity, credential: 0 };
    FoundLine { found, watched_as: (name == "Bobbin").then(|| name.to_owned()), name: name.to_owned() }
}

impl SetupSource for Fixture {
    async fn setup(&self) -> Result<SetupView, SourceError> {
        let empty = SetupView {
            room: "Print loft".to_owned(),
            machines: 0,
            answering: 0,
            waiting: 0,
            credentials: 0,
            parts: 0,
            told: 0,
            people: 0,
            ranges: vec![],
            poll_every_s: 900,
            trouble: None,
        };
        let full = SetupView {
            machines: 5,
            answering: 3,
            waiting: 1,
            credentials: 2,
            parts: 4,
            told: 1,
            ..empty.clone()
        };
        let full = SetupView { ranges: vec!["10.0.0.0/24".to_owned()], ..full };
        self.give(|| full, empty).await
    }

    async fn watched(&self) -> Result<Vec<Watched>, SourceError> {
        self.give(Vec::new, Vec::new()).await
    }

    async fn credentials(&self) -> Result<Vec<CredentialSummary>, SourceError> {
        let full = || {
            vec![CredentialSummary {
                id: 3,
                name: "Version 3, user loft".to_owned(),
                version: "v3".to_owned(),
                user_name: Some("loft".to_owned()),
                auth_protocol: Some("sha512".to_owned()),
                privacy_protocol: None,
                devices: 0,
            }]
        };
        self.give(full, Vec::new()).await
    }

    async fn try_device(&self, _: TryRequest) -> Decided<TriedView> {
        Ok(Err(Refusal::new("address", "10.0.0.7 did not answer")))
    }

    fn tried(&self, _: u64) -> Option<TriedView> {
        None
    }

    async fn keep_tried(&self, _: u64, _: Chosen) -> Decided<String> {
        Ok(Err(Refusal::new("", "the trial was some time ago")))
    }

    async fn change_device(&self, _: DeviceId, _: DeviceChange) -> Decided<bool> {
        Ok(Ok(false))
    }

    async fn retire_device(&self, _: DeviceId) -> Result<Option<String>, SourceError> {
        Ok(None)
    }

    async fn put_credential(&self, _: Option<i64>, _: CredentialForm) -> Decided<bool> {
        Ok(Err(Refusal::new("auth_password", "write the password that is set in the device")))
    }

    async fn remove_credential(&self, _: i64) -> Result<bool, SourceError> {
        Ok(false)
    }

    async fn search(&self) -> Result<SearchView, SourceError> {
        let credentials = self.credentials().await?;
        let job = JobView {
            what: "10.0.0.0/24".to_owned(),
            running: self.notice.is_some(),
            stopped: false,
            asked: 254,
            total: 254,
            unsent: None,
            found: vec![
                found("10.0.0.7", FoundKind::Printer, "Bobbin"),
                found("10.0.0.8", FoundKind::Printer, "Thimble"),
                found("10.0.0.9", FoundKind::Other, "Till"),
                found(
                    "10.0.0.10",
                    FoundKind::Refused("10.0.0.10:161 has no SNMPv3 user “loft”".to_owned()),
                    "?",
                ),
            ],
        };
        let job = (self.mood == Mood::Full).then_some(job);
        Ok(SearchView { ranges: vec!["10.0.0.0/24".to_owned()], credentials, job })
    }

    async fn start_search(&self, _: SearchRequest) -> Decided<()> {
        Ok(Err(Refusal::new("range", "11.0.0.0/24 is not inside a range that may be searched")))
    }

    fn stop_search(&self) {}

    async fn watch_found(&self, _: Vec<(String, String)>) -> Decided<Vec<String>> {
        Ok(Err(Refusal::new("", "a device named 'Bobbin' is already watched")))
    }

    async fn import_devices(
        &self,
        entries: Vec<DeviceEntry>,
        _: bool,
    ) -> Result<Result<Vec<Imported>, Vec<Refused>>, SourceError> {
        let imported = |entry: DeviceEntry| Imported {
            line: entry.line,
            name: entry.name.unwrap_or_default(),
            address: entry.host,
            change: Change::Added,
        };
        Ok(Ok(entries.into_iter().map(imported).collect()))
    }
}
