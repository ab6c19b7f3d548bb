//! Between the door and the use cases.

use std::sync::atomic::{AtomicBool, Ordering};

use jiff::Timestamp;

use super::openid::OpenId;
use super::{Service, StorePages};
use crate::actor::Actor;
use crate::config::access::{AccessSettings, Front};
use crate::domain::access::{Limits, Password, Role};
use crate::domain::ids::PersonId;
use crate::openid::Fault;
use crate::openid::provider::Returned;
use crate::site::access_source::{AccessSource, Acted, NotIn, PersonAct, ProviderDoor};
use crate::site::source::SourceError;
use crate::store::Store;
use crate::store::changes::Change;
use crate::store::people::Person;
use crate::usecase::access::own::{OwnAct, OwnView};
use crate::usecase::access::people::{self, Refusal};
use crate::usecase::access::{self, Door, Key, NoEntry, NotChosen, Visit, own};

/// Who is let in, and for how long.
pub(super) struct Doorkeeper {
    limits: Limits,
    pub(super) https: bool,
    front: Option<Front>,
    pub(super) openid: Option<OpenId>,
    /// Whether anybody may come in by name. Once somebody may, somebody always may: the last administrator stays.
    has_people: AtomicBool,
}

impl Doorkeeper {
    pub(super) fn new(settings: AccessSettings) -> Self {
        let AccessSettings { limits, https, front, openid, certificate: _ } = settings;
        let openid = openid.and_then(OpenId::new);
        Self { limits, https, front, openid, has_people: AtomicBool::new(false) }
    }

    async fn asks_names(&self, store: &Store) -> crate::store::Result<bool> {
        // Behind a server that tells people apart nobody is nameless, not even before the first of them is known here.
        if self.front.is_some() {
            return Ok(true);
        }
        if !self.has_people.load(Ordering::Relaxed) && store.has_people().await? {
            self.has_people.store(true, Ordering::Relaxed);
        }
        Ok(self.has_people.load(Ordering::Relaxed))
    }
}

impl Service {
    pub(super) fn lasting(&self) -> (Limits, Timestamp) {
        (self.door.limits, self.clock.now())
    }
}

/// How many changes a page shows.
const CHANGES: i64 = 100;

impl AccessSource for StorePages {
    async fn asks_names(&self) -> Result<bool, SourceError> {
        self.0.door.asks_names(&self.0.store).await.map_err(SourceError::new)
    }

    fn is_https(&self) -> bool {
        self.0.door.https
    }

    async fn visit(&self, held: &Key) -> Result<Option<Visit>, SourceError> {
        access::visit(&self.0.store, held, self.0.lasting()).await.map_err(SourceError::new)
    }

    fn front(&self) -> Option<&Front> {
        self.0.door.front.as_ref()
    }

    async fn enter_by_front(&self, name: &str, door: Door) -> Result<Option<Key>, SourceError> {
        access::enter_by_front(&self.0.store, name, &door, self.0.lasting()).await.map_err(SourceError::new)
    }

    fn provider(&self) -> Option<ProviderDoor> {
        self.provider_door()
    }

    async fn to_provider(&self, then: &str) -> Result<Result<(String, String), Fault>, SourceError> {
        Ok(self.way_to_provider(then).await)
    }

    async fn back_from_provider(
        &self,
        carried: &str,
        returned: Returned,
        door: Door,
    ) -> Result<Result<(Key, String), NotIn>, SourceError> {
        self.way_from_provider(carried, &returned, &door).await
    }

    async fn program(&self, token: &Key) -> Result<Option<Actor>, SourceError> {
        access::program(&self.0.store, token, self.0.clock.now()).await.map_err(SourceError::new)
    }

    async fn enter(
        &self,
        name: &str,
        password: Password,
        door: Door,
    ) -> Result<Result<Key, NoEntry>, SourceError> {
        access::enter(&self.0.store, (name, password), &door, self.0.lasting())
            .await
            .map_err(SourceError::new)
    }

    async fn whose_link(&self, link: &Key) -> Result<Option<Option<String>>, SourceError> {
        let found = self.0.store.link(&link.hash(), self.0.clock.now()).await.map_err(SourceError::new)?;
        Ok(found.map(|whose| whose.map(|(_, name)| name)))
    }

    async fn choose(
        &self,
        link: &Key,
        name: &str,
        password: &str,
        door: Door,
    ) -> Result<Result<Key, NotChosen>, SourceError> {
        access::choose_by_link(&self.0.store, link, (name, password), &door, self.0.lasting())
            .await
            .map_err(SourceError::new)
    }

    async fn change_password(
        &self,
        visit: &Visit,
        old: Password,
        new: &str,
    ) -> Result<Result<(), NotChosen>, SourceError> {
        let Some(person) = visit.actor.id() else { return Ok(Err(NotChosen::Old)) };
        let whose = (person, visit.actor.name());
        access::change_password(&self.0.store, whose, visit.session, (old, new))
            .await
            .map_err(SourceError::new)
    }

    async fn own(&self, person: PersonId) -> Result<OwnView, SourceError> {
        own::own(&self.0.store, person, self.0.lasting()).await.map_err(SourceError::new)
    }

    async fn own_act(&self, person: (PersonId, Role), act: OwnAct) -> Result<Option<Key>, SourceError> {
        own::act(&self.0.store, person, &act, self.0.clock.now()).await.map_err(SourceError::new)
    }

    async fn people(&self) -> Result<Vec<Person>, SourceError> {
        self.0.store.people().await.map_err(SourceError::new)
    }

    async fn person_act(&self, act: PersonAct) -> Result<Result<Acted, Refusal>, SourceError> {
        let (store, now) = (&self.0.store, self.0.clock.now());
        Ok(match act {
            PersonAct::Add(name, role) => people::add(store, &name, role, now)
                .await
                .map_err(SourceError::new)?
                .map(|key| (name, Some(key))),
            PersonAct::Link(person) => people::link(store, person, now)
                .await
                .map_err(SourceError::new)?
                .map(|(name, key)| (name, Some(key))),
            PersonAct::Role(person, role) => people::change_role(store, person, role)
                .await
                .map_err(SourceError::new)?
                .map(|name| (name, None)),
            PersonAct::Retire(person) => {
                people::retire(store, person, now).await.map_err(SourceError::new)?.map(|name| (name, None))
            }
        })
    }

    async fn changes(&self, before: Option<i64>) -> Result<Vec<Change>, SourceError> {
        self.0.store.changes(before, CHANGES).await.map_err(SourceError::new)
    }
}
