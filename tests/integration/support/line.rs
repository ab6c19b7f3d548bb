//! A slow line in front of each simulated printer, which writes down who asked when.

use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use tokio::net::UdpSocket;
use tokio::task::JoinSet;

use super::DEADLINE;

/// Datagrams to one printer: when each came, and from whom.
type Heard = Arc<Mutex<Vec<(Instant, SocketAddr)>>>;

/// The lines; dropping them cuts them off.
pub(crate) struct Lines {
    places: Vec<(SocketAddr, Heard)>,
    _tasks: JoinSet<()>,
}

impl Lines {
    /// A line to each of these agents, over which an answer takes so long.
    pub(crate) async fn to(agents: &[SocketAddr], takes: Duration) -> Self {
        let (mut places, mut tasks) = (Vec::new(), JoinSet::new());
        for agent in agents.iter().copied() {
            let front = Arc::new(UdpSocket::bind("127.0.0.1:0").await.unwrap());
            let heard = Heard::default();
            places.push((front.local_addr().unwrap(), Arc::clone(&heard)));
            tasks.spawn(async move {
                let mut buffer = vec![0; 65_535];
                loop {
                    let Ok((length, from)) = front.recv_from(&mut buffer).await else { continue };
                    heard.lock().unwrap().push((Instant::now(), from));
                    tokio::spawn(carry(Arc::clone(&front), agent, buffer[..length].to_vec(), from, takes));
                }
            });
        }
        Self { places, _tasks: tasks }
    }

    /// Where each printer is found.
    pub(crate) fn addresses(&self) -> Vec<SocketAddr> {
        self.places.iter().map(|(address, _)| *address).collect()
    }

    /// When a printer was asked, and from where, in order.
    pub(crate) fn heard(&self, place: usize) -> Vec<(Instant, SocketAddr)> {
        self.places[place].1.lock().unwrap().clone()
    }
}

async fn carry(
    front: Arc<UdpSocket>,
    agent: SocketAddr,
    datagram: Vec<u8>,
    from: SocketAddr,
    takes: Duration,
) {
    let back = UdpSocket::bind("127.0.0.1:0").await.unwrap();
    back.send_to(&datagram, agent).await.unwrap();
    let mut buffer = vec![0; 65_535];
    if let Ok(Ok(length)) = tokio::time::timeout(DEADLINE, back.recv(&mut buffer)).await {
        tokio::time::sleep(takes).await;
        let _ = front.send_to(&buffer[..length], from).await;
    }
}
