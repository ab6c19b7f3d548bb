//! Secrets are shown nowhere: recognisable ones are planted wherever one can stand, all that writes is made to write, and
//! what was written is searched for them.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::collections::{BTreeSet, VecDeque};
use std::fs;
use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use mock_agent::AgentServer;
use rustix::process::Signal;
use ullage::clock::Clock;
use ullage::config::{Config, Overrides};
use ullage::domain::alert::Grade;
use ullage::domain::alert::recipient::{Channel, Peace, Recipient};
use ullage::domain::ids::RecipientId;
use ullage::store::cluster::find_client;
use ullage::store::seal::{Key, KeySource};
use ullage::usecase::access::people::first_link;

use crate::support::database::keys;
use crate::support::http::{get, post};
use crate::support::loft::{Loft, moment};
use crate::support::program::{Background, finish, ullage};
use crate::support::wait_until;

/// All that is secret. No two share a beginning, so that a part of one is found too.
const COMMUNITY: &str = "quartz-community";
const TYPED: &str = "sphinx-typed-community";
const AUTH: &str = "jackdaw-auth-password";
const PRIVACY: &str = "vellum-privacy-password";
const HOOK_KEY: &str = "fjord-hook-key";
const SIGNING: &str = "waltz-signing-key";
const MAIL: &str = "nymph-mail-password";
const DATABASE: &str = "glyph-database-password";
const PERSON: &str = "zephyr-person-password";
const PLANTED: [&str; 9] = [COMMUNITY, TYPED, AUTH, PRIVACY, HOOK_KEY, SIGNING, MAIL, DATABASE, PERSON];

/// Fails if a text holds a secret, as it is, in hexadecimal or in base64, or a good part of one.
fn search(whence: &str, text: &[u8], secrets: &[String]) {
    use base64::Engine as _;
    use base64::engine::general_purpose::STANDARD_NO_PAD;
    let text = String::from_utf8_lossy(text);
    let lower = text.to_ascii_lowercase();
    for secret in secrets {
        let part = &secret[..secret.len().min(12)];
        let hexadecimal: String = part.bytes().map(|octet| format!("{octet:02x}")).collect();
        let base64 = STANDARD_NO_PAD.encode(part).to_ascii_lowercase();
        for needle in [part.to_ascii_lowercase(), hexadecimal, base64] {
            if let Some(at) = lower.find(&needle) {
                let from = lower.floor_char_boundary(at.saturating_sub(200));
                let around = &lower[from..lower.ceil_char_boundary(at + 100)];
                panic!("{whence} shows {secret}: …{around}…");
            }
        }
    }
}

/// A web server that counts calls and takes none.
fn refusing() -> (SocketAddr, Arc<AtomicUsize>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let (address, calls) = (listener.local_addr().unwrap(), Arc::new(AtomicUsize::new(0)));
    let counted = Arc::clone(&calls);
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let Ok(mut stream) = stream else { return };
            let mut head = [0; 2048];
            let read = stream.read(&mut head).unwrap_or(0);
            let asked = String::from_utf8_lossy(&head[..read]).into_owned();
            assert!(asked.contains(HOOK_KEY), "the call goes where it is meant to: {asked}");
            counted.fetch_add(1, Ordering::Relaxed);
            let _ = stream.write_all(b"HTTP/1.1 500 No\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
        }
    });
    (address, calls)
}

/// Every page that can be come to from the first, with what it says.
fn pages(address: SocketAddr, look: impl Fn(&str, &str)) -> usize {
    let first = ["/", "/setup", "/metrics", "/healthz", "/readyz", "/api/v1/openapi.json", "/setup/changes"];
    let api = ["devices", "supplies", "tasks", "alerts", "shelf", "orders", "months"];
    let api = api.iter().map(|view| format!("/api/v1/{view}"));
    let mut next: VecDeque<String> = first.iter().map(|path| (*path).to_owned()).chain(api).collect();
    let mut seen: BTreeSet<String> = next.iter().cloned().collect();
    let mut asked = 0;
    while let Some(path) = next.pop_front() {
        let page = get(address, &path);
        asked += 1;
        look(&path, &format!("{}\n{}", page.head, page.body));
        for href in page.body.split("href=\"").skip(1).filter_map(|rest| rest.split('"').next()) {
            let href = href.split('#').next().unwrap_or_default().replace("&amp;", "&").replace("&#38;", "&");
            let is_file = [".pdf", ".xlsx"].iter().any(|end| href.ends_with(end));
            if href.starts_with('/')
                && !href.starts_with("//")
                && !is_file
                && seen.len() < 250
                && seen.insert(href.clone())
            {
                next.push_back(href);
            }
        }
    }
    asked
}

async fn planted() -> (Loft, AgentServer, String) {
    let loft = Loft::open_with(moment("2026-11-20T10:00"), 1, 1.0, |scenario| {
        for printer in &mut scenario.printers {
            COMMUNITY.clone_into(&mut printer.snmp.community);
            if let Some(user) = &mut printer.snmp.user {
                AUTH.clone_into(&mut user.auth_password);
                PRIVACY.clone_into(&mut user.privacy_password);
            }
        }
    })
    .await;
    let agents = loft.demo.go_live(&loft.service.store, &loft.service.clock).await.unwrap();
    let url = loft.database.url();
    let url = format!("{url}{}password={DATABASE}", if url.contains('?') { '&' } else { '?' });
    (loft, agents, url)
}

async fn somebody(loft: &Loft, channel: Channel, address: String) {
    let recipient = Recipient {
        id: RecipientId(0),
        name: format!("By {}", channel.word()),
        channel,
        address,
        least: Grade::Other,
        peace: Peace::default(),
        wants_cleared: true,
        routes: Vec::new(),
    };
    loft.service.store.add_recipient(&recipient, loft.opened).await.unwrap();
}

/// The settings, with secrets in them; the key of the store comes in the environment.
fn settings(dir: &Path) -> String {
    let text = format!(
        "[mail]\nserver = \"127.0.0.1:9\"\nfrom = \"ullage@loft.example\"\nuser = \"loft\"\npassword = \"{MAIL}\"\n\
         [webhook]\nsecret = \"{SIGNING}\"\nallow_private = true\n[poll]\nspool_dir = \"spool\"\n"
    );
    fs::write(dir.join("ullage.toml"), &text).unwrap();
    text
}

#[tokio::test(flavor = "multi_thread")]
async fn no_secret_is_in_a_log_a_page_an_answer_a_dump_an_output_or_a_panic() {
    let (loft, _agents, url) = planted().await;
    let (hook, calls) = refusing();
    somebody(&loft, Channel::Webhook, format!("http://{hook}/hook?key={HOOK_KEY}")).await;
    somebody(&loft, Channel::Mail, "ada@loft.example".to_owned()).await;
    let KeySource::Given(ring) = keys() else { panic!("the key is given") };
    let mut secrets: Vec<String> = PLANTED.iter().map(|secret| (*secret).to_owned()).collect();
    secrets.push(ring.first().digits().to_string());

    let dir = tempfile::tempdir().unwrap();
    let text = settings(dir.path());
    let log = dir.path().join("log");
    let mut command = ullage(dir.path());
    command.args(["serve", "--listen", "127.0.0.1:0"]).env("DATABASE_URL", &url).env("ULLAGE_LOG", "trace");
    let mut service = Background::start_saying_to(&mut command, fs::File::create(&log).unwrap());
    let (address, _) = service.address();
    let store = &loft.service.store;
    wait_until("every machine answers, by each version", || async {
        let rows = store.devices(None).await.unwrap();
        rows.iter().all(|row| row.last_answer_at.is_some()).then_some(())
    })
    .await;
    wait_until("a call is tried", || async { (calls.load(Ordering::Relaxed) > 0).then_some(()) }).await;
    wait_until("a mail is tried", || async {
        let messages = store.messages(99).await.unwrap();
        messages.iter().any(|one| one.channel == Channel::Mail && one.fault.is_some()).then_some(())
    })
    .await;

    refused_forms(address, &secrets);
    let asked = pages(address, |path, said| search(path, said.as_bytes(), &secrets));
    assert!(asked > 60, "{asked} pages");

    panics(&text, &url, &loft, &secrets).await;

    let new = Key::fresh().unwrap();
    secrets.push(new.digits().to_string());
    commands(dir.path(), &url, (ring.first(), &new), &secrets);
    let (status, _) = service.end(Signal::TERM);
    assert!(status.success(), "{status}");
    let said = fs::read(&log).unwrap();
    assert!(said.len() > 100_000, "it says much: {} octets", said.len());
    search("the log", &said, &secrets);
    enter(&loft, dir.path(), &url, &secrets).await;

    dump(&url, &secrets);
}

/// Forms with secrets in them, taken and refused.
fn refused_forms(address: SocketAddr, secrets: &[String]) {
    let form = format!("name=Typed&version=v2c&community={TYPED}");
    assert_eq!(post(address, "/setup/credentials", &form).status, 303);
    let refused = post(address, "/setup/credentials", &form);
    assert_eq!(refused.status, 422, "the name is taken: {}", refused.body);
    search("a refused form", refused.body.as_bytes(), secrets);
    let form = format!(
        "name=Typed+2&version=v3&user=loft&auth_protocol=none&auth_password={AUTH}&privacy_protocol=aes128&privacy_password={PRIVACY}"
    );
    search("a refused form", post(address, "/setup/credentials", &form).body.as_bytes(), secrets);
}

/// Every command that prints what is known, and one that changes the key.
fn commands(dir: &Path, url: &str, (old, new): (&Key, &Key), secrets: &[String]) {
    let run = |words: &[&str], keys: &str| {
        let mut command = ullage(dir);
        command.args(words).env("DATABASE_URL", url).env("ULLAGE_LOG", "trace").env("ULLAGE_STORE_KEY", keys);
        let output = finish(&mut command);
        let said = [output.stdout, output.stderr].concat();
        search(&words.join(" "), &said, secrets);
        assert!(!said.is_empty(), "{words:?}");
    };
    for words in [
        &["check"][..],
        &["devices", "list"],
        &["devices", "export"],
        &["devices", "add", "127.0.0.1:1", "--name", "Loom", "--community", TYPED],
        &["people", "list"],
        &["slots", "list"],
        &["swaps", "--json"],
        &["advice", "--json"],
        &["report", "2026-11"],
        &["notify-test", "mail", "ada@loft.example"],
        &["notify-test", "webhook", "http://127.0.0.1:9/"],
        &["secrets", "show"],
        &["secrets", "rotate"],
    ] {
        run(words, &old.digits());
    }
    let both = format!("{},{}", *new.digits(), *old.digits());
    run(&["secrets", "rotate"], &both);
    run(&["secrets", "show"], &both);
    // Without the key, what is missing is told, and what is sealed is not.
    run(&["check"], &Key::fresh().unwrap().digits());
}

/// Somebody comes in by the link that the service prints, and works with what the browser is given.
async fn enter(loft: &Loft, dir: &Path, url: &str, secrets: &[String]) {
    let log = dir.join("log-of-the-door");
    let mut command = ullage(dir);
    let other = Key::fresh().unwrap();
    command.args(["serve", "--listen", "127.0.0.1:0"]).env("DATABASE_URL", url).env("ULLAGE_LOG", "trace");
    command.env("ULLAGE_STORE_KEY", other.digits().as_str());
    let mut service = Background::start_saying_to(&mut command, fs::File::create(&log).unwrap());
    let (address, _) = service.address();
    // It has printed a link of its own; the newest counts.
    let link = first_link(&loft.service.store, Clock::system().now()).await.unwrap().unwrap();
    // Every machine is due at once.
    let due = "update device set last_poll_at = null";
    sqlx::query(due).execute(loft.service.store.pool()).await.unwrap();
    wait_until("a machine's poll says which key is missing", || async {
        let rows = loft.service.store.devices(None).await.unwrap();
        rows.iter()
            .any(|row| row.fault.as_ref().is_some_and(|fault| fault.contains("rotate --lost")))
            .then_some(())
    })
    .await;
    let form = format!("name=Ida+Quill&password={PERSON}&again={PERSON}");
    let inside = post(address, &format!("/link/{}", link.letters()), &form);
    assert_eq!(inside.status, 303, "people come in although the key is missing: {}", inside.body);
    let cookie =
        inside.head.split("ullage_visit=").nth(1).and_then(|rest| rest.split(';').next()).unwrap().to_owned();
    service.end(Signal::TERM);
    let said = fs::read(&log).unwrap();
    search("the log of the door", &said, secrets);
    let said = String::from_utf8_lossy(&said).to_lowercase();
    assert!(!said.contains(&cookie) && cookie.len() > 40, "the log shows what lets somebody in: {cookie}");
    // Where the key is not at hand, that is said once, with its identity.
    assert!(said.contains("is not among those of store.key"), "{said}");
}

/// The whole database as text.
fn dump(url: &str, secrets: &[String]) {
    let program = find_client("pg_dump", 15, None).unwrap();
    // What only our own client knows of an address, others refuse.
    let url = url.replace("statement-cache-capacity=100&", "");
    let output = Command::new(program).arg("--inserts").arg("--dbname").arg(url).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(text.contains("INSERT INTO public.credential") && text.contains("INSERT INTO public.recipient"));
    search("the dump", &output.stdout, secrets);
}

/// What a panic would show of the values that hold secrets.
async fn panics(text: &str, url: &str, loft: &Loft, secrets: &[String]) {
    let environment = |name: &str| match name {
        "DATABASE_URL" => Some(url.to_owned()),
        "ULLAGE_STORE_KEY" => Some(secrets[PLANTED.len()].clone()),
        _ => None,
    };
    let config = Config::parse(text, &environment, &Overrides::default()).unwrap();
    let store = &loft.service.store;
    let credentials = store.credentials().await.unwrap();
    let rows = store.credential(credentials[0].id).await;
    for shown in [
        format!("{config:?}"),
        format!("{rows:?} {credentials:?}"),
        format!("{:?}", store),
        format!("{:?}", store.recipients().await.unwrap()),
        format!("{:?}", store.messages(99).await.unwrap()),
    ] {
        let caught = std::panic::catch_unwind(|| panic!("{shown}")).unwrap_err();
        search("a panic", caught.downcast_ref::<String>().unwrap().as_bytes(), secrets);
    }
}
