use std::collections::HashMap;
use std::sync::Mutex;

use tokio::sync::Notify;

use super::*;
use crate::snmp::transport::EngineOptions;

const STUMBLES: DeviceId = DeviceId(1);
const TAKES_LONG: DeviceId = DeviceId(2);

/// A desk at which one device makes its poll panic and another keeps its poll waiting.
#[derive(Clone, Default)]
struct Stage(Arc<StageInner>);

#[derive(Default)]
struct StageInner {
    begun: Mutex<HashMap<DeviceId, usize>>,
    stumbled_thrice: Notify,
}

impl Stage {
    fn begun(&self, device: DeviceId) -> usize {
        self.0.begun.lock().unwrap().get(&device).copied().unwrap_or(0)
    }
}

impl Desk for Stage {
    async fn subjects(&self) -> anyhow::Result<Vec<Subject>> {
        let subject = |device| Subject {
            turn: Turn { device, every: Duration::from_secs(900), last_poll_at: None, failures: 0 },
            name: "Bobbin".to_owned(),
            address: ("127.0.0.1".to_owned(), 161),
            is_awaited: false,
        };
        Ok(vec![subject(STUMBLES), subject(TAKES_LONG)])
    }

    async fn credential(&self, device: DeviceId) -> anyhow::Result<Option<Credential>> {
        let begun = *self.0.begun.lock().unwrap().entry(device).and_modify(|begun| *begun += 1).or_insert(1);
        if device == TAKES_LONG {
            std::future::pending().await
        }
        if begun >= 3 {
            self.0.stumbled_thrice.notify_one();
        }
        panic!("as planned")
    }

    async fn take(&self, _: DeviceId, _: &str, _: Poll) -> anyhow::Result<()> {
        Ok(())
    }

    async fn take_climate(&self, _: DeviceId, _: Report) -> anyhow::Result<()> {
        Ok(())
    }
}

/// Were all devices forgotten after a panic, the one that takes long would be polled twice at once.
#[tokio::test(start_paused = true)]
async fn a_poll_that_panics_frees_its_own_device_and_no_other() {
    let stage = Stage::default();
    let poller = Poller {
        desk: stage.clone(),
        engine: Engine::start(&EngineOptions::default()).unwrap(),
        clock: Clock::system(),
        patience: Patience { timeout: Duration::from_secs(1), retries: 0 },
        in_flight: 8,
        callers: Callers::default(),
        sensors: Sensors::default(),
    };
    let (_hint, hints) = mpsc::channel(1);
    let running = tokio::spawn(poller.run(hints, CancellationToken::new()));
    let began = Instant::now();
    stage.0.stumbled_thrice.notified().await;
    assert!(began.elapsed() >= PANIC_REST * 2, "without rest: {:?}", began.elapsed());
    assert!(stage.begun(STUMBLES) >= 3);
    assert_eq!(stage.begun(TAKES_LONG), 1);
    running.abort();
}
