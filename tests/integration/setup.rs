//! Devices by the file, and what the set-up pages change.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::fmt::Write;
use std::net::SocketAddr;
use std::time::Duration;

use ullage::app::{Running, Service};
use ullage::clock::Clock;
use ullage::config::PollSettings;

use crate::discover::foyer;
use crate::pages::serve;
use crate::support::database::TestDatabase;
use crate::support::http::{get, post};
use crate::support::loft::{config, moment};
use crate::support::program::said;
use crate::support::program::{finish, ullage};
use crate::support::wait_until;

#[tokio::test]
async fn a_file_of_devices_is_taken_whole_or_not_at_all() {
    let dir = tempfile::tempdir().unwrap();
    let database = TestDatabase::new().await;
    let file = |name: &str, text: &str| std::fs::write(dir.path().join(name), text).unwrap();
    file(
        "room.csv",
        "address,name,cost_centre,poll_every,version,community,user,auth_password\n\
         10.0.0.7,Bobbin,Backdrops,5m,,backstage,,\n10.0.0.8,Thimble,,,,,,\n10.0.0.9:1161,,,,v3,,loft,velvet-curtain\n",
    );
    file(
        "wrong.csv",
        "address,name,credential,user,auth_password\n10.0.0.7,Thimble,,,\n10.0.0.10,,Loft,,\n10.0.0.11,Weft,,,\n\
         10.0.0.11,Weft,,loft,short\n",
    );
    file(
        "changed.csv",
        "address,name,poll_every,credential\n10.0.0.7,Bobbin,1h,\n10.0.0.8,Thimble,,Version 2c (2)\n10.0.0.12,=Weft,,\n",
    );
    file("empty.csv", "");
    let mut all = String::new();
    let commands: [&[&str]; 9] = [
        &["import", "room.csv", "--dry-run"],
        &["export"],
        &["import", "room.csv"],
        &["import", "wrong.csv"],
        &["import", "changed.csv"],
        &["import", "empty.csv"],
        &["import", "missing.csv"],
        &["export", "--out", "out.csv"],
        &["import", "out.csv"],
    ];
    for words in commands {
        let output =
            finish(ullage(dir.path()).arg("devices").args(words).env("DATABASE_URL", database.url()));
        writeln!(all, "$ ullage devices {}\n{}", words.join(" "), said(&output, &[])).unwrap();
    }
    let exported = std::fs::read_to_string(dir.path().join("out.csv")).unwrap();
    assert!(!exported.contains("backstage") && !exported.contains("velvet"), "{exported}");
    write!(all, "out.csv\n{}", exported.replace("\r\n", "\n")).unwrap();
    insta::assert_snapshot!(all);
}

/// The number behind a hidden field or in a link.
fn number(body: &str, before: &str) -> String {
    let rest = body.split_once(before).unwrap_or_else(|| panic!("no {before}: {body}")).1;
    rest.chars().take_while(char::is_ascii_digit).collect()
}

fn encoded(address: SocketAddr) -> String {
    address.to_string().replace(':', "%3A")
}

#[expect(clippy::too_many_lines, reason = "one journey, from the address to the end")]
#[tokio::test(flavor = "multi_thread")]
async fn a_machine_is_tried_watched_changed_and_retired_on_the_pages() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let service = Service::new(store.clone(), Clock::scaled(moment("2026-10-20T10:00"), 60.0), &config());
    let agents = foyer().await;
    let [bobbin, thimble, till, tassel] = agents.addresses() else { panic!("four machines") };
    let (site, mut running) = serve(&service).await;
    let patience = PollSettings {
        every: Duration::from_secs(900),
        timeout: Duration::from_secs(5),
        retries: 0,
        in_flight: 4,
    };
    running.start_poller(&service, &patience, None).unwrap();

    let try_it = |at: &SocketAddr, how: &str| {
        post(site, "/setup/devices/try", &format!("address={}&{how}", encoded(*at)))
    };
    let other = try_it(till, "credential=v2c");
    assert!(other.status == 422 && other.body.contains("Box office till"), "{}", other.body);
    let tried = try_it(bobbin, "credential=v2c&community=loft");
    assert_eq!(tried.status, 200, "{}", tried.body);
    for said in ["Wide-format aqueous ink printer, 64 inch", "VO-0001-BOB", "Cyan: about", "value=\"Bobbin\""]
    {
        assert!(tried.body.contains(said), "{said}: {}", tried.body);
    }
    assert!(!tried.body.contains("value=\"loft\""), "the community is not on the page");
    assert!(store.devices(None).await.unwrap().is_empty(), "nothing is kept by a trial");
    let trial = number(&tried.body, "name=\"trial\" value=\"");
    let wrong = post(site, "/setup/devices/add", &format!("trial={trial}&name=&poll_every=soon"));
    assert!(wrong.status == 422 && wrong.body.contains("Fill this in."), "{}", wrong.body);
    let added = post(
        site,
        "/setup/devices/add",
        &format!("trial={trial}&name=Bobbin&cost_centre=Backdrops&poll_every=5m"),
    );
    assert_eq!(added.status, 303, "{}", added.body);
    let answered = || async { store.devices(None).await.unwrap().pop()?.last_answer_at };
    wait_until("the running poller takes it up", answered).await;
    assert!(try_it(bobbin, "credential=v2c&community=loft").body.contains("watched already, as Bobbin"));

    // A user of version 3 is set up first, and then chosen.
    let user = "name=Loft&version=v3&user=loft&auth_protocol=sha256&auth_password=velvet-curtain\
                &privacy_protocol=aes128&privacy_password=footlight-row";
    assert_eq!(post(site, "/setup/credentials", user).status, 303);
    assert_eq!(post(site, "/setup/credentials", user).status, 422, "the name is taken");
    let page = get(site, "/setup/credentials").body;
    assert!(page.contains("signed by sha256, encrypted by aes128, no machine is asked by it"), "{page}");
    let loft = store.credentials().await.unwrap().into_iter().find(|one| one.name == "Loft").unwrap().id;
    let secure = try_it(tassel, &format!("credential={loft}"));
    let trial = number(&secure.body, "name=\"trial\" value=\"");
    assert_eq!(
        post(site, "/setup/devices/add", &format!("trial={trial}&name=Tassel&poll_every=15m")).status,
        303
    );
    // Passwords that are left blank stay.
    let same = "name=Loft&version=v3&user=loft&auth_protocol=sha256&privacy_protocol=aes128";
    assert_eq!(post(site, &format!("/setup/credentials/{loft}"), same).status, 303);
    let kept = store.credential(loft).await.unwrap().unwrap();
    assert_eq!(kept.auth.unwrap().1, "velvet-curtain");
    assert_eq!(post(site, &format!("/setup/credentials/{loft}/remove"), "").status, 422, "it is in use");

    let id = store.devices(None).await.unwrap().into_iter().find(|row| row.name == "Bobbin").unwrap().id;
    let path = format!("/setup/devices/{id}");
    let credential = store.asked_with().await.unwrap()[&id].0;
    let change = |name: &str, at: &SocketAddr| {
        let form = format!(
            "name={name}&cost_centre=&poll_every=1h&address={}&credential={credential}",
            encoded(*at)
        );
        post(site, &path, &form)
    };
    let taken = change("Tassel", bobbin);
    assert!(taken.status == 422 && taken.body.contains("already watched"), "{}", taken.body);
    assert_eq!(change("Spool", thimble).status, 303);
    let row = store.devices(Some(id)).await.unwrap().remove(0);
    assert_eq!(
        (row.name.as_str(), row.port, row.poll_every_s, row.cost_centre),
        ("Spool", thimble.port(), 3600, None)
    );
    assert_eq!(post(site, &format!("{path}/retire"), "").status, 303);
    assert_eq!(get(site, &path).status, 404);
    assert_eq!(agents.sets_seen(), 0, "nothing was written to a machine");
    running.drain().await;
    agents.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_search_runs_in_the_service_and_what_it_found_is_added() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let service = Service::new(store.clone(), Clock::scaled(moment("2026-10-20T10:00"), 1.0), &config());
    let agents = foyer().await;
    let thimble = agents.addresses()[1];
    let (site, running): (SocketAddr, Running) = serve(&service).await;
    let refused = post(site, "/setup/discover", "range=10.0.0.0%2F24&port=161");
    assert!(refused.status == 422 && refused.body.contains("not inside a range"), "{}", refused.body);

    // Nobody else is at that port of 127.0.1.0/24, so that the search takes a while and can be stopped.
    let port = thimble.port();
    assert_eq!(post(site, "/setup/discover", &format!("range=127.0.1.0%2F24&port={port}")).status, 303);
    let again = post(site, "/setup/discover", "range=127.0.0.1&port=161");
    assert!(again.status == 422 && again.body.contains("under way"), "{}", again.body);
    assert!(get(site, "/setup/discover").body.contains("http-equiv=\"refresh\""));
    assert_eq!(post(site, "/setup/discover/cancel", "").status, 303);
    assert!(get(site, "/setup/discover").body.contains("when it was stopped"));

    assert_eq!(post(site, "/setup/discover", &format!("range=127.0.0.1&port={port}")).status, 303);
    let page = wait_until("the search is over", || async {
        Some(get(site, "/setup/discover").body).filter(|body| body.contains("in all, 1 of 1 addresses asked"))
    })
    .await;
    assert!(page.contains("VO-0002-THI"), "{page}");
    let at = encoded(thimble);
    assert_eq!(post(site, "/setup/discover/add", "found=10.0.0.7&name-10.0.0.7=Weft").status, 422);
    assert_eq!(post(site, "/setup/discover/add", &format!("found={at}&name-{at}=Thimble")).status, 303);
    let watched = store.devices(None).await.unwrap();
    assert_eq!((watched.len(), watched[0].name.as_str(), watched[0].snmp.as_str()), (1, "Thimble", "v2c"));
    assert!(get(site, "/setup/discover").body.contains("Watched as Thimble."));
    running.drain().await;
    agents.stop().await;
}
