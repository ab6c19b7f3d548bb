//! Connections to the pages: so many at once and no more, each with a deadline for what it has to say.
//!
//! Whoever sends a byte a second is let go, and whoever opens connections and says nothing leaves room for others.

use std::collections::HashMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::Router;
use axum::extract::{ConnectInfo, Request};
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::{GracefulShutdown, Watcher};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio_util::sync::CancellationToken;
use tracing::{debug, warn};

use super::tls::Certificates;

/// How long a connection may take to say what it wants, from its beginning and after each answer.
const HEAD: Duration = Duration::from_secs(15);
/// How long it may take to agree on a key.
const HANDSHAKE: Duration = Duration::from_secs(10);
/// A request's head is no larger.
const HEAD_BYTES: usize = 32 * 1024;
/// How many connections there are at once.
const MOST: usize = 1024;
/// How many of them come from one address. This machine's own may be those of everybody, by a server in front.
const MOST_FROM_ONE: usize = 256;
/// After a failure to take a connection, such as too many open files.
const BREATH: Duration = Duration::from_millis(100);

/// How connections are borne with.
#[derive(Debug, Clone, Copy)]
struct Patience {
    head: Duration,
    handshake: Duration,
    most: usize,
    most_from_one: usize,
}

impl Default for Patience {
    fn default() -> Self {
        Self { head: HEAD, handshake: HANDSHAKE, most: MOST, most_from_one: MOST_FROM_ONE }
    }
}

/// Serves pages until it is stopped, and lets what is under way finish.
pub(super) async fn serve(
    listener: TcpListener,
    router: Router,
    certificates: Option<Certificates>,
    stop: CancellationToken,
) {
    serve_with(listener, router, certificates, stop, Patience::default()).await;
}

async fn serve_with(
    listener: TcpListener,
    router: Router,
    certificates: Option<Certificates>,
    stop: CancellationToken,
    patience: Patience,
) {
    let (graceful, rooms) = (GracefulShutdown::new(), Rooms::new(patience));
    loop {
        let Some(Ok(place)) = stop.run_until_cancelled(Arc::clone(&rooms.all).acquire_owned()).await else {
            break;
        };
        let (stream, peer) = match stop.run_until_cancelled(listener.accept()).await {
            None => break,
            Some(Ok(accepted)) => accepted,
            Some(Err(fault)) => {
                warn!("a connection to the pages could not be taken: {fault}");
                tokio::time::sleep(BREATH).await;
                continue;
            }
        };
        let Some(guest) = rooms.enter(peer.ip(), place) else {
            debug!(%peer, "it has as many connections as one address may have");
            continue;
        };
        let (router, watcher) = (router.clone(), graceful.watcher());
        let certificates = certificates.clone();
        tokio::spawn(async move {
            match certificates {
                None => answer(stream, peer, router, watcher, patience).await,
                Some(certificates) => {
                    let handshake = certificates.acceptor().accept(stream);
                    match tokio::time::timeout(patience.handshake, handshake).await {
                        Ok(Ok(stream)) => answer(stream, peer, router, watcher, patience).await,
                        Ok(Err(fault)) => debug!(%peer, "no key was agreed on: {fault}"),
                        Err(_) => debug!(%peer, "no key was agreed on in time"),
                    }
                }
            }
            drop(guest);
        });
    }
    drop(listener);
    graceful.shutdown().await;
}

/// Answers one connection's requests.
async fn answer<S>(stream: S, peer: SocketAddr, router: Router, watcher: Watcher, patience: Patience)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let service = service_fn(move |mut request: Request<Incoming>| {
        request.extensions_mut().insert(ConnectInfo(peer));
        hyper::service::Service::call(&TowerToHyperService::new(router.clone()), request)
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(patience.head)
        .max_buf_size(HEAD_BYTES)
        .serve_connection(TokioIo::new(stream), service);
    if let Err(fault) = watcher.watch(connection).await {
        debug!(%peer, "a connection ended early: {fault}");
    }
}

/// Who is there.
struct Rooms {
    all: Arc<Semaphore>,
    by_address: Arc<Mutex<HashMap<IpAddr, usize>>>,
    most_from_one: usize,
}

/// A connection's place, given back when it ends.
struct Guest {
    address: Option<IpAddr>,
    by_address: Arc<Mutex<HashMap<IpAddr, usize>>>,
    _place: OwnedSemaphorePermit,
}

impl Rooms {
    fn new(patience: Patience) -> Self {
        Self {
            all: Arc::new(Semaphore::new(patience.most)),
            by_address: Arc::default(),
            most_from_one: patience.most_from_one,
        }
    }

    /// A place for a connection from an address, unless that has as many as it may have.
    fn enter(&self, address: IpAddr, place: OwnedSemaphorePermit) -> Option<Guest> {
        let address = Some(address.to_canonical()).filter(|address| !address.is_loopback());
        if let Some(address) = address {
            let mut counts = self.by_address.lock().unwrap_or_else(PoisonError::into_inner);
            let count = counts.entry(address).or_default();
            if *count >= self.most_from_one {
                return None;
            }
            *count += 1;
        }
        Some(Guest { address, by_address: Arc::clone(&self.by_address), _place: place })
    }
}

impl Drop for Guest {
    fn drop(&mut self) {
        let Some(address) = self.address else { return };
        let mut counts = self.by_address.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = counts.get_mut(&address) {
            *count -= 1;
            if *count == 0 {
                counts.remove(&address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io::Read as _;
    use std::io::Write as _;

    use axum::routing::get;

    use super::*;

    /// Serves one page with little patience while somebody asks.
    fn with(certificates: Option<Certificates>, asking: impl FnOnce(SocketAddr)) {
        let runtime =
            tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
        let listener = runtime.block_on(TcpListener::bind("127.0.0.1:0")).unwrap();
        let address = listener.local_addr().unwrap();
        let page = |ConnectInfo(peer): ConnectInfo<SocketAddr>| async move { peer.ip().to_string() };
        let router = Router::new().route("/", get(page));
        let patience =
            Patience { head: Duration::from_millis(300), handshake: HANDSHAKE, most: 8, most_from_one: 2 };
        let stop = CancellationToken::new();
        let served = runtime.spawn(serve_with(listener, router, certificates, stop.clone(), patience));
        asking(address);
        stop.cancel();
        runtime.block_on(served).unwrap();
    }

    fn open(to: SocketAddr) -> std::net::TcpStream {
        let stream = std::net::TcpStream::connect(to).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
        stream
    }

    fn ask(to: SocketAddr) -> String {
        let mut stream = open(to);
        stream.write_all(b"GET / HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n").unwrap();
        let mut text = String::new();
        stream.read_to_string(&mut text).unwrap();
        text
    }

    #[test]
    fn whoever_says_nothing_or_dawdles_is_let_go_and_holds_up_nobody() {
        with(None, |to| {
            // All places but one are taken by connections that say nothing, or only begin.
            let mut silent: Vec<_> = (0..7).map(|_| open(to)).collect();
            for stream in &mut silent[..3] {
                stream.write_all(b"GET / HT").unwrap();
            }
            let told = ask(to);
            assert!(told.starts_with("HTTP/1.1 200") && told.ends_with("127.0.0.1"), "{told}");
            for mut stream in silent {
                assert!(is_let_go(&mut stream), "it says nothing, or only begins");
            }
            assert!(ask(to).starts_with("HTTP/1.1 200"));
        });
    }

    /// Whether the other side ends a connection; it is not waited for without end.
    fn is_let_go(stream: &mut std::net::TcpStream) -> bool {
        let mut rest = Vec::new();
        match stream.read_to_end(&mut rest) {
            Ok(_) => rest.is_empty() || rest.starts_with(b"HTTP/1.1 408"),
            Err(fault) => fault.kind() == std::io::ErrorKind::ConnectionReset,
        }
    }

    #[test]
    fn whoever_sends_an_octet_now_and_then_is_let_go() {
        with(None, |to| {
            let mut stream = open(to);
            // The wait for an answer that does not come is the time between two octets.
            stream.set_read_timeout(Some(Duration::from_millis(20))).unwrap();
            let began = std::time::Instant::now();
            let mut octets = b"GET / HTTP/1.1\r\nX: ".iter().copied().chain(std::iter::repeat(b'x'));
            loop {
                assert!(began.elapsed() < Duration::from_secs(20), "it is heard for ever");
                let mut heard = [0; 64];
                if stream.write_all(&[octets.next().unwrap()]).is_err() {
                    break;
                }
                match stream.read(&mut heard) {
                    Ok(0) => break,
                    Ok(n) => assert!(heard[..n].starts_with(b"HTTP/1.1 408")),
                    Err(fault) if fault.kind() == std::io::ErrorKind::ConnectionReset => break,
                    Err(_) => {}
                }
            }
            assert!(ask(to).starts_with("HTTP/1.1 200"));
        });
    }

    #[test]
    fn a_connection_that_is_kept_idle_ends_too() {
        with(None, |to| {
            let mut stream = open(to);
            stream.write_all(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n").unwrap();
            let mut all = Vec::new();
            stream.read_to_end(&mut all).unwrap();
            assert!(all.starts_with(b"HTTP/1.1 200"));
        });
    }

    #[tokio::test]
    async fn one_address_leaves_room_for_others() {
        let rooms = Rooms::new(Patience { most_from_one: 2, ..Patience::default() });
        let address = |text: &str| text.parse::<IpAddr>().unwrap();
        let place = || Arc::clone(&rooms.all).try_acquire_owned().unwrap();
        let first = rooms.enter(address("192.0.2.1"), place());
        let second = rooms.enter(address("::ffff:192.0.2.1"), place());
        assert!(first.is_some() && second.is_some());
        assert!(rooms.enter(address("192.0.2.1"), place()).is_none());
        assert!(rooms.enter(address("192.0.2.2"), place()).is_some());
        drop(first);
        assert!(rooms.enter(address("192.0.2.1"), place()).is_some());
        let here: Vec<_> = (0..9).filter_map(|_| rooms.enter(address("127.0.0.1"), place())).collect();
        assert_eq!(here.len(), 9, "this machine may be a server in front of everybody");
        drop((second, here));
        assert!(rooms.by_address.lock().unwrap().is_empty());
    }
}
