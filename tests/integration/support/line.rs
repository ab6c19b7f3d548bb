//! A line in front of each simulated printer, slow or bad, which writes down who asked when.

use std::net::SocketAddr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use tokio::net::UdpSocket;
use tokio::task::JoinSet;

use super::DEADLINE;
use super::chance::Chance;

/// Datagrams to one printer: when each came, and from whom.
type Heard = Arc<Mutex<Vec<(Instant, SocketAddr)>>>;

/// How lines treat a datagram.
#[derive(Clone)]
enum Manner {
    /// Each answer takes so long.
    Slow(Duration),
    /// A fifth of all datagrams is lost, each way; one in ten comes twice; and some overtake others.
    Bad { chance: Arc<Mutex<Chance>>, lost: Arc<AtomicU64> },
}

impl Manner {
    /// After how long each copy of a datagram arrives.
    fn copies(&self, is_answer: bool) -> Vec<Duration> {
        match self {
            Self::Slow(takes) => vec![if is_answer { *takes } else { Duration::ZERO }],
            Self::Bad { chance, lost } => {
                let mut chance = chance.lock().unwrap();
                let count = match chance.below(10) {
                    0 | 1 => 0,
                    2 => 2,
                    _ => 1,
                };
                lost.fetch_add(u64::from(count == 0), Ordering::Relaxed);
                (0..count).map(|_| Duration::from_millis(chance.below(40))).collect()
            }
        }
    }
}

/// The lines; dropping them cuts them off.
pub(crate) struct Lines {
    places: Vec<(SocketAddr, Heard)>,
    manner: Manner,
    _tasks: JoinSet<()>,
}

impl Lines {
    /// A line to each of these agents, over which an answer takes so long.
    pub(crate) async fn to(agents: &[SocketAddr], takes: Duration) -> Self {
        Self::with(agents, Manner::Slow(takes)).await
    }

    /// A line to each of these agents that loses, doubles and disorders datagrams.
    pub(crate) async fn bad(agents: &[SocketAddr], seed: u64) -> Self {
        let manner = Manner::Bad { chance: Arc::new(Mutex::new(Chance(seed))), lost: Arc::default() };
        Self::with(agents, manner).await
    }

    async fn with(agents: &[SocketAddr], manner: Manner) -> Self {
        let (mut places, mut tasks) = (Vec::new(), JoinSet::new());
        for agent in agents.iter().copied() {
            let front = Arc::new(UdpSocket::bind("127.0.0.1:0").await.unwrap());
            let (heard, manner) = (Heard::default(), manner.clone());
            places.push((front.local_addr().unwrap(), Arc::clone(&heard)));
            tasks.spawn(async move {
                let mut buffer = vec![0; 65_535];
                loop {
                    let Ok((length, from)) = front.recv_from(&mut buffer).await else { continue };
                    heard.lock().unwrap().push((Instant::now(), from));
                    for takes in manner.copies(false) {
                        let (front, datagram) = (Arc::clone(&front), buffer[..length].to_vec());
                        tokio::spawn(carry(front, agent, datagram, from, takes, manner.clone()));
                    }
                }
            });
        }
        Self { places, manner, _tasks: tasks }
    }

    /// Where each printer is found.
    pub(crate) fn addresses(&self) -> Vec<SocketAddr> {
        self.places.iter().map(|(address, _)| *address).collect()
    }

    /// When a printer was asked, and from where, in order.
    pub(crate) fn heard(&self, place: usize) -> Vec<(Instant, SocketAddr)> {
        self.places[place].1.lock().unwrap().clone()
    }

    /// How many datagrams were lost, there and back.
    pub(crate) fn lost(&self) -> u64 {
        match &self.manner {
            Manner::Slow(_) => 0,
            Manner::Bad { lost, .. } => lost.load(Ordering::Relaxed),
        }
    }
}

/// Takes one copy of a datagram to the agent, and brings back what that says.
async fn carry(
    front: Arc<UdpSocket>,
    agent: SocketAddr,
    datagram: Vec<u8>,
    from: SocketAddr,
    takes: Duration,
    manner: Manner,
) {
    tokio::time::sleep(takes).await;
    let back = UdpSocket::bind("127.0.0.1:0").await.unwrap();
    back.send_to(&datagram, agent).await.unwrap();
    let mut buffer = vec![0; 65_535];
    let Ok(Ok(length)) = tokio::time::timeout(DEADLINE, back.recv(&mut buffer)).await else { return };
    let mut copies = manner.copies(true);
    copies.sort_unstable();
    let mut gone = Duration::ZERO;
    for takes in copies {
        tokio::time::sleep(takes.saturating_sub(gone)).await;
        gone = takes;
        let _ = front.send_to(&buffer[..length], from).await;
    }
}
