//! Where the site learns who is in. It knows neither store nor hashes.

use std::future::Future;

use super::source::SourceError;
use crate::actor::Actor;
use crate::config::access::Front;
use crate::domain::access::{Password, Role};
use crate::domain::ids::PersonId;
use crate::openid::Fault;
use crate::openid::provider::Returned;
use crate::store::changes::Change;
use crate::store::people::Person;
use crate::usecase::access::openid::NotLetIn;
use crate::usecase::access::own::{OwnAct, OwnView};
use crate::usecase::access::people::Refusal;
use crate::usecase::access::{Door, Key, NoEntry, NotChosen, Visit};

/// What an administrator does about a person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PersonAct {
    /// Lets somebody come in.
    Add(String, Role),
    /// Gives somebody another role.
    Role(PersonId, Role),
    /// Makes a link by which somebody chooses another password.
    Link(PersonId),
    /// Lets somebody come in no longer.
    Retire(PersonId),
}

/// What came of it: the name, and the key of a link where one was made.
pub type Acted = (String, Option<Key>);

/// The provider that people may come in by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProviderDoor {
    /// What it is called.
    pub label: String,
    /// The address of the pages that it knows, without a slash at the end: sign-ins begin and end there.
    pub pages: String,
}

/// Why somebody does not come in by the provider.
#[derive(Debug, thiserror::Error)]
pub enum NotIn {
    /// The provider, or the way there and back.
    #[error(transparent)]
    Fault(#[from] Fault),
    /// What is known here of whom it names.
    #[error(transparent)]
    NotLetIn(#[from] NotLetIn),
}

/// Who may come in.
pub trait AccessSource {
    /// Whether people have to say who they are.
    fn asks_names(&self) -> impl Future<Output = Result<bool, SourceError>> + Send;

    /// Whether browsers reach the pages by https, so that what they carry never goes out in the open.
    fn is_https(&self) -> bool;

    /// Who is in by what a browser carries.
    fn visit(&self, held: &Key) -> impl Future<Output = Result<Option<Visit>, SourceError>> + Send;

    /// The server in front that says who somebody is, if one may.
    fn front(&self) -> Option<&Front>;

    /// Lets somebody in whom the server in front names; nothing if nobody of that name may come in.
    fn enter_by_front(
        &self,
        name: &str,
        door: Door,
    ) -> impl Future<Output = Result<Option<Key>, SourceError>> + Send;

    /// The provider that people may come in by, if there is one.
    fn provider(&self) -> Option<ProviderDoor>;

    /// Begins a sign-in by the provider: where the browser is sent to, and what it carries until it is back.
    fn to_provider(
        &self,
        then: &str,
    ) -> impl Future<Output = Result<Result<(String, String), Fault>, SourceError>> + Send;

    /// Lets somebody in who comes back from the provider with what their browser carries; gives back the key of the
    /// visit and where they wanted to go.
    fn back_from_provider(
        &self,
        carried: &str,
        returned: Returned,
        door: Door,
    ) -> impl Future<Output = Result<Result<(Key, String), NotIn>, SourceError>> + Send;

    /// Who a program comes in for.
    fn program(&self, token: &Key) -> impl Future<Output = Result<Option<Actor>, SourceError>> + Send;

    /// Lets somebody in by name and password, or says why not.
    fn enter(
        &self,
        name: &str,
        password: Password,
        door: Door,
    ) -> impl Future<Output = Result<Result<Key, NoEntry>, SourceError>> + Send;

    /// Whether a link is good, and whose it is: nobody's yet for the first administrator.
    fn whose_link(
        &self,
        link: &Key,
    ) -> impl Future<Output = Result<Option<Option<String>>, SourceError>> + Send;

    /// Takes the password that somebody chose by a link, and lets them in.
    fn choose(
        &self,
        link: &Key,
        name: &str,
        password: &str,
        door: Door,
    ) -> impl Future<Output = Result<Result<Key, NotChosen>, SourceError>> + Send;

    /// Changes the password of somebody who is in.
    fn change_password(
        &self,
        visit: &Visit,
        old: Password,
        new: &str,
    ) -> impl Future<Output = Result<Result<(), NotChosen>, SourceError>> + Send;

    /// Somebody's own visits and tokens.
    fn own(&self, person: PersonId) -> impl Future<Output = Result<OwnView, SourceError>> + Send;

    /// Does something about them; gives back the key of a token that was made.
    fn own_act(
        &self,
        person: (PersonId, Role),
        act: OwnAct,
    ) -> impl Future<Output = Result<Option<Key>, SourceError>> + Send;

    /// Everybody who may come in, by name.
    fn people(&self) -> impl Future<Output = Result<Vec<Person>, SourceError>> + Send;

    /// Does something about a person, or says why not.
    fn person_act(
        &self,
        act: PersonAct,
    ) -> impl Future<Output = Result<Result<Acted, Refusal>, SourceError>> + Send;

    /// What was changed, the latest first, before the change of a number.
    fn changes(&self, before: Option<i64>) -> impl Future<Output = Result<Vec<Change>, SourceError>> + Send;
}
