//! Who comes in to the print loft, for tests: whoever carries a key of one repeated byte.

use super::access_source::{AccessSource, Acted, NotIn, PersonAct, ProviderDoor};
use super::fixtures::{Fixture, now};
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

/// What signs the forms of every visit.
pub(crate) const FORM_KEY: [u8; 32] = [9; 32];

/// The key of a reader (1), an operator (2) or an administrator (3).
pub(crate) fn key(byte: u8) -> Key {
    use base64::Engine as _;
    Key::from_letters(&base64::engine::general_purpose::URL_SAFE_NO_PAD.encode([byte; 32])).unwrap()
}

fn actor(held: &Key) -> Option<Actor> {
    let byte = usize::from(held.bytes()[0]);
    let role = Role::ALL.get(byte.checked_sub(1)?)?;
    Some(Actor::person(PersonId(1), "Ida Quill", *role))
}

impl AccessSource for Fixture {
    async fn asks_names(&self) -> Result<bool, SourceError> {
        Ok(self.asks)
    }

    fn is_https(&self) -> bool {
        self.https
    }

    async fn visit(&self, held: &Key) -> Result<Option<Visit>, SourceError> {
        Ok(actor(held).map(|actor| Visit { session: 7, actor: actor.with_form_key(FORM_KEY), next: None }))
    }

    fn front(&self) -> Option<&Front> {
        self.front.as_ref()
    }

    async fn enter_by_front(&self, name: &str, _: Door) -> Result<Option<Key>, SourceError> {
        Ok((name == "Ida Quill").then(|| key(2)))
    }

    fn provider(&self) -> Option<ProviderDoor> {
        self.provider.clone()
    }

    async fn to_provider(&self, then: &str) -> Result<Result<(String, String), Fault>, SourceError> {
        Ok(match then {
            "/away" => Err(Fault::Unreachable("secret".to_owned())),
            then => Ok((format!("https://login.loft.example/?{then}"), "ticket".to_owned())),
        })
    }

    async fn back_from_provider(
        &self,
        carried: &str,
        returned: Returned,
        _: Door,
    ) -> Result<Result<(Key, String), NotIn>, SourceError> {
        let code = returned.code.as_deref();
        Ok(match (carried, returned.state.as_str(), code) {
            ("ticket", "good", Some("ida")) => Ok((key(3), "/machines/1".to_owned())),
            ("ticket", "good", Some("led astray")) => Ok((key(3), "//elsewhere.example".to_owned())),
            ("ticket", "good", Some(_)) => Err(NotLetIn::Nobody("<Eve>".to_owned()).into()),
            ("ticket", "good", None) => Err(Fault::Refused("access_denied".to_owned()).into()),
            _ => Err(Fault::Stale.into()),
        })
    }

    async fn program(&self, token: &Key) -> Result<Option<Actor>, SourceError> {
        Ok(actor(token))
    }

    async fn enter(
        &self,
        name: &str,
        password: Password,
        _: Door,
    ) -> Result<Result<Key, NoEntry>, SourceError> {
        Ok(match (name, password.letters()) {
            ("Ida Quill", "four ink wells and a cask") => Ok(key(3)),
            ("Busy", _) => Err(NoEntry::Slow(jiff::SignedDuration::from_secs(130))),
            _ => Err(NoEntry::Wrong),
        })
    }

    async fn whose_link(&self, link: &Key) -> Result<Option<Option<String>>, SourceError> {
        Ok(match link.bytes()[0] {
            1 => Some(None),
            2 => Some(Some("Ida Quill".to_owned())),
            _ => None,
        })
    }

    async fn choose(
        &self,
        _: &Key,
        name: &str,
        password: &str,
        _: Door,
    ) -> Result<Result<Key, NotChosen>, SourceError> {
        Ok(Password::chosen(password, name).map(|_| key(3)).map_err(NotChosen::from))
    }

    async fn change_password(
        &self,
        _: &Visit,
        old: Password,
        _: &str,
    ) -> Result<Result<(), NotChosen>, SourceError> {
        Ok(if old.letters() == "four ink wells and a cask" { Ok(()) } else { Err(NotChosen::Old) })
    }

    async fn own(&self, _: PersonId) -> Result<OwnView, SourceError> {
        Ok(OwnView { sessions: vec![], tokens: vec![] })
    }

    async fn own_act(&self, _: (PersonId, Role), act: OwnAct) -> Result<Option<Key>, SourceError> {
        Ok(matches!(act, OwnAct::MakeToken { .. }).then(|| key(1)))
    }

    async fn people(&self) -> Result<Vec<Person>, SourceError> {
        let ida = Person {
            id: PersonId(1),
            name: "Ida Quill".to_owned(),
            role: Role::Administrator,
            has_password: true,
            added_at: now(),
            seen_at: Some(now()),
        };
        self.give(|| vec![ida], vec![]).await
    }

    async fn person_act(&self, act: PersonAct) -> Result<Result<Acted, Refusal>, SourceError> {
        Ok(match act {
            PersonAct::Add(name, _) => Ok((name, Some(key(2)))),
            PersonAct::Link(_) => Ok(("Ida Quill".to_owned(), Some(key(2)))),
            PersonAct::Role(..) => Ok(("Ida Quill".to_owned(), None)),
            PersonAct::Retire(_) => Err(Refusal::Last("Ida Quill".to_owned())),
        })
    }

    async fn changes(&self, _: Option<i64>) -> Result<Vec<Change>, SourceError> {
        let change = Change {
            id: 4,
            at: now(),
            who: "Ida Quill".to_owned(),
            what: "changed".to_owned(),
            subject: "credential".to_owned(),
            key: "Version 2c".to_owned(),
            was: Some(serde_json::json!({"community": "hidden"})),
            became: Some(serde_json::json!({"community": "hidden, another"})),
        };
        self.give(|| vec![change], vec![]).await
    }
}
