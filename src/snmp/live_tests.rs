//! Against net-snmp's agent, where it is installed: every pair of protocols, and every way to be wrong.
//! `cargo nextest run --run-ignored only snmp::live`.

use std::fmt::Write as _;
use std::net::SocketAddr;
use std::process::Stdio;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::process::{Child, Command};

use super::credential::{AuthProtocol, Credential, PrivacyProtocol, Secret, UsmUser};
use super::error::SnmpError;
use super::notification::{Identity, Listener};
use super::oid::Oid;
use super::pdu::Request;
use super::transport::{Engine, EngineOptions, Target};
use super::value::Varbind;

const UPTIME: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 1, 3, 0]);
const SYS_OR: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 1, 9, 1]);
const AUTH: &str = "velvet-curtain";
const PRIVACY: &str = "painted-forest";

struct Snmpd {
    address: SocketAddr,
    process: Child,
    _directory: tempfile::TempDir,
}

fn net_snmp_word(auth: AuthProtocol) -> &'static str {
    match auth {
        AuthProtocol::Md5 => "MD5",
        AuthProtocol::Sha1 => "SHA",
        AuthProtocol::Sha224 => "SHA-224",
        AuthProtocol::Sha256 => "SHA-256",
        AuthProtocol::Sha384 => "SHA-384",
        AuthProtocol::Sha512 => "SHA-512",
    }
}

fn net_snmp_cipher(privacy: PrivacyProtocol) -> &'static str {
    match privacy {
        PrivacyProtocol::Des => "DES",
        PrivacyProtocol::Aes128 => "AES",
        PrivacyProtocol::Aes192 => "AES-192",
        PrivacyProtocol::Aes256 => "AES-256",
        // It has these, if at all, under a name of its own.
        PrivacyProtocol::Aes192Reeder | PrivacyProtocol::Aes256Reeder => "",
    }
}

fn pairs() -> impl Iterator<Item = (AuthProtocol, Option<PrivacyProtocol>)> {
    AuthProtocol::ALL.iter().flat_map(|auth| {
        let known = |privacy: &PrivacyProtocol| !net_snmp_cipher(*privacy).is_empty();
        let privacies = PrivacyProtocol::ALL.iter().copied().filter(known).map(Some);
        std::iter::once(None).chain(privacies).map(|privacy| (*auth, privacy))
    })
}

fn name(auth: AuthProtocol, privacy: Option<PrivacyProtocol>) -> String {
    format!("u-{auth}-{}", privacy.map_or("none", PrivacyProtocol::word))
}

impl Snmpd {
    async fn start(engine: &Engine) -> Self {
        let address = std::net::UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
        let directory = tempfile::tempdir().unwrap();
        let mut settings = format!(
            "agentAddress udp:{address}\nrocommunity loftread\ncreateUser plain\nrouser plain noauth\n"
        );
        for (auth, privacy) in pairs() {
            let (user, word) = (name(auth, privacy), net_snmp_word(auth));
            match privacy {
                None => writeln!(settings, "createUser {user} {word} {AUTH}\nrouser {user} auth"),
                Some(privacy) => writeln!(
                    settings,
                    "createUser {user} {word} {AUTH} {} {PRIVACY}\nrouser {user} priv",
                    net_snmp_cipher(privacy)
                ),
            }
            .unwrap();
        }
        let file = directory.path().join("snmpd.conf");
        std::fs::write(&file, settings).unwrap();
        let process = Command::new("/usr/sbin/snmpd")
            .args(["-f", "-C", "-I", "-smux", "-Lf"])
            .arg(directory.path().join("log"))
            .arg("-c")
            .arg(&file)
            .env("SNMP_PERSISTENT_DIR", directory.path().join("state"))
            .env("MIBS", "")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .kill_on_drop(true)
            .spawn()
            .expect("net-snmp's snmpd is installed");
        let snmpd = Self { address, process, _directory: directory };
        let target = snmpd.target(Credential::v2c("loftread").unwrap());
        let deadline = Instant::now() + Duration::from_secs(10);
        while engine.request(&target, &get()).await.is_err() {
            assert!(Instant::now() < deadline, "snmpd did not start");
        }
        snmpd
    }

    fn target(&self, credential: Credential) -> Target {
        Target {
            address: self.address,
            credential: Arc::new(credential),
            timeout: Duration::from_millis(300),
            retries: 1,
        }
    }

    fn as_user(
        &self,
        name: &str,
        auth: Option<(AuthProtocol, &str)>,
        privacy: Option<(PrivacyProtocol, &str)>,
    ) -> Target {
        let auth = auth.map(|(protocol, text)| (protocol, Secret::new(text)));
        let privacy = privacy.map(|(protocol, text)| (protocol, Secret::new(text)));
        self.target(Credential::V3(UsmUser::new(name, auth, privacy).unwrap()))
    }
}

fn get() -> Request {
    Request::Get { oids: vec![UPTIME] }
}

fn engine() -> Engine {
    Engine::start(&EngineOptions::default()).unwrap()
}

/// The rows of sysORTable, one question a row: version 1 has no GETBULK.
async fn walk(engine: &Engine, target: &Target) -> Vec<Varbind> {
    let columns = [2, 3, 4].map(|column| SYS_OR.child(&[column]));
    let mut rows = Vec::new();
    let mut oids = columns.to_vec();
    loop {
        let answer = engine.request(target, &Request::GetNext { oids }).await;
        let pdu = answer.unwrap_or_else(|error| panic!("{:?}: {error}", target.credential));
        oids = pdu.varbinds.iter().map(|varbind| varbind.oid.clone()).collect();
        if !oids.iter().zip(&columns).all(|(oid, column)| oid.starts_with(column)) {
            return rows;
        }
        rows.extend(pdu.varbinds);
    }
}

#[tokio::test]
#[ignore = "needs net-snmp's snmpd"]
async fn every_version_and_pair_of_protocols_reads_the_same_table() {
    let engine = engine();
    let snmpd = Snmpd::start(&engine).await;
    let mut targets = vec![
        snmpd.target(Credential::v2c("loftread").unwrap()),
        snmpd.target(Credential::v1("loftread").unwrap()),
        snmpd.as_user("plain", None, None),
    ];
    for (auth, privacy) in pairs() {
        let privacy_here = privacy.map(|privacy| (privacy, PRIVACY));
        targets.push(snmpd.as_user(&name(auth, privacy), Some((auth, AUTH)), privacy_here));
    }
    let mut expected = None;
    for target in &targets {
        let rows = walk(&engine, target).await;
        assert!(rows.len() >= 9, "{:?}", target.credential);
        assert_eq!(&rows, expected.get_or_insert_with(|| rows.clone()), "{:?}", target.credential);
    }
    println!("{} credentials, {} values each, {:?}", targets.len(), expected.unwrap().len(), engine.stats());
}

#[tokio::test]
#[ignore = "needs net-snmp's snmpd"]
async fn every_wrong_setting_has_its_own_words() {
    use AuthProtocol::{Sha1, Sha256};
    use PrivacyProtocol::Aes128;
    let engine = engine();
    let snmpd = Snmpd::start(&engine).await;
    let (auth, privacy) = (Some((Sha256, AUTH)), Some((Aes128, PRIVACY)));
    let wrong = [
        ("community", snmpd.target(Credential::v2c("nobody-knows").unwrap())),
        ("user", snmpd.as_user("nobody", auth, privacy)),
        ("auth password", snmpd.as_user("u-sha256-aes128", Some((Sha256, "another-curtain")), privacy)),
        ("auth protocol", snmpd.as_user("u-sha256-aes128", Some((Sha1, AUTH)), privacy)),
        ("privacy password", snmpd.as_user("u-sha256-aes128", auth, Some((Aes128, "another-forest")))),
        ("privacy protocol", snmpd.as_user("u-sha256-aes128", auth, Some((PrivacyProtocol::Des, PRIVACY)))),
        ("no privacy", snmpd.as_user("u-sha256-aes128", auth, None)),
        ("privacy where there is none", snmpd.as_user("u-sha256-none", auth, privacy)),
        ("no auth", snmpd.as_user("u-sha256-none", None, None)),
    ];
    let mut said = Vec::new();
    for (what, target) in &wrong {
        let error = engine.request(target, &get()).await.map(|pdu| format!("{pdu:?}")).unwrap_err();
        println!("{what}: {error}");
        said.push(error);
    }
    assert!(matches!(said[0], SnmpError::NoAnswer { tries: 2, .. }));
    assert!(matches!(said[1], SnmpError::UnknownUser { .. }));
    assert!(matches!(said[2], SnmpError::WrongPasswordOrProtocol { .. }));
    assert!(matches!(said[3], SnmpError::WrongPasswordOrProtocol { .. }));
    assert!(said[4].is_settings() && said[5].is_settings());
    assert!(matches!(said[6], SnmpError::UnsupportedSecurityLevel { level: "authNoPriv", .. }));
    assert!(matches!(said[7], SnmpError::UnsupportedSecurityLevel { .. }));
    assert!(matches!(said[8], SnmpError::UnsupportedSecurityLevel { level: "noAuthNoPriv", .. }));
    // And the right one still works through the same engine.
    engine.request(&snmpd.as_user("u-sha256-aes128", auth, privacy), &get()).await.unwrap();
}

#[tokio::test]
#[ignore = "needs net-snmp's snmpd"]
async fn a_restarted_agent_is_followed() {
    let engine = engine();
    let mut snmpd = Snmpd::start(&engine).await;
    let user = |snmpd: &Snmpd| {
        snmpd.as_user(
            "u-sha512-aes256",
            Some((AuthProtocol::Sha512, AUTH)),
            Some((PrivacyProtocol::Aes256, PRIVACY)),
        )
    };
    engine.request(&user(&snmpd), &get()).await.unwrap();
    snmpd.process.kill().await.unwrap();
    let error = engine.request(&user(&snmpd), &get()).await.unwrap_err();
    assert!(matches!(error, SnmpError::NoAnswer { .. }), "{error}");
    let again = Snmpd::start(&engine).await;
    engine.request(&user(&again), &get()).await.unwrap();
}

/// Runs net-snmp's sender of traps and informs, and hears what it sends until it ends.
async fn send(listener: &mut Listener, known: &[Arc<Credential>], words: &[&str]) -> (bool, u32) {
    let ear = tokio::net::UdpSocket::bind("127.0.0.1:0").await.unwrap();
    let at = ear.local_addr().unwrap().to_string();
    let state = tempfile::tempdir().unwrap();
    let mut sender = Command::new("/usr/bin/snmptrap")
        .args(words)
        .args(["-r", "1", "-t", "1", &at, "42", "1.3.6.1.2.1.43.18.2.0.1"])
        .env("SNMP_PERSISTENT_DIR", state.path())
        .env("MIBS", "")
        .stderr(Stdio::null())
        .kill_on_drop(true)
        .spawn()
        .expect("net-snmp's snmptrap is installed");
    let (mut buffer, mut alerts) = (vec![0; 65_536], 0);
    let done = loop {
        tokio::select! {
            biased;
            received = ear.recv_from(&mut buffer) => {
                let (length, from) = received.unwrap();
                let Some(heard) = listener.hear(&buffer[..length], known) else { continue };
                alerts += u32::from(heard.printer_alert);
                if let Some(answer) = heard.answer {
                    ear.send_to(&answer, from).await.unwrap();
                }
            }
            done = sender.wait() => break done.unwrap().success(),
        }
    };
    (done, alerts)
}

#[tokio::test]
#[ignore = "needs net-snmp's snmptrap"]
async fn traps_and_informs_of_net_snmp_are_heard_and_acknowledged() {
    let engine = engine();
    for (auth, privacy) in pairs() {
        let privacy_here = privacy.map(|privacy| (privacy, Secret::new(PRIVACY)));
        let name = name(auth, privacy);
        let user = UsmUser::new(&name, Some((auth, Secret::new(AUTH))), privacy_here).unwrap();
        engine.make_masters(&user).await;
        let known = [Arc::new(Credential::V3(user))];
        let mut listener = Listener::new(engine.clone(), Identity::new(b"loft", 9_000));
        let mut words = vec!["-v", "3", "-u", &name, "-a", net_snmp_word(auth), "-A", AUTH, "-l"];
        match privacy {
            None => words.push("authNoPriv"),
            Some(privacy) => words.extend(["authPriv", "-x", net_snmp_cipher(privacy), "-X", PRIVACY]),
        }
        let trap = [&["-e", "0x80000000040506"], &words[..]].concat();
        assert_eq!(send(&mut listener, &known, &trap).await, (true, 1), "{name}, trap");
        let inform = [&["-Ci"], &words[..]].concat();
        assert_eq!(send(&mut listener, &known, &inform).await, (true, 1), "{name}, inform");
        let wrong: Vec<&str> =
            inform.iter().map(|word| if *word == AUTH { "another-curtain" } else { word }).collect();
        assert_eq!(send(&mut listener, &known, &wrong).await, (false, 0), "{name}, wrong password");
    }
    let known = [Arc::new(Credential::v2c("public").unwrap())];
    let mut listener = Listener::new(engine, Identity::new(b"loft", 9_000));
    let inform = ["-Ci", "-v", "2c", "-c", "loft"];
    assert_eq!(send(&mut listener, &known, &inform).await, (true, 1));
    assert_eq!(send(&mut listener, &known, &inform[1..]).await, (true, 1));
}
