//! Reads the room of simulated printers over the wire, and compares with what each printer holds.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use mock_agent::usm::{Auth, Privacy, UserPlan};
use mock_agent::{AgentServer, Bind, Room, Scenario};

use super::credential::{AuthProtocol, Credential, PrivacyProtocol, Secret, UsmUser};
use super::oid::Oid;
use super::printer_mib::snapshot;
use super::read_printer::read_printer;
use super::transport::{Engine, EngineOptions, Target};
use super::value::{Value, Varbind};

fn credential(printer: &mock_agent::Printer) -> Credential {
    match &printer.credential {
        mock_agent::Credential::V1 { community } => Credential::v1(community),
        mock_agent::Credential::V2c { community } => Credential::v2c(community),
        mock_agent::Credential::V3(plan) => user(plan).map(Credential::V3),
    }
    .unwrap()
}

fn user(plan: &UserPlan) -> Result<UsmUser, super::credential::CredentialError> {
    let auth = plan.auth.map(|auth| match auth {
        Auth::Md5 => AuthProtocol::Md5,
        Auth::Sha1 => AuthProtocol::Sha1,
        Auth::Sha224 => AuthProtocol::Sha224,
        Auth::Sha256 => AuthProtocol::Sha256,
        Auth::Sha384 => AuthProtocol::Sha384,
        Auth::Sha512 => AuthProtocol::Sha512,
    });
    let privacy = plan.privacy.map(|privacy| match privacy {
        Privacy::Des => PrivacyProtocol::Des,
        Privacy::Aes128 => PrivacyProtocol::Aes128,
        Privacy::Aes192 => PrivacyProtocol::Aes192,
        Privacy::Aes256 => PrivacyProtocol::Aes256,
    });
    UsmUser::new(
        &plan.name,
        auth.map(|auth| (auth, Secret::new(plan.auth_password.clone()))),
        privacy.map(|privacy| (privacy, Secret::new(plan.privacy_password.clone()))),
    )
}

fn held(room: &Room, place: usize) -> Vec<Varbind> {
    let convert = |value: mock_agent::Value| match value {
        mock_agent::Value::Integer(number) => Value::Integer(number.into()),
        mock_agent::Value::OctetString(octets) => Value::OctetString(octets.into()),
        mock_agent::Value::ObjectId(oid) => Value::ObjectId(Oid::from_arcs(&oid.0)),
        mock_agent::Value::Counter32(number) => Value::Counter32(number),
        mock_agent::Value::Gauge32(number) => Value::Gauge32(number),
        mock_agent::Value::TimeTicks(number) => Value::TimeTicks(number),
        other => panic!("a printer holds {other:?}"),
    };
    room.mib(place)
        .into_iter()
        .map(|(oid, value)| Varbind { oid: Oid::from_arcs(&oid.0), value: convert(value) })
        .collect()
}

#[tokio::test]
async fn every_printer_of_the_room_is_read_as_it_is() {
    let opened = "2026-01-01T00:00:00Z".parse().unwrap();
    let at: jiff::Timestamp = "2026-01-20T10:00:00Z".parse().unwrap();
    let mut room = Room::new(&Scenario::vellmoor(), opened, 19);
    room.advance_to(at);
    let room = Arc::new(Mutex::new(room));
    let server = AgentServer::start(Arc::clone(&room), Arc::new(move || at), Bind::AnyPort).await.unwrap();
    let engine = Engine::start(&EngineOptions::default()).unwrap();
    let printers = room.lock().unwrap().printers().to_vec();
    let mut read = 0;
    for (place, printer) in printers.iter().enumerate() {
        if room.lock().unwrap().is_dark(place) {
            continue;
        }
        let target = Target {
            address: server.addresses()[place],
            credential: Arc::new(credential(printer)),
            timeout: Duration::from_secs(2),
            retries: 1,
        };
        let before = engine.stats().sent;
        let raw = read_printer(&engine, &target).await.unwrap();
        let got = snapshot(&raw.rows, raw.complete, None).unwrap();
        let expected = snapshot(&held(&room.lock().unwrap(), place), true, None).unwrap();
        assert_eq!(got, expected, "{}", printer.name);
        assert!(!got.supplies.is_empty());
        println!(
            "{}: {} supplies in {} datagrams by {:?}",
            printer.name,
            got.supplies.len(),
            engine.stats().sent - before,
            target.credential.version()
        );
        read += 1;
    }
    assert!(read >= 5, "{read} printers were on");
    assert_eq!(server.sets_seen(), 0);
}
