//! Who comes in by a provider's word, and what is written down of it.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use jiff::SignedDuration;
use serde_json::{Value, json};
use ullage::config::deliver::Trust;
use ullage::config::openid::{OpenIdSettings, RoleClaim};
use ullage::domain::access::{Limits, Role};
use ullage::openid::provider::Somebody;
use ullage::store::Store;
use ullage::usecase::access::openid::{NotLetIn, enter_by_provider, forget};
use ullage::usecase::access::{self, Door, people};

use crate::support::database::TestDatabase;
use crate::support::said::at;

fn settings() -> OpenIdSettings {
    OpenIdSettings {
        issuer: "https://login.loft.example".to_owned(),
        client_id: "ullage".to_owned(),
        client_secret: None,
        scope: "openid profile".to_owned(),
        name_claim: "preferred_username".to_owned(),
        roles: None,
        label: "the opera".to_owned(),
        pages: "https://ullage.loft.example".to_owned(),
        trust: Trust::default(),
    }
}

fn by_groups() -> OpenIdSettings {
    let values = [(Role::Reader, "all"), (Role::Operator, "loft"), (Role::Administrator, "heads")];
    let values = values.map(|(role, value)| (role, vec![value.to_owned()]));
    OpenIdSettings { roles: Some(RoleClaim { claim: "groups".to_owned(), values }), ..settings() }
}

fn somebody(subject: &str, claims: Value) -> Somebody {
    Somebody { subject: subject.to_owned(), claims: claims.as_object().unwrap().clone() }
}

fn named(subject: &str, name: &str) -> Somebody {
    somebody(subject, json!({ "preferred_username": name }))
}

fn grouped(subject: &str, name: &str, groups: &[&str]) -> Somebody {
    somebody(subject, json!({ "preferred_username": name, "groups": groups }))
}

/// Who is in then, and what they may do.
async fn come(store: &Store, settings: &OpenIdSettings, who: &Somebody) -> Result<(String, Role), NotLetIn> {
    let lasting = (Limits::USUAL, at(1));
    let key = enter_by_provider(store, settings, who, &Door::default(), lasting).await.unwrap()?;
    let visit = access::visit(store, &key, (Limits::USUAL, at(1) + SignedDuration::from_secs(1))).await;
    let actor = visit.unwrap().unwrap().actor;
    assert!(actor.form_key().is_some(), "forms are theirs like anybody's");
    Ok((actor.name().to_owned(), actor.role()))
}

/// A store in which Ida Quill is the administrator, and Ada reads.
async fn room(database: &TestDatabase) -> Store {
    let store = database.store().await;
    people::add(&store, "Ida Quill", Role::Administrator, at(0)).await.unwrap().unwrap();
    people::add(&store, "Ada", Role::Reader, at(0)).await.unwrap().unwrap();
    store
}

/// Subject, key and author of every change to who is known at a provider, and to people, the first one first.
async fn changes(store: &Store) -> Vec<(String, String, String)> {
    sqlx::query_as("select subject, key, who from change order by id").fetch_all(store.pool()).await.unwrap()
}

#[tokio::test]
async fn a_name_counts_once_and_the_providers_own_name_from_then_on() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    let settings = settings();
    let nobody = NotLetIn::Nobody("Eve".to_owned());
    assert_eq!(
        come(&store, &settings, &named("7", "Eve")).await,
        Err(nobody),
        "whoever is not known stays out"
    );
    assert_eq!(come(&store, &settings, &named("1", "ADA")).await, Ok(("Ada".to_owned(), Role::Reader)));
    // Another who takes the name at the provider is not her, and she is herself under another name.
    let another = Err(NotLetIn::Another("Ada".to_owned()));
    assert_eq!(come(&store, &settings, &named("2", "Ada")).await, another);
    assert_eq!(come(&store, &settings, &named("1", "Ida Quill")).await, Ok(("Ada".to_owned(), Role::Reader)));
    let elsewhere = OpenIdSettings { issuer: "https://other.example".to_owned(), ..settings.clone() };
    assert!(
        come(&store, &elsewhere, &named("2", "Ada")).await.is_ok(),
        "another provider, another name for her"
    );
    let told = changes(&store).await;
    let bound = |issuer: &str, subject: &str, who: &str| {
        let row = (
            "person_identity".to_owned(),
            format!("{issuer} {subject}"),
            format!("{who}, by OpenID Connect"),
        );
        assert!(told.contains(&row), "{told:?}");
    };
    bound("https://login.loft.example", "1", "ADA");
    bound("https://other.example", "2", "Ada");
    assert_eq!(told.len(), 2, "coming in by itself changes nothing: {told:?}");

    let ada = store.person_named("Ada").await.unwrap().unwrap().0;
    assert!(forget(&store, ada).await.unwrap() && !forget(&store, ada).await.unwrap());
    assert_eq!(come(&store, &settings, &named("2", "Ada")).await, Ok(("Ada".to_owned(), Role::Reader)));
    // Retired is retired, until somebody of that name is let in again.
    people::retire(&store, ada, at(2)).await.unwrap().unwrap();
    let out = Err(NotLetIn::Retired("Ada".to_owned()));
    assert_eq!(come(&store, &settings, &named("2", "Ada")).await, out);
    let all = by_groups();
    assert_eq!(come(&store, &all, &grouped("2", "Ada", &["heads"])).await, out, "whatever the provider says");
    people::add(&store, "Ada", Role::Operator, at(3)).await.unwrap().unwrap();
    assert_eq!(come(&store, &settings, &named("2", "Ada")).await, Ok(("Ada".to_owned(), Role::Operator)));
}

#[tokio::test]
async fn a_name_has_to_be_one_and_an_address_one_that_was_made_sure_of() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    let settings = settings();
    for claims in [json!({}), json!({"preferred_username": 7}), json!({"preferred_username": " "})] {
        let nameless = NotLetIn::Nameless("preferred_username".to_owned());
        assert_eq!(come(&store, &settings, &somebody("1", claims)).await, Err(nameless));
    }
    let long = "x".repeat(81);
    assert!(matches!(come(&store, &settings, &named("1", &long)).await, Err(NotLetIn::Nameless(_))));
    let by_mail = OpenIdSettings { name_claim: "email".to_owned(), ..settings };
    people::add(&store, "ada@loft.example", Role::Reader, at(0)).await.unwrap().unwrap();
    let address = |sure: Value| somebody("1", json!({"email": "ada@loft.example", "email_verified": sure}));
    for unsure in [json!(false), json!("true"), json!(null)] {
        assert!(matches!(come(&store, &by_mail, &address(unsure)).await, Err(NotLetIn::Nameless(_))));
    }
    assert!(come(&store, &by_mail, &address(json!(true))).await.is_ok());
}

#[tokio::test]
async fn where_the_provider_gives_roles_they_count_from_each_sign_in_on() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    let settings = by_groups();
    let roleless = |name: &str| Err(NotLetIn::Roleless(name.to_owned()));
    assert_eq!(come(&store, &settings, &grouped("9", "Eve", &["choir"])).await, roleless("Eve"));
    assert!(store.person_named("Eve").await.unwrap().is_none(), "nothing is left of it");
    let new = come(&store, &settings, &grouped("9", "Eve", &["all", "loft"])).await;
    assert_eq!(new, Ok(("Eve".to_owned(), Role::Operator)), "whoever the provider gives a role is let in");
    let less = come(&store, &settings, &grouped("9", "Eve", &["all"])).await;
    assert_eq!(less, Ok(("Eve".to_owned(), Role::Reader)));
    assert_eq!(
        come(&store, &settings, &grouped("9", "Eve", &[])).await,
        roleless("Eve"),
        "and to no role at all"
    );
    let ada = come(&store, &settings, &grouped("1", "Ada", &["loft"])).await;
    assert_eq!(ada, Ok(("Ada".to_owned(), Role::Operator)));
    // There is always an administrator.
    let last = NotLetIn::Last("Ida Quill".to_owned(), Role::Reader);
    assert_eq!(come(&store, &settings, &grouped("3", "Ida Quill", &["all"])).await, Err(last));
    assert!(come(&store, &settings, &grouped("3", "Ida Quill", &["heads"])).await.is_ok());
    assert!(come(&store, &settings, &grouped("9", "Eve", &["heads"])).await.is_ok());
    let ida = come(&store, &settings, &grouped("3", "Ida Quill", &["all"])).await;
    assert_eq!(ida, Ok(("Ida Quill".to_owned(), Role::Reader)), "there is another by now");
    let told = changes(&store).await;
    let role = ("person".to_owned(), "Eve".to_owned(), "Eve, by OpenID Connect".to_owned());
    assert!(told.iter().filter(|row| **row == role).count() >= 3, "added and changed: {told:?}");
}
