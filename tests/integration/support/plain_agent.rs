//! An SNMP agent of a machine that is no printer: it has the system group and nothing else.

use std::net::{SocketAddr, UdpSocket};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use mock_agent::{Agent, EngineClock, Oid, Room, Scenario, Value, respond};

/// Answers version 2c on loopback until it is dropped.
pub(crate) struct PlainAgent {
    address: SocketAddr,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl PlainAgent {
    /// Starts to answer.
    pub(crate) fn start() -> Self {
        let scenario = Scenario::vellmoor();
        let room = Room::new(&scenario, "2026-10-20T00:00:00+01:00".parse().unwrap(), 0);
        // The first printer's agent, with all taken out of it that makes it a printer: 1.3.6.1.2.1.1 is `system`.
        let system: Vec<(Oid, Value)> =
            room.mib(0).into_iter().filter(|(oid, _)| oid.0.starts_with(&[1, 3, 6, 1, 2, 1, 1])).collect();
        let mut agent = Agent::new(&room.printers()[0]);
        let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
        socket.set_read_timeout(Some(Duration::from_millis(20))).unwrap();
        let (address, stop) = (socket.local_addr().unwrap(), Arc::new(AtomicBool::new(false)));
        let told = Arc::clone(&stop);
        let thread = std::thread::spawn(move || {
            let mut buffer = [0; 65_535];
            while !told.load(Ordering::Relaxed) {
                let Ok((length, from)) = socket.recv_from(&mut buffer) else { continue };
                let clock = EngineClock { boots: 1, seconds: 1 };
                if let Some(reply) = respond(&mut agent, &system, clock, &buffer[..length]) {
                    let _ = socket.send_to(&reply, from);
                }
            }
        });
        Self { address, stop, thread: Some(thread) }
    }

    /// Where it listens.
    pub(crate) fn address(&self) -> SocketAddr {
        self.address
    }
}

impl Drop for PlainAgent {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        let _ = self.thread.take().map(JoinHandle::join);
    }
}
