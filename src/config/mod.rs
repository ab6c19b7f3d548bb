//! Settings: from a file, the environment and the command line to typed values, with every fault reported
//! together and by its key.
//!
//! The command line wins over the environment, the environment over the file, the file over what is built
//! in. A key `listen.address` in the file is `ULLAGE_LISTEN_ADDRESS` in the environment; the store's
//! address may also be given as `DATABASE_URL`, as is the custom.

pub mod access;
pub mod deliver;
pub mod openid;
pub mod ranges;
mod read;
pub mod reference;
pub mod report;
mod secrets;
pub mod sharing;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::SignedDuration;
use jiff::tz::TimeZone;

use crate::domain::climate::{Bounds, Comfort};
use crate::domain::rules::Practice;
use crate::domain::rules::{Rules, Thresholds};
use crate::domain::secret::Secret;
use crate::store::cluster::ClusterOptions;
use crate::store::reach::StoreAt;
use crate::store::seal::KeySource;
use access::AccessSettings;
use deliver::DeliverSettings;
use ranges::Range;
use read::Reader;
use report::ReportSettings;
use sharing::SharingSettings;

/// Every setting, typed and checked.
#[derive(Debug, Clone)]
pub struct Config {
    /// The file they were read from, if there is one.
    pub file: Option<PathBuf>,
    /// The print room.
    pub site: Site,
    /// Where the store is, and the keys of its secrets.
    pub store: StoreSettings,
    /// Where the pages are served.
    pub listen: SocketAddr,
    /// How people come in.
    pub access: AccessSettings,
    /// Where notifications of devices are taken, if anywhere.
    pub notifications: Option<SocketAddr>,
    /// How devices are asked.
    pub poll: PollSettings,
    /// Which devices are polled, where several processes share one database.
    pub sharing: SharingSettings,
    /// Where polls wait that the store cannot take for now.
    pub spool: SpoolSettings,
    /// Where printers may be searched for, and how fast.
    pub discover: DiscoverSettings,
    /// Lead times, order points and thresholds.
    pub rules: Rules,
    /// How messages go out.
    pub deliver: DeliverSettings,
    /// How the month's report is handed in.
    pub report: ReportSettings,
    /// Months after which one reading a day is left; 0 keeps them all.
    pub detail_months: u32,
}

/// The print room.
#[derive(Debug, Clone)]
pub struct Site {
    /// What it is called.
    pub name: String,
    /// The zone that its days begin and end in.
    pub zone: TimeZone,
}

/// Where the store is, and the keys of its secrets.
#[derive(Debug, Clone)]
pub struct StoreSettings {
    /// Where the store is.
    pub at: StoreAt,
    /// Where the keys are that its secrets are sealed with.
    pub keys: KeySource,
}

impl StoreSettings {
    /// The store as a person would name it, without a password.
    #[must_use]
    pub fn describe(&self) -> String {
        self.at.describe()
    }
}

/// How devices are asked.
#[derive(Debug, Clone)]
pub struct PollSettings {
    /// How often, for devices that are added from now on.
    pub every: Duration,
    /// How long a first try waits for an answer.
    pub timeout: Duration,
    /// How often a device is asked again.
    pub retries: u32,
    /// The most devices that are asked at the same moment.
    pub in_flight: usize,
}

/// Where polls wait that the store cannot take for now.
#[derive(Debug, Clone)]
pub struct SpoolSettings {
    /// The directory.
    pub dir: PathBuf,
    /// The most octets in it.
    pub bytes: u64,
}

impl PollSettings {
    /// Seconds between two polls of a device that is added now.
    #[must_use]
    pub fn every_s(&self) -> u32 {
        u32::try_from(self.every.as_secs()).unwrap_or(900)
    }
}

/// Where printers may be searched for.
#[derive(Debug, Clone)]
pub struct DiscoverSettings {
    /// The ranges that an administrator has written down; searches keep inside them.
    pub ranges: Vec<Range>,
    /// The most datagrams that a search sends in a second.
    pub rate: u32,
}

/// What a flag of the command line says about a setting.
#[derive(Debug, Clone, Default, clap::Args)]
#[command(next_help_heading = "Settings and store")]
pub struct Overrides {
    /// The settings file [default: ullage.toml here, if there is one]
    #[arg(long, global = true, value_name = "FILE", env = "ULLAGE_CONFIG")]
    pub config: Option<PathBuf>,
    /// The PostgreSQL server to keep readings in, instead of a database of our own
    #[arg(long, global = true, value_name = "URL")]
    pub database_url: Option<Secret>,
    /// Where our own database lies
    #[arg(long, global = true, value_name = "DIR")]
    pub data_dir: Option<PathBuf>,
    /// The directory with PostgreSQL's programs, instead of searching for it
    #[arg(long, global = true, value_name = "DIR")]
    pub binaries: Option<PathBuf>,
}

/// A setting that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Where it stands: a key of the file, or a variable of the environment.
    pub key: String,
    /// What is wrong and what to write instead.
    pub message: String,
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}", self.key, self.message)
    }
}

/// Every setting that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
pub struct Faults(pub Vec<Fault>);

impl Config {
    /// Reads the settings that hold for this run.
    ///
    /// # Errors
    /// Every fault that was found, together.
    pub fn load(overrides: &Overrides) -> Result<Self, Faults> {
        let file = overrides.config.clone().or_else(|| {
            let here = PathBuf::from("ullage.toml");
            here.exists().then_some(here)
        });
        let text = match &file {
            Some(path) => std::fs::read_to_string(path).map_err(|error| {
                let message = format!("cannot be read: {error}; name another file with --config");
                Faults(vec![Fault { key: path.display().to_string(), message }])
            })?,
            None => String::new(),
        };
        let environment = |name: &str| std::env::var(name).ok();
        let mut config = Self::parse(&text, &environment, overrides)?;
        config.file = file;
        Ok(config)
    }

    /// Reads settings from a file's text and a look-up of the environment.
    ///
    /// # Errors
    /// Every fault that was found, together.
    pub fn parse(
        text: &str,
        environment: &dyn Fn(&str) -> Option<String>,
        overrides: &Overrides,
    ) -> Result<Self, Faults> {
        let mut reader = Reader::new(text, environment);
        let config = Self::read(&mut reader, environment, overrides);
        reader.finish()?;
        Ok(config)
    }

    /// Every key that is read.
    #[cfg(test)]
    fn known_keys() -> std::collections::BTreeSet<&'static str> {
        let mut reader = Reader::new("", &|_| None);
        Self::read(&mut reader, &|_| None, &Overrides::default());
        reader.known()
    }

    /// Takes over where the pages are served in truth: a port that was free, or an address of the command line.
    ///
    /// # Errors
    /// If people come in by a provider, and nothing says where it leads them back to.
    pub fn served_at(&mut self, address: SocketAddr) -> Result<(), Fault> {
        if self.deliver.link_is_said || address == self.listen {
            return Ok(());
        }
        self.deliver.link = format!("{}://{address}", self.access.scheme());
        match &mut self.access.openid {
            Some(_) if !address.ip().is_loopback() => Err(openid::no_way_back()),
            Some(openid) => {
                openid.pages.clone_from(&self.deliver.link);
                Ok(())
            }
            None => Ok(()),
        }
    }

    fn read(
        reader: &mut Reader<'_>,
        environment: &dyn Fn(&str) -> Option<String>,
        overrides: &Overrides,
    ) -> Self {
        let site = site(reader);
        let data_dir = data_dir(reader, environment, overrides);
        let store = StoreSettings {
            at: store(reader, environment, overrides, &data_dir),
            keys: secrets::keys(reader, &data_dir),
        };
        let listen = reader.address("listen.address", SocketAddr::from(([127, 0, 0, 1], 7830)));
        let mut access = access::access(reader);
        let deliver = deliver::deliver(reader, &format!("{}://{listen}", access.scheme()));
        // Where nothing is said, links lead to the address of the pages, which is one for browsers on this machine only.
        let reached = deliver.link_is_said || listen.ip().is_loopback();
        access.openid = openid::openid(reader, reached.then_some(&*deliver.link), &deliver.webhook.trust);
        let report = report::report(reader, deliver.mail.is_some());
        Self {
            file: None,
            site,
            store,
            listen,
            access,
            notifications: reader.optional_address("listen.notifications"),
            poll: poll(reader),
            sharing: sharing::sharing(reader),
            spool: spool(reader, &data_dir),
            discover: discover(reader),
            rules: rules(reader),
            deliver,
            report,
            detail_months: detail_months(reader),
        }
    }
}

fn site(reader: &mut Reader<'_>) -> Site {
    Site {
        name: reader.text("site.name").unwrap_or_else(|| "Print room".to_owned()),
        zone: reader.zone("site.time_zone"),
    }
}

/// Where what the service keeps outside a server's database lies.
fn data_dir(
    reader: &mut Reader<'_>,
    environment: &dyn Fn(&str) -> Option<String>,
    overrides: &Overrides,
) -> PathBuf {
    let said = reader.path("store.data_dir");
    overrides.data_dir.clone().or(said).unwrap_or_else(|| default_data_dir(environment))
}

fn store(
    reader: &mut Reader<'_>,
    environment: &dyn Fn(&str) -> Option<String>,
    overrides: &Overrides,
    data_dir: &Path,
) -> StoreAt {
    let in_file = reader.text("store.database_url");
    let binaries = reader.path("store.binaries");
    let allow_fetch = reader.flag("store.fetch_postgresql", true);
    let url = overrides.database_url.as_ref().map(|url| url.expose().to_owned());
    // A data directory on the command line asks for a database of our own, whatever the environment says.
    let from_outside = || environment("DATABASE_URL").filter(|url| !url.is_empty()).or(in_file);
    let url = if overrides.data_dir.is_some() { url } else { url.or_else(from_outside) };
    if let Some(url) = url {
        return StoreAt::Server(url);
    }
    StoreAt::Managed(ClusterOptions {
        data_dir: data_dir.to_owned(),
        binaries: overrides.binaries.clone().or(binaries),
        throwaway: false,
        allow_fetch,
    })
}

/// Where our own database lies if nobody says: where services keep theirs for root, else where the custom
/// of the desktop has a user's data.
fn default_data_dir(environment: &dyn Fn(&str) -> Option<String>) -> PathBuf {
    if rustix::process::geteuid().is_root() {
        return PathBuf::from("/var/lib/ullage");
    }
    let set = |name| environment(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    let home = || set("HOME").unwrap_or_else(|| PathBuf::from("/var/lib"));
    set("XDG_DATA_HOME").unwrap_or_else(|| home().join(".local/share")).join("ullage")
}

fn poll(reader: &mut Reader<'_>) -> PollSettings {
    let short = (Duration::from_millis(100), Duration::from_secs(60));
    let long = (Duration::from_secs(10), Duration::from_hours(24));
    PollSettings {
        every: reader.duration("poll.every", Duration::from_mins(15), long),
        timeout: reader.duration("poll.timeout", Duration::from_secs(2), short),
        retries: u32::try_from(reader.whole("poll.retries", 2, (0, 10))).unwrap_or(2),
        in_flight: usize::try_from(reader.whole("poll.in_flight", 64, (1, 4096))).unwrap_or(64),
    }
}

fn spool(reader: &mut Reader<'_>, data_dir: &Path) -> SpoolSettings {
    let megabytes = u64::try_from(reader.whole("poll.spool_mb", 256, (1, 100_000))).unwrap_or(256);
    SpoolSettings {
        dir: reader.path("poll.spool_dir").unwrap_or_else(|| data_dir.join("spool")),
        bytes: megabytes * 1_000_000,
    }
}

/// What rules are tried on, and what pages of machines show, lies no further back than four months.
fn detail_months(reader: &mut Reader<'_>) -> u32 {
    let months = u32::try_from(reader.whole("retention.detail_months", 24, (0, 600))).unwrap_or(24);
    if (1..4).contains(&months) {
        reader.fault("retention.detail_months", "must be at least 4, or 0 to keep every reading for good");
    }
    months
}

fn discover(reader: &mut Reader<'_>) -> DiscoverSettings {
    DiscoverSettings {
        ranges: reader.list("discover.ranges", "[\"10.0.0.0/24\"]"),
        rate: u32::try_from(reader.whole("discover.rate", 100, (1, 1000))).unwrap_or(100),
    }
}

fn rules(reader: &mut Reader<'_>) -> Rules {
    let usual = Practice::default();
    let thresholds = Thresholds::default();
    let hours = (Duration::from_hours(1), Duration::from_hours(24 * 60));
    let dark = reader.duration("rules.dark_after", usual.dark_after.unsigned_abs(), hours);
    let order_point = reader.percent("rules.waste_order_point", usual.waste_order_fill * 100.0) / 100.0;
    let low = reader.percent("rules.low_supply", thresholds.low_open * 100.0) / 100.0;
    Rules {
        practice: Practice {
            lead_days: u32::try_from(reader.whole("rules.lead_days", i64::from(usual.lead_days), (0, 365)))
                .unwrap_or(usual.lead_days),
            service_level: reader
                .percent("rules.service_level", usual.service_level * 100.0)
                .clamp(50.0, 99.9)
                / 100.0,
            review_days: u32::try_from(reader.whole(
                "rules.review_days",
                i64::from(usual.review_days),
                (1, 90),
            ))
            .unwrap_or(usual.review_days),
            expiry_ahead_days: u32::try_from(reader.whole(
                "rules.expiry_ahead_days",
                i64::from(usual.expiry_ahead_days),
                (0, 730),
            ))
            .unwrap_or(usual.expiry_ahead_days),
            unused_after_days: u32::try_from(reader.whole(
                "rules.unused_after_days",
                i64::from(usual.unused_after_days),
                (1, 730),
            ))
            .unwrap_or(usual.unused_after_days),
            comfort: comfort(reader, usual.comfort),
            waste_order_fill: order_point,
            dark_after: SignedDuration::try_from(dark).unwrap_or(usual.dark_after),
            calendar: reader.calendar("calendar.closed"),
            ..usual
        },
        thresholds: Thresholds {
            waste_open: order_point,
            waste_clear: (order_point - (thresholds.waste_open - thresholds.waste_clear)).max(0.0),
            low_open: low,
            low_clear: (low + (thresholds.low_clear - thresholds.low_open)).min(1.0),
        },
    }
}

/// The air that is wanted around machines that report it.
fn comfort(reader: &mut Reader<'_>, usual: Comfort) -> Comfort {
    let mut range = |key, usual| {
        let parse = |text: &str| text.parse::<Bounds>().map_err(|fault| fault.to_string());
        reader.checked(key, parse).unwrap_or(usual)
    };
    Comfort {
        celsius: range("rules.room_celsius", usual.celsius),
        humidity_percent: range("rules.room_humidity", usual.humidity_percent),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str, environment: &[(&str, &str)]) -> Result<Config, Faults> {
        let look_up = |name: &str| {
            environment.iter().find(|(key, _)| *key == name).map(|(_, value)| (*value).to_owned())
        };
        Config::parse(text, &look_up, &Overrides::default())
    }

    #[test]
    fn nothing_said_gives_the_usual() {
        let config = parse("", &[]).unwrap();
        assert!(config.listen.ip().is_loopback());
        assert_eq!(config.poll.every, Duration::from_mins(15));
        assert_eq!(config.rules.practice.lead_days, 7);
        assert!(matches!(config.store.at, StoreAt::Managed(_)));
    }

    #[test]
    fn the_environment_wins_over_the_file() {
        let text = "[site]\ntime_zone = \"Europe/Lisbon\"\n[poll]\nevery = \"5m\"\n[rules]\nwaste_order_point = 60\n";
        let config =
            parse(text, &[("ULLAGE_POLL_EVERY", "30m"), ("DATABASE_URL", "postgres://u:p@db/x")]).unwrap();
        assert_eq!(config.poll.every, Duration::from_mins(30));
        assert_eq!(config.site.zone.iana_name(), Some("Europe/Lisbon"));
        assert!((config.rules.thresholds.waste_clear - 0.55).abs() < 1e-12);
        assert_eq!(config.store.describe(), "PostgreSQL at postgres://u@db/x");
    }

    #[test]
    fn closed_days_are_a_list_or_words_with_commas() {
        let text = "[calendar]\nclosed = [\"sat\", 2026-12-25, \"2026-12-24..2027-01-02\"]\n";
        let in_file = parse(text, &[]).unwrap().rules.practice.calendar;
        let said = ("ULLAGE_CALENDAR_CLOSED", "sat, 2026-12-24..2027-01-02");
        let in_environment = parse("", &[said]).unwrap().rules.practice.calendar;
        assert_eq!(in_file, in_environment);
        assert!(!in_file.is_always_open());
        assert!(parse("[calendar]\nclosed = []\n", &[]).unwrap().rules.practice.calendar.is_always_open());
    }

    #[test]
    fn ranges_are_a_list_in_the_file_and_in_the_environment() {
        let ranges = |config: Config| config.discover.ranges.iter().map(Range::to_string).collect::<Vec<_>>();
        assert!(ranges(parse("", &[]).unwrap()).is_empty());
        let text = "[discover]\nranges = [\"10.0.0.0/24\", \"192.168.4.7\"]\n";
        assert_eq!(ranges(parse(text, &[]).unwrap()), ["10.0.0.0/24", "192.168.4.7"]);
        let environment = [("ULLAGE_DISCOVER_RANGES", "10.1.0.0/16, fd00::/112")];
        assert_eq!(ranges(parse(text, &environment).unwrap()), ["10.1.0.0/16", "fd00::/112"]);
        for wrong in ["ranges = \"10.0.0.0/24\"", "ranges = [\"loft\"]", "ranges = [10]", "rate = 0"] {
            let faults = parse(&format!("[discover]\n{wrong}\n"), &[]).unwrap_err();
            assert_eq!(faults.0.len(), 1, "{wrong}: {faults}");
        }
    }

    #[test]
    fn a_poller_has_a_name_and_polls_what_its_settings_say() {
        let usual = parse("", &[]).unwrap().sharing;
        assert!(!usual.name.is_empty() && usual.scope == sharing::Scope::default());
        assert_eq!(usual.lease, Duration::from_secs(20));
        let text =
            "[poll]\nname = \"annex-1\"\nsites = [\"Annex\"]\nnetworks = [\"10.0.0.7/24\"]\nlease = \"8s\"\n";
        let said = parse(text, &[("ULLAGE_POLL_SITES", "Loft, Annex")]).unwrap().sharing;
        assert_eq!((&*said.name, said.lease), ("annex-1", Duration::from_secs(8)));
        assert_eq!(said.scope.sites, ["Loft", "Annex"]);
        assert_eq!(said.scope.networks[0].to_string(), "10.0.0.0/24");
        for wrong in ["networks = [\"loft\"]", "lease = \"1s\"", "sites = \"Annex\""] {
            let faults = parse(&format!("[poll]\n{wrong}\n"), &[]).unwrap_err();
            assert_eq!(faults.0.len(), 1, "{wrong}: {faults}");
        }
    }

    #[test]
    fn a_report_is_mailed_to_addresses_and_only_where_there_is_a_mail_server() {
        let report = |config: Config| config.report;
        let usual = report(parse("", &[]).unwrap());
        assert!(usual.mail_to.is_empty() && usual.paper == crate::report::Paper::A4);
        let to = "[report]\npaper = \"letter\"\nmail_on = 3\nmail_to = [\"ada@loft.example\", \"ada@loft.example\"]\n";
        assert!(parse(to, &[]).unwrap_err().to_string().starts_with("report.mail_to: needs a mail server"));
        let server = "[mail]\nserver = \"mail.loft.example\"\nfrom = \"ullage@loft.example\"\n";
        let said = report(parse(&format!("{to}{server}"), &[]).unwrap());
        assert_eq!((said.mail_on, said.mail_to), (3, vec!["ada@loft.example".to_owned()]));
        for wrong in ["paper = \"a3\"", "mail_on = 29", "mail_to = [\"Ada\"]"] {
            let faults = parse(&format!("[report]\n{wrong}\n{server}"), &[]).unwrap_err();
            assert_eq!(faults.0.len(), 1, "{wrong}: {faults}");
        }
    }

    #[test]
    fn readings_are_kept_in_detail_for_months_or_for_good() {
        let months = |text: &str| parse(text, &[]).map(|config| config.detail_months);
        assert_eq!(months("").unwrap(), 24);
        assert_eq!(months("[retention]\ndetail_months = 0\n").unwrap(), 0);
        for wrong in ["3", "-1", "\"long\""] {
            let faults = months(&format!("[retention]\ndetail_months = {wrong}\n")).unwrap_err();
            assert_eq!(faults.0[0].key, "retention.detail_months", "{wrong}: {faults}");
        }
    }

    #[test]
    fn the_climate_of_the_room_is_two_ranges() {
        let comfort = |config: Config| config.rules.practice.comfort;
        let usual = comfort(parse("", &[]).unwrap());
        assert_eq!(
            (usual.celsius, usual.humidity_percent),
            ("15..30".parse().unwrap(), "30..70".parse().unwrap())
        );
        let text = "[rules]\nroom_celsius = \"18..26.5\"\n";
        let said = comfort(parse(text, &[("ULLAGE_RULES_ROOM_HUMIDITY", "40..60")]).unwrap());
        assert_eq!(
            (said.celsius, said.humidity_percent),
            ("18..26.5".parse().unwrap(), "40..60".parse().unwrap())
        );
        for wrong in ["room_celsius = 15", "room_celsius = \"30..15\"", "room_humidity = \"damp\""] {
            let faults = parse(&format!("[rules]\n{wrong}\n"), &[]).unwrap_err();
            assert_eq!(faults.0.len(), 1, "{wrong}: {faults}");
            assert!(faults.0[0].key.starts_with("rules.room_"), "{faults}");
        }
    }

    #[test]
    fn every_fault_is_told_together_by_its_key() {
        let text = "[site]\ntime_zone = \"Nowhere/Land\"\nzone = 1\n[poll]\nevery = \"soon\"\nretries = 99\n[pool]\nx = 1\n[rules]\nlow_supply = 140\n[calendar]\nclosed = [\"sat\", \"someday\"]\n";
        let faults = parse(text, &[("ULLAGE_LISTEN_ADDRESS", "printer room")]).unwrap_err();
        insta::assert_snapshot!(faults.to_string());
    }

    #[test]
    fn a_file_that_is_not_toml_says_where() {
        let faults = parse("[site\nname = 1", &[]).unwrap_err();
        assert_eq!(faults.0.len(), 1);
        assert!(faults.0[0].message.contains("line 1"), "{faults}");
    }
}
