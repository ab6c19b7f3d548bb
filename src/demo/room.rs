//! The simulated room of a demo: when it was opened, who is in it, and how each machine is asked.

use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use anyhow::Context;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use mock_agent::{AgentServer, Bind, Credential, Room, Scenario};
use serde::{Deserialize, Serialize};

use crate::clock::Clock;
use crate::domain::ids::DeviceId;
use crate::store::Store;
use crate::store::credentials::CredentialRow;
use crate::store::devices::NewDevice;

/// Seconds between polls of a demo machine, on its own clock.
const POLL_EVERY_S: u32 = 900;

/// When a demo's history began. A demo that is kept has to open the same room again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Opening {
    /// The midnight at which history starts.
    pub opened: Timestamp,
    /// The number of the day on which levels stand where the scenario says.
    pub phase_day: u32,
}

impl Opening {
    /// `days` days before the day of `now`.
    ///
    /// # Errors
    /// If the calendar does not go back that far.
    pub fn before(now: Timestamp, days: u32, zone: &TimeZone) -> anyhow::Result<Self> {
        let first = zone.to_datetime(now).date().checked_sub(i64::from(days).days())?;
        Ok(Self { opened: zone.to_timestamp(first.at(0, 0, 0, 0))?, phase_day: days })
    }

    /// The opening that is written down in a directory; this one, written down now, if there is none.
    ///
    /// # Errors
    /// If the file cannot be read, understood or written.
    pub fn keep(self, dir: &Path) -> anyhow::Result<Self> {
        let file = dir.join("demo.json");
        if file.exists() {
            let text = std::fs::read(&file).with_context(|| format!("cannot read {}", file.display()))?;
            return serde_json::from_slice(&text).with_context(|| {
                format!("{} is damaged; remove it and {} with it", file.display(), dir.display())
            });
        }
        std::fs::create_dir_all(dir).with_context(|| format!("cannot make {}", dir.display()))?;
        std::fs::write(&file, serde_json::to_vec(&self)?)
            .with_context(|| format!("cannot write {}", file.display()))?;
        Ok(self)
    }
}

/// The room, and the devices that stand for its machines in the store.
pub struct DemoRoom {
    /// The simulation, shared with the agents that answer for it.
    pub room: Arc<Mutex<Room>>,
    /// Each machine's device and name, in the order of the room.
    pub devices: Vec<(DeviceId, String)>,
}

impl DemoRoom {
    /// Opens the room and puts its machines into the store, to be watched from the opening on.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn open(store: &Store, scenario: &Scenario, opening: Opening) -> anyhow::Result<Self> {
        let room = Room::new(scenario, opening.opened, opening.phase_day);
        let site = store.put_site(&scenario.name, &scenario.time_zone).await?;
        let known = store.devices(None).await?;
        let mut devices = Vec::new();
        for (place, printer) in room.printers().iter().enumerate() {
            let device = match known.iter().find(|device| device.name == printer.name) {
                Some(device) => {
                    // Off its old port, which may be another's this time.
                    store.move_device(device.id, &nowhere(place), 161).await?;
                    device.id
                }
                None => {
                    let device = NewDevice {
                        name: printer.name.clone(),
                        host: nowhere(place),
                        port: 161,
                        cost_centre: Some(printer.cost_centre.clone()),
                        poll_every_s: POLL_EVERY_S,
                    };
                    store.add_device(site, &credential(&printer.credential), &device, opening.opened).await?
                }
            };
            devices.push((device, printer.name.clone()));
        }
        Ok(Self { room: Arc::new(Mutex::new(room)), devices })
    }

    /// Lets the machines answer on loopback, and tells the store where.
    ///
    /// # Errors
    /// If a port or the store cannot be had.
    pub async fn go_live(&self, store: &Store, clock: &Clock) -> anyhow::Result<AgentServer> {
        let clock = clock.clone();
        let now = Arc::new(move || clock.now());
        let agents = AgentServer::start(Arc::clone(&self.room), now, Bind::AnyPort).await?;
        for ((device, _), address) in self.devices.iter().zip(agents.addresses()) {
            store.move_device(*device, &address.ip().to_string(), address.port()).await?;
        }
        Ok(agents)
    }

    /// The simulation. A lock whose holder panicked is still a whole room.
    pub fn lock(&self) -> MutexGuard<'_, Room> {
        self.room.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A host for a machine that does not answer yet.
fn nowhere(place: usize) -> String {
    format!("not-yet-{place}.invalid")
}

fn credential(credential: &Credential) -> CredentialRow {
    match credential {
        Credential::V1 { community } | Credential::V2c { community } => CredentialRow {
            version: if matches!(credential, Credential::V1 { .. }) { "v1" } else { "v2c" }.to_owned(),
            community: Some(community.clone()),
            ..CredentialRow::default()
        },
        Credential::V3(user) => CredentialRow {
            version: "v3".to_owned(),
            user_name: Some(user.name.clone()),
            auth: user.auth.map(|protocol| (as_set(protocol.word()), user.auth_password.clone())),
            privacy: user.privacy.map(|protocol| (as_set(protocol.word()), user.privacy_password.clone())),
            ..CredentialRow::default()
        },
    }
}

/// A protocol's word as settings and forms have it.
fn as_set(word: &str) -> String {
    word.replace('-', "")
}
