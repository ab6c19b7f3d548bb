//! A simulated print loft over a store of its own: few machines, short history, known truth.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use mock_agent::Scenario;
use ullage::app::Service;
use ullage::clock::Clock;
use ullage::config::{Config, Overrides};
use ullage::demo::{DemoRoom, Opening, bring_in};

use super::database::TestDatabase;

/// Small cartridges, so that a history of a month swaps every ink; a sensor of every sort; one machine that
/// cannot be reached for some days and goes on printing.
const ROOM: &str = r#"
name = "Vellmoor Opera print loft"
time_zone = "Europe/Lisbon"
seed = 41
moment = "10:00"

[[printer]]
name = "Bobbin"
cost_centre = "Backdrops"
description = "Wide-format aqueous ink printer, 3 inks, 64 inch"
serial = "VO-0001-BOB"
media_width_mm = 1524
snmp = { version = "v2c", community = "loft" }
work = { jobs_per_day = 8.0, area_m2 = 2.0 }
sensor = { unit = "tenths-of-millilitres", rounding = "nearest" }
ink = [
    { colour = "Cyan", ml_per_m2 = 0.8, capacity_ml = 300, stands_at = 0.08 },
    { colour = "Magenta", ml_per_m2 = 0.9, capacity_ml = 300, stands_at = 0.61 },
    { colour = "Yellow", ml_per_m2 = 0.7, capacity_ml = 300, starter_ml = 200, stands_at = 0.38 },
]
waste = { capacity_ml = 400, stands_at = 0.24 }

[[printer]]
name = "Thimble"
cost_centre = "Banners"
description = "Wide-format aqueous ink printer, 2 inks, 44 inch"
serial = "VO-0002-THI"
media_width_mm = 1118
device_index = 3
snmp = { version = "v1", community = "public", max_message = 484 }
work = { jobs_per_day = 6.0, area_m2 = 2.0 }
sensor = { unit = "percent", rounding = "ceil" }
ink = [
    { colour = "Cyan", ml_per_m2 = 0.8, capacity_ml = 300, stands_at = 0.44 },
    { colour = "Magenta", ml_per_m2 = 0.9, capacity_ml = 300, stands_at = 0.72 },
]
waste = { capacity_ml = 400, stands_at = 0.66 }

[[printer]]
name = "Selvage"
cost_centre = "Silks"
description = "Wide-format aqueous ink printer, 2 inks, 42 inch"
serial = "VO-0003-SEL"
media_width_mm = 1067
snmp = { version = "v2c", community = "public" }
work = { jobs_per_day = 7.0, area_m2 = 1.8 }
sensor = { unit = "hundredths-of-fluid-ounces", rounding = "floor" }
dark = [{ from = -12.25, until = -9.5, still_working = true }]
ink = [
    { colour = "Cyan", ml_per_m2 = 0.9, capacity_ml = 300, stands_at = 0.36 },
    { colour = "Red", spot = true, ml_per_m2 = 0.4, stands_at = 0.63 },
]
waste = { capacity_ml = 400, stands_at = 0.81 }

[[printer]]
name = "Tassel"
cost_centre = "Programmes"
description = "Wide-format aqueous ink printer, 2 inks, 44 inch"
serial = "VO-0004-TAS"
media_width_mm = 1118
device_index = 3
snmp = { version = "v3", user = { name = "loft", auth = "sha-256", auth_password = "velvet-curtain", privacy = "aes-128", privacy_password = "footlight-row" } }
work = { jobs_per_day = 7.0, area_m2 = 1.6 }
sensor = { unit = "tenths-of-millilitres", rounding = "nearest", jitter = 2.0 }
ink = [
    { colour = "Cyan", ml_per_m2 = 0.8, capacity_ml = 300, stands_at = 0.73 },
    { colour = "Magenta", ml_per_m2 = 0.9, capacity_ml = 300, stands_at = 0.29 },
]
waste = { capacity_ml = 400, stands_at = 0.57 }
"#;

/// The room as it is laid out, several times over, each machine under a name of its own.
pub(crate) fn crowd(times: usize) -> Scenario {
    let mut scenario = Scenario::parse(ROOM).unwrap();
    let plans = std::mem::take(&mut scenario.printers);
    for n in 1..=times {
        scenario.printers.extend(plans.iter().cloned().map(|mut plan| {
            plan.name = format!("{} {n}", plan.name);
            plan.serial = format!("{}-{n}", plan.serial);
            plan.dark.clear();
            plan
        }));
    }
    scenario
}

/// The settings that nobody has touched, in the room's zone.
pub(crate) fn config() -> Config {
    let zone = |name: &str| (name == "ULLAGE_SITE_TIME_ZONE").then(|| "Europe/Lisbon".to_owned());
    Config::parse("", &zone, &Overrides::default()).unwrap()
}

/// A midday of the room's zone, or another moment: `2026-04-01T10:00`.
pub(crate) fn moment(text: &str) -> Timestamp {
    let zone = TimeZone::get("Europe/Lisbon").unwrap();
    zone.to_timestamp(text.parse().unwrap()).unwrap()
}

/// The room, its service and its database.
pub(crate) struct Loft {
    /// The machines.
    pub(crate) demo: DemoRoom,
    /// The service that watches them.
    pub(crate) service: Service,
    /// What they are laid out from.
    pub(crate) scenario: Scenario,
    /// When history begins.
    pub(crate) opened: Timestamp,
    /// Dropped last.
    pub(crate) database: TestDatabase,
}

impl Loft {
    /// Opens the room on the midnight `days` before the day of `now`. Nothing is read yet; the service's
    /// clock stands at `now` and runs at `speed` times life.
    pub(crate) async fn open(now: Timestamp, days: u32, speed: f64) -> Self {
        Self::open_with(now, days, speed, |_| {}).await
    }

    /// Likewise, with the scenario changed first.
    pub(crate) async fn open_with(
        now: Timestamp,
        days: u32,
        speed: f64,
        change: impl FnOnce(&mut Scenario),
    ) -> Self {
        let mut scenario = Scenario::parse(ROOM).unwrap();
        change(&mut scenario);
        let database = TestDatabase::new().await;
        let store = database.store().await;
        let config = config();
        let opening = Opening::before(now, days, &config.site.zone).unwrap();
        let demo = DemoRoom::open(&store, &scenario, opening).await.unwrap();
        let service = Service::new(store, Clock::scaled(now, speed), &config);
        Self { demo, service, scenario, opened: opening.opened, database }
    }

    /// A room whose history up to `now` has been brought in the way a demo does, and whose clock stands
    /// still there, for all that a test can tell.
    pub(crate) async fn brought_in(now: Timestamp, days: u32) -> Self {
        let loft = Self::open(now, days, f64::MIN_POSITIVE).await;
        bring_in(&loft.service, &loft.demo, (loft.opened, now), |_| {}, || true).await.unwrap();
        loft
    }

    /// The level of a machine's supply in its own MIB right now.
    pub(crate) fn told(&self, place: usize) -> Vec<(i32, i32, i32, i32)> {
        use mock_agent::Value;
        let room = self.demo.lock();
        let device = room.printers()[place].device_index;
        let column = |column: u32, supply: i32| {
            let oid = format!("1.3.6.1.2.1.43.11.1.1.{column}.{device}.{supply}");
            let found = room.view(place).iter().find(|(name, _)| name.to_string() == oid);
            match found {
                Some((_, Value::Integer(number))) => Some(*number),
                _ => None,
            }
        };
        let row = |supply| Some((supply, column(7, supply)?, column(8, supply)?, column(9, supply)?));
        (1..).map_while(row).collect()
    }
}
