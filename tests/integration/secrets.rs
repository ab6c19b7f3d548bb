//! Secrets are sealed in the store: what opens them, what does not, another key in place of one, and a key that is lost.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::borrow::Cow;
use std::fs;
use std::path::{Path, PathBuf};

use sqlx::migrate::Migrator;
use sqlx::{ConnectOptions as _, Connection as _};
use ullage::actor::{Actor, acting};
use ullage::domain::alert::Grade;
use ullage::domain::alert::recipient::{Channel, Peace, Recipient};
use ullage::domain::ids::RecipientId;
use ullage::store::cluster::{Cluster, ClusterOptions, ThrowawayDir};
use ullage::store::credentials::CredentialRow;
use ullage::store::seal::{Key, KeyFault, KeySource};
use ullage::store::{MIGRATOR, Store, StoreError};

use crate::support::database::{TestDatabase, keys};
use crate::support::program::{finish, said, ullage};
use crate::support::said::{at, device};

/// The migration by which secrets are sealed.
const SEALED: i64 = 20_261_126_030_000;
const HOOK: &str = "https://books.example/hook?key=painted-forest";

fn community(text: &str) -> CredentialRow {
    CredentialRow { version: "v2c".to_owned(), community: Some(text.to_owned()), ..CredentialRow::default() }
}

fn user(auth: &str, privacy: &str) -> CredentialRow {
    CredentialRow {
        version: "v3".to_owned(),
        user_name: Some("loft".to_owned()),
        auth: Some(("sha256".to_owned(), auth.to_owned())),
        privacy: Some(("aes128".to_owned(), privacy.to_owned())),
        ..CredentialRow::default()
    }
}

fn program(name: &str) -> Recipient {
    Recipient {
        id: RecipientId(0),
        name: name.to_owned(),
        channel: Channel::Webhook,
        address: HOOK.to_owned(),
        least: Grade::Other,
        peace: Peace::default(),
        wants_cleared: true,
        routes: Vec::new(),
    }
}

/// A new database that no key has come into use in, and a store on it with keys in a file.
async fn with_file(database: &TestDatabase, path: &Path) -> Store {
    Store::open(database.options(), 5, KeySource::File(path.to_owned())).await.unwrap()
}

async fn unused() -> (TestDatabase, tempfile::TempDir, PathBuf) {
    let database = TestDatabase::new().await;
    let mut by_hand = database.options().application_name("ullage").connect().await.unwrap();
    sqlx::query("delete from seal_key").execute(&mut by_hand).await.unwrap();
    by_hand.close().await.unwrap();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("keys/secrets.key");
    (database, dir, path)
}

/// Every value of every secret column.
async fn stored(store: &Store) -> Vec<Vec<u8>> {
    sqlx::query_scalar(
        "select value from credential, unnest(array[community, auth_password, privacy_password]) value
         where value is not null
         union all select secret_address from recipient where secret_address is not null",
    )
    .fetch_all(store.pool())
    .await
    .unwrap()
}

fn keys_of(path: &Path) -> usize {
    fs::read_to_string(path).unwrap().lines().filter(|line| !line.starts_with('#')).count()
}

fn holds(octets: &[u8], text: &str) -> bool {
    octets.windows(text.len()).any(|window| window == text.as_bytes())
}

#[tokio::test]
async fn secrets_are_sealed_for_their_row_and_stay_as_they_are_when_nothing_changes() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let one = store.add_credential("Loft", &community("velvet-curtain")).await.unwrap();
    let two = store.add_credential("Attic", &user("footlight-row", "painted-forest")).await.unwrap();
    store.add_recipient(&program("Books"), at(0)).await.unwrap();
    let sealed = stored(&store).await;
    assert_eq!(sealed.len(), 4);
    for value in &sealed {
        assert_eq!(value[0], 1);
        assert!(!["velvet", "footlight", "painted", "books"].iter().any(|text| holds(value, text)));
    }
    assert_eq!(store.credential(one).await.unwrap(), Some(community("velvet-curtain")));
    assert_eq!(store.credential(two).await.unwrap(), Some(user("footlight-row", "painted-forest")));
    assert_eq!(store.recipients().await.unwrap()[0].address, "https://books.example/…");

    // What says the same is known again, although it would be sealed to something else.
    let mut work = store.begin().await.unwrap();
    assert_eq!(store.keep_credential(&mut work, &community("velvet-curtain")).await.unwrap(), one);
    let another = store.keep_credential(&mut work, &community("velvet")).await.unwrap();
    assert!(![one, two].contains(&another));
    work.rollback().await.unwrap();
    assert!(store.change_credential(two, "Attic 2", &user("footlight-row", "another-forest")).await.unwrap());
    let after = stored(&store).await;
    assert_eq!(sealed.iter().filter(|value| after.contains(value)).count(), 3, "only one was sealed anew");

    // A community that is moved to another row, as whoever may write to the database could, does not open there.
    let swap =
        "update credential set community = (select community from credential where id = $1) where id = $2";
    let other = store.add_credential("Cellar", &community("other")).await.unwrap();
    sqlx::query(swap).bind(one).bind(other).execute(store.pool()).await.unwrap();
    let fault = store.credential(other).await.unwrap_err();
    assert!(matches!(fault, StoreError::Keys(KeyFault::Broken { .. })), "{fault}");
    let to_change = store.credential_to_change(other).await.unwrap().unwrap();
    assert_eq!((to_change.version.as_str(), to_change.community), ("v2c", None));
    assert!(store.sealing().await.unwrap().trouble().unwrap().contains("community of credential 'Cellar'"));
    assert!(store.change_credential(other, "Cellar", &community("other")).await.unwrap());
    assert_eq!(store.sealing().await.unwrap().trouble(), None);

    // The database itself takes nothing in the clear.
    let clear = "update credential set community = '\\x00'::bytea || 'loft' where id = $1";
    let refused = sqlx::query(clear).bind(one).execute(store.pool()).await.unwrap_err();
    assert!(refused.to_string().contains("credential_sealed"), "{refused}");
}

/// Every octet of PostgreSQL's files but its log, which keeps what was written for a while.
fn files(dir: &Path, found: &mut Vec<u8>) {
    for entry in fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        match path.file_name().unwrap().to_str() {
            Some("pg_wal") => {}
            _ if path.is_dir() => files(&path, found),
            _ => found.extend(fs::read(&path).unwrap_or_default()),
        }
    }
}

#[tokio::test]
async fn what_stood_in_the_clear_is_sealed_at_the_next_start_and_is_in_no_file_any_more() {
    let dir = ThrowawayDir::new().unwrap();
    let binaries = std::env::var_os("ULLAGE_TEST_BINARIES").map(Into::into);
    let options =
        ClusterOptions { data_dir: dir.path().to_owned(), binaries, throwaway: true, allow_fetch: false };
    let cluster = Cluster::start(options).await.unwrap();
    let mut then = cluster.connect_options().connect().await.unwrap();
    let before: Vec<_> = MIGRATOR.iter().filter(|step| step.version < SEALED).cloned().collect();
    Migrator { migrations: Cow::Owned(before), ..Migrator::DEFAULT }.run(&mut then).await.unwrap();
    let kept = format!(
        "insert into credential (name, version, community) values ('Loft', 'v2c', 'velvet-curtain');
         insert into credential (name, version, user_name, auth_protocol, auth_password, privacy_protocol, privacy_password)
         values ('Attic', 'v3', 'loft', 'sha256', 'footlight-row', 'aes128', 'painted-forest');
         insert into recipient (name, channel, address, least_severity, wants_cleared, added_at)
         values ('Books', 'webhook', '{HOOK}', 'other', true, now()),
                ('Ada', 'mail', 'ada@loft.example', 'other', false, now());
         insert into person (name, role, added_at) values ('Ida', 'administrator', now());
         insert into session (token_hash, person_id, begun_at, seen_at, turned_at, agent, form_key)
         select sha256('a'), id, now(), now(), now(), '', convert_to('form-key-form-key-form-key-form-', 'UTF8')
         from person;
         checkpoint"
    );
    sqlx::raw_sql(sqlx::AssertSqlSafe(kept)).execute(&mut then).await.unwrap();
    then.close().await.unwrap();
    let planted = ["velvet-curtain", "footlight-row", "painted-forest", "form-key-form"];
    let on_disk = || {
        let mut octets = Vec::new();
        files(&dir.path().join("pgdata"), &mut octets);
        planted.map(|text| holds(&octets, text))
    };
    assert_eq!(on_disk(), [true; 4], "they are found where they are");

    let path = dir.path().join("secrets.key");
    let store = Store::open(cluster.connect_options(), 2, KeySource::File(path.clone())).await.unwrap();
    assert!(stored(&store).await.iter().all(|value| value[0] == 1));
    assert_eq!(store.credential(1).await.unwrap(), Some(community("velvet-curtain")));
    assert_eq!(store.credential(2).await.unwrap(), Some(user("footlight-row", "painted-forest")));
    let told: Vec<String> = store.recipients().await.unwrap().into_iter().map(|one| one.address).collect();
    assert_eq!(told, ["ada@loft.example", "https://books.example/…"]);
    let sealing = store.sealing().await.unwrap();
    assert_eq!((sealing.secrets, sealing.clear, sealing.lost.len()), (4, 0, 0));
    assert!(sealing.in_use.unwrap().place.contains("secrets.key on "));
    sqlx::query("checkpoint").execute(store.pool()).await.unwrap();
    assert_eq!(on_disk(), [false; 4]);
    store.close().await;
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn another_key_comes_into_use_beside_a_service_that_goes_on() {
    let (database, _dir, path) = unused().await;
    let service = with_file(&database, &path).await;
    let loft = service.add_credential("Loft", &community("velvet-curtain")).await.unwrap();
    service.add_recipient(&program("Books"), at(0)).await.unwrap();
    let old = fs::read_to_string(&path).unwrap();
    let before = stored(&service).await;

    let command = with_file(&database, &path).await;
    let ida = Actor::unnamed("ida at the command line");
    let rotated = acting(ida, command.rotate(false)).await.unwrap();
    assert_eq!((rotated.sealed, rotated.lost.len(), rotated.retired.len()), (2, 0, 1));
    assert!(before.iter().all(|value| !stored_now(&rotated.key.to_string(), value)));
    assert_eq!(keys_of(&path), 1);
    assert_ne!(fs::read_to_string(&path).unwrap(), old);
    // What was sealed is the same, so that only the key is written down as changed.
    let changes = command.changes(None, 9).await.unwrap();
    let told: Vec<(&str, &str)> = changes.iter().map(|c| (c.who.as_str(), c.subject.as_str())).collect();
    assert_eq!(told, [("ida at the command line", "seal_key")]);

    // The service has the old key in memory, and finds the new one.
    assert_eq!(service.credential(loft).await.unwrap(), Some(community("velvet-curtain")));
    let attic = service.add_credential("Attic", &community("footlight-row")).await.unwrap();
    let later = with_file(&database, &path).await;
    assert_eq!(later.credential(attic).await.unwrap(), Some(community("footlight-row")));
    assert!(later.sealing().await.unwrap().lost.is_empty());

    // One that seals at the same moment seals with either key in time, never with one that is gone.
    let adding = async {
        for n in 0..20 {
            service.add_credential(&format!("Loft {n}"), &community(&format!("velvet-{n}"))).await.unwrap();
        }
    };
    let rotating = async {
        for _ in 0..3 {
            command.rotate(false).await.unwrap();
        }
    };
    tokio::join!(adding, rotating);
    let last = with_file(&database, &path).await;
    let sealing = last.sealing().await.unwrap();
    assert_eq!((keys_of(&path), sealing.secrets, sealing.lost.len()), (1, 23, 0));
}

/// Whether a value is sealed with a key.
fn stored_now(key: &str, value: &[u8]) -> bool {
    let id: String = value[1..9].iter().map(|octet| format!("{octet:02x}")).collect();
    id == key
}

#[tokio::test]
async fn a_rotation_that_is_killed_anywhere_leaves_what_opens_and_is_ended_by_the_next() {
    let (database, _dir, path) = unused().await;
    let store = with_file(&database, &path).await;
    let loft = store.add_credential("Loft", &community("velvet-curtain")).await.unwrap();
    let old = store.sealing().await.unwrap().in_use.unwrap().id;

    // Killed before it commits: the new key stands first in the file, and seals nothing yet.
    let new = Key::fresh().unwrap();
    let text = fs::read_to_string(&path).unwrap();
    let digits: Vec<&str> = text.lines().filter(|line| !line.starts_with('#')).collect();
    fs::write(&path, format!("{}\n{}\n", *new.digits(), digits[0])).unwrap();
    let again = with_file(&database, &path).await;
    assert_eq!(again.credential(loft).await.unwrap(), Some(community("velvet-curtain")));
    assert_eq!(again.sealing().await.unwrap().in_use.unwrap().id, old);
    let attic = again.add_credential("Attic", &community("footlight-row")).await.unwrap();

    // Killed after it has committed: the old one is still there.
    let rotated = again.rotate(false).await.unwrap();
    assert_eq!((rotated.key, rotated.sealed, rotated.retired), (new.id(), 2, vec![old]));
    fs::write(&path, format!("{}\n{}\n", *new.digits(), digits[0])).unwrap();
    let last = with_file(&database, &path).await;
    for (id, secret) in [(loft, "velvet-curtain"), (attic, "footlight-row")] {
        assert_eq!(last.credential(id).await.unwrap(), Some(community(secret)));
    }
    let rotated = last.rotate(false).await.unwrap();
    assert_eq!((rotated.sealed, rotated.retired), (2, vec![new.id(), old]));
    assert_eq!(keys_of(&path), 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn without_its_key_a_store_says_which_one_is_missing_and_all_else_goes_on() {
    let (database, dir, path) = unused().await;
    let first = with_file(&database, &path).await;
    let weft = device(&first, "Weft").await;
    first.add_recipient(&program("Books"), at(0)).await.unwrap();
    let key = first.sealing().await.unwrap().in_use.unwrap().id;
    first.close().await;

    let elsewhere = dir.path().join("elsewhere/secrets.key");
    let store = with_file(&database, &elsewhere).await;
    assert!(!elsewhere.exists(), "no key is made for what another one sealed");
    assert_eq!(store.poll_targets().await.unwrap().len(), 1);
    assert_eq!(store.recipients().await.unwrap().len(), 1);
    let fault = store.credential_of(weft).await.unwrap_err();
    assert!(!fault.may_pass());
    let told = [fault.to_string(), store.sealing().await.unwrap().trouble().unwrap()];
    for told in &told {
        assert!(told.contains(&key.to_string()) && told.contains("elsewhere/secrets.key"), "{told}");
        assert!(told.contains("rotate --lost") && told.contains("enter"), "{told}");
    }
    assert!(told[1].contains(path.to_str().unwrap()), "it says where the key was: {}", told[1]);
    let refused = store.add_credential("Attic", &community("footlight-row")).await.unwrap_err();
    assert!(matches!(refused, StoreError::Keys(KeyFault::Missing { .. })), "{refused}");
    assert!(matches!(store.rotate(false).await, Err(StoreError::Keys(KeyFault::Missing { .. }))));

    // By command, as somebody would who has only the copy.
    let run = |words: &[&str]| {
        let mut command = ullage(dir.path());
        command.args(words).env("DATABASE_URL", database.url()).env_remove("ULLAGE_STORE_KEY");
        let output =
            finish(command.env("ULLAGE_STORE_KEY_FILE", &elsewhere).env("ULLAGE_SITE_TIME_ZONE", "UTC"));
        said(&output, &[])
    };
    let checked = run(&["check"]);
    assert!(checked.starts_with("status 1\n") && checked.contains(&key.to_string()), "{checked}");
    assert!(run(&["devices", "list"]).starts_with("status 0\n"));
    let rotated = run(&["secrets", "rotate"]);
    assert!(rotated.starts_with("status 1\n") && rotated.contains(&key.to_string()), "{rotated}");
    let rotated = run(&["secrets", "rotate", "--lost"]);
    assert!(rotated.starts_with("status 0\n") && rotated.contains("has to be entered again"), "{rotated}");
    assert_eq!(keys_of(&elsewhere), 1);
    assert!(run(&["secrets", "show"]).contains("community of credential 'Version 2c'"));

    let number = store.credentials().await.unwrap()[0].id;
    assert!(store.change_credential(number, "Loft", &community("velvet-curtain")).await.unwrap());
    assert_eq!(store.credential_of(weft).await.unwrap(), Some(community("velvet-curtain")));
    // A lost key that is found again opens what it sealed, as the second of the file.
    assert_eq!(store.sealing().await.unwrap().lost, ["web address of 'Books'"]);
    let both = [fs::read_to_string(&elsewhere).unwrap(), fs::read_to_string(&path).unwrap()].concat();
    fs::write(&elsewhere, both).unwrap();
    assert_eq!(store.sealing().await.unwrap().trouble(), None);
    assert!(run(&["check"]).starts_with("status 0\n"));
}

#[tokio::test(flavor = "multi_thread")]
async fn keys_that_are_given_are_rotated_where_they_are_given() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let loft = store.add_credential("Loft", &community("velvet-curtain")).await.unwrap();
    let refused = store.rotate(false).await.unwrap_err().to_string();
    assert!(refused.contains("NEW,OLD") && refused.contains("new-key"), "{refused}");
    let KeySource::Given(ring) = keys() else { panic!("they are given") };
    let dir = tempfile::tempdir().unwrap();
    let run = |words: &[&str], keys: &str| {
        let mut command = ullage(dir.path());
        let output =
            finish(command.args(words).env("DATABASE_URL", database.url()).env("ULLAGE_STORE_KEY", keys));
        assert!(output.status.success(), "{output:?}");
        String::from_utf8(output.stdout).unwrap()
    };
    let old = ring.first().digits();
    let new = run(&["secrets", "new-key"], &old);
    assert_eq!(new.trim().len(), 64);
    let told = run(&["secrets", "rotate"], &format!("{},{}", new.trim(), *old));
    assert!(told.contains("1 secret"), "{told}");
    assert!(run(&["secrets", "show"], new.trim()).contains("1, of which 1 open"));
    assert!(store.credential(loft).await.is_err(), "the old one alone does not open it");
}

#[tokio::test]
async fn a_key_file_that_others_may_read_is_refused() {
    use std::os::unix::fs::PermissionsExt as _;
    let (database, _dir, path) = unused().await;
    with_file(&database, &path).await.close().await;
    fs::set_permissions(&path, fs::Permissions::from_mode(0o644)).unwrap();
    let refused = Store::open(database.options(), 1, KeySource::File(path)).await.unwrap_err();
    assert!(refused.to_string().contains("chmod 600"), "{refused}");
}
