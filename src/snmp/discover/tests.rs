use std::collections::BTreeMap;

use super::super::printer_mib::HR_DEVICE_PRINTER;
use super::super::testing::{Act, Agent};
use super::super::value::Value;
use super::*;

fn options(communities: &[&str]) -> Search {
    Search {
        credentials: communities.iter().map(|word| Arc::new(Credential::v2c(word).unwrap())).collect(),
        rate: 1000,
        timeout: Duration::from_millis(200),
        retries: 1,
    }
}

async fn find(addresses: &[SocketAddr], options: &Search) -> BTreeMap<SocketAddr, Outcome> {
    let mut found = BTreeMap::new();
    let told = |one: Told| assert!(found.insert(one.address, one.outcome).is_none(), "told once");
    search(addresses.to_vec(), options, &CancellationToken::new(), told).await.unwrap();
    found
}

fn heard(outcome: &Outcome) -> &Heard {
    match outcome {
        Outcome::Heard(heard) => heard,
        other => panic!("{other:?}"),
    }
}

fn text(words: &str) -> Value {
    Value::OctetString(words.as_bytes().into())
}

/// A machine with the system group and so many processors in its device table.
fn server(processors: u32) -> BTreeMap<Oid, Value> {
    let mut table = BTreeMap::from([
        (SYSTEM.child(&[1, 0]), text("Box office till")),
        (SYSTEM.child(&[5, 0]), text("till")),
        (SYSTEM.child(&[6, 0]), text("Foyer")),
    ]);
    let processor = Oid::constant(&[1, 3, 6, 1, 2, 1, 25, 3, 1, 3]);
    table.extend((1..=processors).map(|n| (HR_DEVICE.child(&[2, n]), Value::ObjectId(processor.clone()))));
    table
}

/// The same with a printer as its last device.
fn with_printer(processors: u32) -> BTreeMap<Oid, Value> {
    let (mut table, index) = (server(processors), processors + 1);
    table.insert(HR_DEVICE.child(&[2, index]), Value::ObjectId(HR_DEVICE_PRINTER.clone()));
    table.insert(HR_DEVICE.child(&[3, index]), text("Wide-format ink printer"));
    table.insert(GENERAL.child(&[16, index]), text("Bobbin"));
    table.insert(GENERAL.child(&[17, index]), text("VO-0001-BOB"));
    table
}

#[tokio::test]
async fn printers_are_told_from_the_rest() {
    let first = Agent::with_table(with_printer(0), 1472).await;
    // A printer may stand behind many other devices of its agent.
    let late = Agent::with_table(with_printer(40), 484).await;
    let till = Agent::with_table(server(3), 1472).await;
    let mute = Agent::start(|_| Vec::new()).await;
    let found = find(&[first.address, late.address, till.address, mute.address], &options(&["loft"])).await;
    for agent in [&first, &late] {
        let heard = heard(&found[&agent.address]);
        assert!(heard.is_printer);
        assert_eq!(heard.identity.printer_name.as_deref(), Some("Bobbin"));
        assert_eq!(heard.identity.serial.as_deref(), Some("VO-0001-BOB"));
        assert_eq!(heard.identity.model.as_deref(), Some("Wide-format ink printer"));
        assert_eq!(heard.identity.location.as_deref(), Some("Foyer"));
    }
    let other = heard(&found[&till.address]);
    assert_eq!((other.is_printer, other.identity.system_name.as_deref()), (false, Some("till")));
    assert!(matches!(found[&mute.address], Outcome::Silent));
    assert_eq!(mute.seen().len(), 2, "asked once more, and then left alone");
    assert_eq!(first.seen().len(), 2, "two questions are enough for a printer");
}

#[tokio::test]
async fn a_printer_without_a_device_table_is_one() {
    let mut table = server(0);
    table.insert(GENERAL.child(&[1, 4]), Value::Counter32(7));
    table.insert(GENERAL.child(&[16, 4]), text("Thimble"));
    let agent = Agent::with_table(table, 1472).await;
    let found = find(&[agent.address], &options(&["loft"])).await;
    let heard = heard(&found[&agent.address]);
    assert_eq!((heard.is_printer, heard.identity.printer_name.as_deref()), (true, Some("Thimble")));
}

#[tokio::test]
async fn communities_are_tried_in_turn_and_version_1_is_understood() {
    let table = with_printer(2);
    let agent = Agent::start(move |asked| match (&asked.community[..], asked.version) {
        (b"backstage", Version::V1) => {
            vec![Act::Send(super::super::testing::from_table(&table, 1472, asked))]
        }
        _ => Vec::new(),
    })
    .await;
    let mut options = options(&["public", "loft"]);
    options.credentials.push(Arc::new(Credential::v1("backstage").unwrap()));
    options.retries = 0;
    let found = find(&[agent.address], &options).await;
    let heard = heard(&found[&agent.address]);
    assert_eq!((heard.credential, heard.is_printer), (2, true));
    let tried: Vec<_> = agent.seen().iter().take(3).map(|asked| asked.community.clone()).collect();
    assert_eq!(tried, [&b"public"[..], b"loft", b"backstage"]);
}

#[tokio::test]
async fn a_device_that_goes_in_circles_or_fails_is_left_alone() {
    let circle = Agent::start(|asked| {
        let value = Value::ObjectId(Oid::constant(&[1, 3, 6, 1, 2, 1, 25, 3, 1, 3]));
        let row = |name: &Oid| match name.starts_with(&HR_DEVICE) {
            true => Varbind { oid: HR_DEVICE.child(&[2, 1]), value: value.clone() },
            false => Varbind { oid: name.clone(), value: Value::EndOfMibView },
        };
        vec![Act::Send(asked.answer(&asked.oids.iter().map(row).collect::<Vec<_>>()))]
    })
    .await;
    let broken = Agent::start(|asked| vec![Act::Send(asked.fail(5, 0, &asked.echo()))]).await;
    let found = find(&[circle.address, broken.address], &options(&["loft"])).await;
    for agent in [circle, broken] {
        assert!(!heard(&found[&agent.address]).is_printer);
        assert!(agent.seen().len() < 20, "{} questions", agent.seen().len());
    }
}

#[tokio::test]
async fn a_search_that_is_stopped_ends_at_once() {
    let stop = CancellationToken::new();
    let mute = Agent::start(|_| Vec::new()).await;
    let agent = Agent::with_table(with_printer(0), 1472).await;
    let mut options = options(&["loft"]);
    options.timeout = Duration::from_secs(3600);
    let mut told = Vec::new();
    let found = |one: Told| {
        told.push(one.address);
        stop.cancel();
    };
    search([mute.address, agent.address], &options, &stop, found).await.unwrap();
    assert_eq!(told, [agent.address]);
}

#[test]
fn datagrams_go_out_no_faster_than_the_rate() {
    let start = Instant::now();
    let pacer = Pacer::new(50, start);
    let goes = |at: Instant, datagrams| pacer.reserve(at, datagrams).duration_since(start).as_millis();
    assert_eq!([0, 20, 40].map(|_| goes(start, 1)), [0, 20, 40]);
    assert_eq!((goes(start, 3), goes(start, 1)), (60, 120), "three count for three");
    // Nobody saves up for later.
    let later = start + Duration::from_secs(10);
    assert_eq!([10_000, 10_020].map(|_| goes(later, 1)), [10_000, 10_020]);
}
