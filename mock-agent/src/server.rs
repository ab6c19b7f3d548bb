//! Answers for every printer of a room over UDP, on loopback, one socket each.

use std::net::{Ipv4Addr, SocketAddr};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use jiff::Timestamp;
use tokio::net::UdpSocket;
use tokio::task::JoinSet;

use crate::respond::{Agent, EngineClock, respond};
use crate::room::Room;

/// Which ports the printers take on 127.0.0.1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bind {
    /// Any free port for each printer.
    AnyPort,
    /// This port for the first printer, the following ones for the others.
    FirstPort(u16),
}

/// Why the agents cannot start.
#[derive(Debug, thiserror::Error)]
pub enum AgentError {
    /// A port is taken or forbidden.
    #[error("cannot listen on {address} for {printer}: {source}; choose another port with --listen")]
    Bind {
        /// The printer's name.
        printer: String,
        /// Where it should have listened.
        address: SocketAddr,
        /// What the system says.
        source: std::io::Error,
    },
    /// The ports would run past 65535.
    #[error("{printers} printers do not fit above port {first}; choose a lower first port")]
    Ports {
        /// The first port.
        first: u16,
        /// How many printers there are.
        printers: usize,
    },
}

/// Reads the present instant of the simulation.
pub type Now = Arc<dyn Fn() -> Timestamp + Send + Sync>;

/// Agents at work; dropping it stops them as well.
#[derive(Debug)]
pub struct AgentServer {
    addresses: Vec<SocketAddr>,
    tasks: JoinSet<()>,
    sets_seen: Arc<AtomicU64>,
    answered: Arc<AtomicU64>,
}

impl AgentServer {
    /// Opens a socket for every printer and starts to answer.
    ///
    /// With each datagram the room is advanced to what `now` says; a printer that is dark then keeps silent.
    pub async fn start(room: Arc<Mutex<Room>>, now: Now, bind: Bind) -> Result<Self, AgentError> {
        let printers = locked(&room).printers().to_vec();
        let mut server = Self {
            addresses: Vec::with_capacity(printers.len()),
            tasks: JoinSet::new(),
            sets_seen: Arc::default(),
            answered: Arc::default(),
        };
        for (place, printer) in printers.iter().enumerate() {
            let port = match bind {
                Bind::AnyPort => 0,
                Bind::FirstPort(first) => u16::try_from(usize::from(first) + place)
                    .map_err(|_| AgentError::Ports { first, printers: printers.len() })?,
            };
            let address = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
            let failed = |source| AgentError::Bind { printer: printer.name.clone(), address, source };
            let socket = UdpSocket::bind(address).await.map_err(failed)?;
            server.addresses.push(socket.local_addr().map_err(failed)?);
            let desk = Desk {
                socket,
                place,
                agent: Agent::new(printer),
                room: Arc::clone(&room),
                now: Arc::clone(&now),
                sets_seen: Arc::clone(&server.sets_seen),
                answered: Arc::clone(&server.answered),
            };
            server.tasks.spawn(desk.serve());
        }
        Ok(server)
    }

    /// Where each printer listens, in the order of the room.
    pub fn addresses(&self) -> &[SocketAddr] {
        &self.addresses
    }

    /// How many SET requests have come in all; every one was refused.
    pub fn sets_seen(&self) -> u64 {
        self.sets_seen.load(Ordering::Relaxed)
    }

    /// How many datagrams have been answered.
    pub fn answered(&self) -> u64 {
        self.answered.load(Ordering::Relaxed)
    }

    /// Stops answering and frees the ports.
    pub async fn stop(mut self) {
        self.tasks.shutdown().await;
    }
}

/// A poisoned lock means that another task panicked; the room itself is still a whole one.
fn locked(room: &Mutex<Room>) -> std::sync::MutexGuard<'_, Room> {
    room.lock().unwrap_or_else(PoisonError::into_inner)
}

/// One printer's socket and everything needed to answer on it.
struct Desk {
    socket: UdpSocket,
    place: usize,
    agent: Agent,
    room: Arc<Mutex<Room>>,
    now: Now,
    sets_seen: Arc<AtomicU64>,
    answered: Arc<AtomicU64>,
}

impl Desk {
    async fn serve(mut self) {
        let mut buffer = vec![0_u8; 65_535];
        loop {
            // An error here tells of an earlier answer that nobody took; the socket goes on working.
            let Ok((length, from)) = self.socket.recv_from(&mut buffer).await else { continue };
            let Some(reply) = self.answer(&buffer[..length]) else { continue };
            let _ = self.socket.send_to(&reply, from).await;
        }
    }

    fn answer(&mut self, datagram: &[u8]) -> Option<Vec<u8>> {
        let mut room = locked(&self.room);
        room.advance_to((self.now)());
        if room.is_dark(self.place) {
            return None;
        }
        let clock = EngineClock { boots: room.boots(self.place), seconds: room.uptime_seconds(self.place) };
        let (sets, answered) = (self.agent.sets_seen, self.agent.answered);
        let reply = respond(&mut self.agent, room.view(self.place), clock, datagram);
        self.sets_seen.fetch_add(self.agent.sets_seen - sets, Ordering::Relaxed);
        self.answered.fetch_add(self.agent.answered - answered, Ordering::Relaxed);
        reply
    }
}
