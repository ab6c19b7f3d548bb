//! Who comes in, how long they stay, and what is written down of what they change.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use jiff::{SignedDuration, Timestamp};
use sqlx::ConnectOptions as _;
use ullage::actor::{Actor, acting};
use ullage::domain::access::{Limits, Password, Role, Tries};
use ullage::domain::ids::PersonId;
use ullage::store::Store;
use ullage::store::credentials::CredentialRow;
use ullage::usecase::access::people::{self, Refusal};
use ullage::usecase::access::{self, Door, Key, NoEntry, NotChosen, own};

use crate::support::database::TestDatabase;
use crate::support::program::{finish, ullage};
use crate::support::said::at;

const PASSWORD: &str = "four ink wells and a cask";

fn after(seconds: i64) -> Timestamp {
    at(0) + SignedDuration::from_secs(seconds)
}

async fn first(store: &Store) -> Key {
    let link = people::first_link(store, at(0)).await.unwrap().unwrap();
    choose(store, &link, "Ida Quill", PASSWORD, 0).await.unwrap()
}

async fn choose(store: &Store, link: &Key, name: &str, password: &str, s: i64) -> Result<Key, NotChosen> {
    let lasting = (Limits::USUAL, after(s));
    access::choose_by_link(store, link, (name, password), &Door::default(), lasting).await.unwrap()
}

async fn enter(store: &Store, name: &str, password: &str, s: i64) -> Result<Key, NoEntry> {
    let said = (name, Password::typed(password));
    access::enter(store, said, &Door::default(), (Limits::USUAL, after(s))).await.unwrap()
}

async fn is_in(store: &Store, key: &Key, s: i64) -> Option<access::Visit> {
    access::visit(store, key, (Limits::USUAL, after(s))).await.unwrap()
}

async fn id_of(store: &Store, name: &str) -> PersonId {
    store.person_named(name).await.unwrap().unwrap().0
}

#[tokio::test]
async fn a_link_lets_the_first_administrator_in_once() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    assert!(!store.has_people().await.unwrap());
    let link = people::first_link(&store, at(0)).await.unwrap().unwrap();
    let newer = people::first_link(&store, at(0)).await.unwrap().unwrap();
    assert_eq!(
        choose(&store, &link, "Ida", PASSWORD, 1).await,
        Err(NotChosen::Stale),
        "a newer one voids it"
    );
    assert!(matches!(choose(&store, &newer, "Ida", "short", 1).await, Err(NotChosen::Password(_))));
    assert_eq!(choose(&store, &newer, " ", PASSWORD, 1).await, Err(NotChosen::Name));
    let late = access::LINK_LASTS.as_secs();
    assert_eq!(choose(&store, &newer, "Ida", PASSWORD, late).await, Err(NotChosen::Stale));
    let key = choose(&store, &newer, "Ida", PASSWORD, 1).await.unwrap();
    assert_eq!(choose(&store, &newer, "Eve", PASSWORD, 1).await, Err(NotChosen::Stale));
    assert!(people::first_link(&store, at(0)).await.unwrap().is_none(), "somebody may come in already");
    let visit = is_in(&store, &key, 2).await.unwrap();
    assert_eq!((visit.actor.name(), visit.actor.role()), ("Ida", Role::Administrator));
    assert!(is_in(&store, &Key::fresh().unwrap(), 2).await.is_none());
}

#[tokio::test]
async fn there_is_always_an_administrator_and_whoever_goes_is_out_at_once() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    first(&store).await;
    let ida = id_of(&store, "ida quill").await;
    let last = Err(Refusal::Last("Ida Quill".to_owned()));
    assert_eq!(people::change_role(&store, ida, Role::Reader).await.unwrap(), last);
    assert_eq!(people::retire(&store, ida, at(0)).await.unwrap(), last);
    assert!(matches!(
        people::add(&store, "IDA QUILL", Role::Reader, at(0)).await.unwrap(),
        Err(Refusal::Taken(_))
    ));
    let link = people::add(&store, "Ada", Role::Operator, at(0)).await.unwrap().unwrap();
    let key = choose(&store, &link, "", PASSWORD, 0).await.unwrap();
    let ada = id_of(&store, "Ada").await;
    people::change_role(&store, ada, Role::Administrator).await.unwrap().unwrap();
    assert_eq!(is_in(&store, &key, 1).await.unwrap().actor.role(), Role::Administrator);
    let token = own::OwnAct::MakeToken { name: "Sheet".to_owned(), role: Role::Administrator, days: 30 };
    let token = own::act(&store, (ada, Role::Operator), &token, at(0)).await.unwrap().unwrap();
    let program = access::program(&store, &token, after(5)).await.unwrap().unwrap();
    assert_eq!((program.name(), program.role()), ("Ada, Sheet", Role::Operator));
    assert!(access::program(&store, &token, after(31 * 86_400)).await.unwrap().is_none());
    people::retire(&store, ada, at(0)).await.unwrap().unwrap();
    assert!(is_in(&store, &key, 1).await.is_none());
    assert!(access::program(&store, &token, after(5)).await.unwrap().is_none());
    assert_eq!(enter(&store, "Ada", PASSWORD, 2).await, Err(NoEntry::Wrong));
    assert_eq!(people::retire(&store, ada, at(0)).await.unwrap(), Err(Refusal::Nobody));
}

#[tokio::test]
async fn whoever_the_server_in_front_names_is_in_as_long_as_they_may_be() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    first(&store).await;
    people::add(&store, "Ada", Role::Reader, at(0)).await.unwrap().unwrap();
    let lasting = (Limits::USUAL, after(1));
    let (door, store) = (Door::default(), &store);
    let by_front = |name: &'static str| access::enter_by_front(store, name, &door, lasting);
    let key = by_front("ADA").await.unwrap().expect("she needs no password here");
    let visit = is_in(store, &key, 2).await.unwrap();
    assert_eq!((visit.actor.name(), visit.actor.role()), ("Ada", Role::Reader));
    assert!(visit.actor.form_key().is_some(), "forms are hers like any other's");
    assert!(by_front("Nobody").await.unwrap().is_none());
    for _ in 0..70 {
        by_front("Ada").await.unwrap();
    }
    let visits: i64 = sqlx::query_scalar("select count(*) from session where person_id = $1")
        .bind(id_of(store, "Ada").await.0)
        .fetch_one(store.pool())
        .await
        .unwrap();
    assert_eq!(visits, 64, "a client that keeps no cookie leaves no more than these");
    let key = by_front("Ada").await.unwrap().unwrap();
    people::retire(store, id_of(store, "Ada").await, at(0)).await.unwrap().unwrap();
    assert!(by_front("Ada").await.unwrap().is_none());
    assert!(is_in(store, &key, 3).await.is_none());
}

#[tokio::test]
async fn a_visit_ends_idle_or_old_and_carries_something_new_now_and_then() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let key = first(&store).await;
    let (hour, day) = (3600, 86_400);
    assert!(is_in(&store, &key, hour - 1).await.unwrap().next.is_none());
    let next = is_in(&store, &key, hour).await.unwrap().next.unwrap();
    // Requests that were under way still carry the old one, for a minute.
    assert!(is_in(&store, &key, hour + 30).await.is_some_and(|visit| visit.next.is_none()));
    assert!(is_in(&store, &key, hour + 60).await.is_none());
    assert!(is_in(&store, &next, hour + 60).await.is_some());
    assert!(is_in(&store, &next, hour + 12 * 3600).await.is_some());
    // Seen just now; twelve hours later it is idle.
    assert!(is_in(&store, &next, hour + 24 * 3600 + 1).await.is_none());
    let mut key = enter(&store, "Ida Quill", PASSWORD, day).await.unwrap();
    for hours in (0..7 * 24 - 1).step_by(6) {
        let visit = is_in(&store, &key, day + hours * 3600 + 1).await;
        key = visit.unwrap_or_else(|| panic!("after {hours} h")).next.unwrap_or(key);
    }
    assert!(is_in(&store, &key, 8 * day).await.is_none(), "however busy it was");
    // Another password ends every visit but the one that chose it.
    let (here, there) = (
        enter(&store, "Ida Quill", PASSWORD, 0).await.unwrap(),
        enter(&store, "Ida Quill", PASSWORD, 0).await.unwrap(),
    );
    let visit = is_in(&store, &here, 1).await.unwrap();
    let ida = (visit.actor.id().unwrap(), "Ida Quill");
    let wrong = access::change_password(&store, ida, visit.session, (Password::typed("x"), PASSWORD));
    assert_eq!(wrong.await.unwrap(), Err(NotChosen::Old));
    let other = "a cask and four ink wells";
    let change = access::change_password(&store, ida, visit.session, (Password::typed(PASSWORD), other));
    change.await.unwrap().unwrap();
    assert!(is_in(&store, &here, 2).await.is_some() && is_in(&store, &there, 2).await.is_none());
    assert_eq!(enter(&store, "Ida Quill", PASSWORD, 3).await, Err(NoEntry::Wrong));
}

#[tokio::test]
async fn guessing_gets_slow_for_known_and_unknown_names_alike() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    first(&store).await;
    for name in ["Ida Quill", "Nobody"] {
        for _ in 0..Tries::FREE_UNDER_A_NAME {
            assert_eq!(enter(&store, name, "guess", 0).await, Err(NoEntry::Wrong), "{name}");
        }
        let slow = Err(NoEntry::Slow(SignedDuration::from_secs(1)));
        assert_eq!(enter(&store, name, "guess", 0).await, slow, "{name}");
    }
    // Even the right one has to wait; then it forgives the name.
    assert!(matches!(enter(&store, "ida quill", PASSWORD, 0).await, Err(NoEntry::Slow(_))));
    assert!(enter(&store, "ida quill", PASSWORD, 1).await.is_ok());
    assert_eq!(enter(&store, "Ida Quill", "guess", 1).await, Err(NoEntry::Wrong));
    // From one address, whatever the names.
    let door = Door { address: Some("192.0.2.7".parse().unwrap()), agent: String::new() };
    let mut slow = false;
    for n in 0..=Tries::FREE_FROM_AN_ADDRESS {
        let said = (format!("Guess {n}"), Password::typed("guess"));
        let lasting = (Limits::USUAL, after(10));
        let answer = access::enter(&store, (&said.0, said.1), &door, lasting).await.unwrap();
        slow = matches!(answer, Err(NoEntry::Slow(_)));
    }
    assert!(slow);
    assert!(enter(&store, "Ida Quill", PASSWORD, 10).await.is_ok(), "from elsewhere it is not");
}

#[tokio::test]
async fn what_a_person_changes_is_written_down_without_secrets() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    first(&store).await;
    let community = |text: &str| CredentialRow {
        version: "v2c".to_owned(),
        community: Some(text.to_owned()),
        ..CredentialRow::default()
    };
    let none = store.changes(None, 100).await.unwrap().len();
    store.add_credential("Of the service", &community("hush-one")).await.unwrap();
    assert_eq!(
        store.changes(None, 100).await.unwrap().len(),
        none,
        "what the service does is no person's change"
    );
    let ida = Actor::person(PersonId(1), "Ida Quill", Role::Administrator);
    acting(ida, async {
        let id = store.add_credential("Loft", &community("hush-two")).await.unwrap();
        store.change_credential(id, "Loft", &community("hush-three")).await.unwrap();
        store.change_credential(id, "Attic", &community("hush-three")).await.unwrap();
        assert!(store.remove_credential(id).await.unwrap());
    })
    .await;
    let changes = store.changes(None, 100).await.unwrap();
    let told: Vec<String> = changes[..4]
        .iter()
        .map(|c| format!("{} {} {} {}: {:?} -> {:?}", c.who, c.what, c.subject, c.key, c.was, c.became))
        .collect();
    assert!(told.iter().all(|line| line.starts_with("Ida Quill ")), "{told:#?}");
    assert!(
        told[3].contains("added credential Loft") && told[0].contains("removed credential Attic"),
        "{told:#?}"
    );
    assert!(told[2].contains("\"hidden\"") && told[2].contains("hidden, another"), "{told:#?}");
    assert!(
        told[1].contains("Loft") && told[1].contains("Attic") && !told[1].contains("hidden"),
        "{told:#?}"
    );
    assert!(!format!("{changes:?}").contains("hush"), "{changes:#?}");
    assert!(!format!("{changes:?}").contains("argon2"), "{changes:#?}");
    // It stays on record, whoever asks.
    let refused = sqlx::query("delete from change").execute(store.pool()).await.unwrap_err();
    assert!(refused.to_string().contains("stays on record"), "{refused}");
    // Whoever comes with another client is named by the database.
    let mut other = database.options().application_name("by hand").connect().await.unwrap();
    let by_hand = "update credential set name = 'By hand' where name = 'Of the service'";
    sqlx::query(by_hand).execute(&mut other).await.unwrap();
    assert!(store.changes(None, 1).await.unwrap()[0].who.ends_with("(in the database)"));
}

#[tokio::test(flavor = "multi_thread")]
async fn people_are_let_in_and_out_by_command() {
    let database = TestDatabase::new().await;
    let dir = tempfile::tempdir().unwrap();
    let run = |words: &[&str]| {
        let mut command = ullage(dir.path());
        command.arg("people").args(words).args(["--database-url", &database.url()]).env("USER", "ida");
        let output = finish(&mut command);
        let text = [&output.stdout[..], &output.stderr[..]].concat();
        let text = String::from_utf8(text).unwrap();
        // A key is another each time.
        let key = text.lines().find_map(|line| line.split("/link/").nth(1)).map(str::to_owned);
        let text = key.map_or(text.clone(), |key| text.replace(&key, "KEY"));
        format!("$ ullage people {}\nstatus {}\n{text}", words.join(" "), output.status.code().unwrap())
    };
    let told = [
        run(&["list"]),
        run(&["add", "Ada", "--role", "reader"]),
        run(&["add", "Ida Quill", "--role", "administrator"]),
        run(&["add", "ida quill", "--role", "reader"]),
        run(&["add", "Ada", "--role", "owner"]),
        run(&["add", "Ada", "--role", "reader"]),
        run(&["role", "ada", "operator"]),
        run(&["link", "Ada"]),
        run(&["link", "Nobody"]),
        run(&["list"]),
        run(&["retire", "Ada"]),
        run(&["retire", "Ida Quill"]),
    ];
    insta::assert_snapshot!(told.join("\n"));
    let store = database.store().await;
    assert!(store.changes(None, 1).await.unwrap()[0].who == "ida at the command line");
}

/// A change outside [`Store::begin`] would be written down under nobody's name.
#[tokio::test]
async fn what_people_change_is_changed_where_it_is_known_who_acts() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let tables: Vec<String> =
        sqlx::query_scalar("select tgrelid::regclass::text from pg_trigger where tgname = 'kept'")
            .fetch_all(store.pool())
            .await
            .unwrap();
    assert!(tables.len() >= 17, "{tables:?}");
    let mut seen = 0;
    for file in std::fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/src/store")).unwrap() {
        let path = file.unwrap().path();
        let Ok(source) = std::fs::read_to_string(&path) else { continue };
        for statement in source.split("sqlx::query").skip(1) {
            let statement = statement.split("pub async fn").next().unwrap();
            let touches = |table: &String| {
                ["insert into", "update", "delete from"]
                    .iter()
                    .any(|verb| statement.contains(&format!("\"{verb} {table} ")))
            };
            // When a device was polled or a token used is no change of a person's.
            let own = ["last_poll_at", "used_at"].iter().any(|column| statement.contains(column));
            if tables.iter().any(touches) && !own {
                seen += 1;
                assert!(!statement.contains("&self.pool"), "{}: {statement}", path.display());
            }
        }
    }
    assert!(seen > 10, "{seen}");
}
