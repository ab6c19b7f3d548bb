//! Connections to the pages: so many at once and no more, each with a deadline for what it has to say.
//!
//! Whoever sends a byte a second is let go, and so is whoever does not take the answer; whoever opens connections and
//! says nothing leaves room for others. At the end what is under way may finish, and what does not is cut off.

use std::collections::BTreeSet;
use std::net::{IpAddr, Ipv6Addr, SocketAddr};
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
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio_io_timeout::TimeoutStream;
use tokio_util::sync::CancellationToken;
use tracing::{debug, warn};

use super::tls::Certificates;

/// How long a connection may take to say what it wants, from its beginning and after each answer.
const HEAD: Duration = Duration::from_secs(15);
/// How long it may take to agree on a key.
const HANDSHAKE: Duration = Duration::from_secs(10);
/// How long it may take nothing of an answer that is ready for it.
const UNREAD: Duration = Duration::from_secs(30);
/// How long what is under way may take to finish at the end: less than the service itself waits for the pages.
const LAST: Duration = Duration::from_secs(8);
/// A request's head is no larger.
const HEAD_BYTES: usize = 32 * 1024;
/// How many connections there are at once.
const MOST: usize = 1024;
/// How many of them come from one address, or one network of IPv6: a machine picks its addresses in a /64 as it likes
/// (RFC 4862). This machine's own may be those of everybody, by a server in front.
const MOST_FROM_ONE: usize = 256;
/// After a failure to take a connection, such as too many open files.
const BREATH: Duration = Duration::from_millis(100);

/// How connections are borne with.
#[derive(Debug, Clone, Copy)]
struct Patience {
    head: Duration,
    handshake: Duration,
    unread: Duration,
    last: Duration,
    most: usize,
    most_from_one: usize,
}

impl Default for Patience {
    fn default() -> Self {
        Self {
            head: HEAD,
            handshake: HANDSHAKE,
            unread: UNREAD,
            last: LAST,
            most: MOST,
            most_from_one: MOST_FROM_ONE,
        }
    }
}

/// Serves pages until it is stopped, and lets what is under way finish, within a deadline. What is cut off then is told
/// in the log.
pub(super) async fn serve(
    listener: TcpListener,
    router: Router,
    certificates: Option<Certificates>,
    stop: CancellationToken,
) {
    let patience = Patience::default();
    let cut_off = serve_with(listener, router, certificates, stop, patience).await;
    if !cut_off.is_empty() {
        let from: BTreeSet<String> =
            cut_off.iter().map(|peer| peer.ip().to_canonical().to_string()).collect();
        warn!(
            "{} connection(s) to the pages were still under way after {:?} and are cut off, from {}",
            cut_off.len(),
            patience.last,
            from.into_iter().collect::<Vec<_>>().join(", ")
        );
    }
}

async fn serve_with(
    listener: TcpListener,
    router: Router,
    certificates: Option<Certificates>,
    stop: CancellationToken,
    patience: Patience,
) -> Vec<SocketAddr> {
    let (graceful, rooms) = (GracefulShutdown::new(), Rooms::new(patience));
    // Connections end with this function, however it ends.
    let cut = CancellationToken::new();
    let _cut = cut.clone().drop_guard();
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
        let Some(guest) = rooms.enter(peer, place) else {
            debug!(%peer, "it has as many connections as one address may have");
            continue;
        };
        let talk = talk(stream, peer, (router.clone(), graceful.watcher()), certificates.clone(), patience);
        let cut = cut.clone();
        tokio::spawn(async move {
            cut.run_until_cancelled(talk).await;
            drop(guest);
        });
    }
    drop(listener);
    match tokio::time::timeout(patience.last, graceful.shutdown()).await {
        Ok(()) => Vec::new(),
        Err(_) => rooms.there(),
    }
}

/// Agrees on a key, where pages are served by https, and answers.
async fn talk(
    stream: TcpStream,
    peer: SocketAddr,
    (router, watcher): (Router, Watcher),
    certificates: Option<Certificates>,
    patience: Patience,
) {
    let mut stream = TimeoutStream::new(stream);
    stream.set_write_timeout(Some(patience.unread));
    let stream = Box::pin(stream);
    let Some(certificates) = certificates else {
        return answer(stream, peer, router, watcher, patience).await;
    };
    let handshake = certificates.acceptor().accept(stream);
    match tokio::time::timeout(patience.handshake, handshake).await {
        Ok(Ok(stream)) => answer(stream, peer, router, watcher, patience).await,
        Ok(Err(fault)) => debug!(%peer, "no key was agreed on: {fault}"),
        Err(_) => debug!(%peer, "no key was agreed on in time"),
    }
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
    there: Arc<Mutex<BTreeSet<SocketAddr>>>,
    most_from_one: usize,
}

/// A connection's place, given back when it ends.
struct Guest {
    peer: SocketAddr,
    there: Arc<Mutex<BTreeSet<SocketAddr>>>,
    _place: OwnedSemaphorePermit,
}

impl Rooms {
    fn new(patience: Patience) -> Self {
        Self {
            all: Arc::new(Semaphore::new(patience.most)),
            there: Arc::default(),
            most_from_one: patience.most_from_one,
        }
    }

    /// A place for a connection, unless those that it comes from have as many as they may have.
    fn enter(&self, peer: SocketAddr, place: OwnedSemaphorePermit) -> Option<Guest> {
        let mut there = self.there.lock().unwrap_or_else(PoisonError::into_inner);
        let from = household(peer.ip());
        if !from.is_loopback() {
            let of_them = there.iter().filter(|other| household(other.ip()) == from).count();
            if of_them >= self.most_from_one {
                return None;
            }
        }
        there.insert(peer);
        Some(Guest { peer, there: Arc::clone(&self.there), _place: place })
    }

    /// Those who are there.
    fn there(&self) -> Vec<SocketAddr> {
        self.there.lock().unwrap_or_else(PoisonError::into_inner).iter().copied().collect()
    }
}

/// What stands for all addresses that one machine may speak from: the network's number of an IPv6 address.
fn household(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(address) if !address.is_loopback() => {
            IpAddr::V6(Ipv6Addr::from_bits(address.to_bits() & !u128::from(u64::MAX)))
        }
        address => address,
    }
}

impl Drop for Guest {
    fn drop(&mut self) {
        self.there.lock().unwrap_or_else(PoisonError::into_inner).remove(&self.peer);
    }
}

#[cfg(test)]
mod tests {
    use std::io::Read as _;
    use std::io::Write as _;
    use std::sync::atomic::{AtomicUsize, Ordering};

    use axum::routing::get;

    use super::*;

    /// Serves with little patience while somebody asks; gives back who was cut off at the end.
    fn with(certificates: Option<Certificates>, asking: impl FnOnce(SocketAddr)) -> Vec<SocketAddr> {
        let runtime =
            tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
        let listener = runtime.block_on(TcpListener::bind("127.0.0.1:0")).unwrap();
        let address = listener.local_addr().unwrap();
        let page = |ConnectInfo(peer): ConnectInfo<SocketAddr>| async move { peer.ip().to_string() };
        // More than the buffers of both ends take.
        let long = || async { vec![b'x'; 64 * 1024 * 1024] };
        let begun = Arc::new(AtomicUsize::new(0));
        let counted = Arc::clone(&begun);
        let endless = || async move {
            counted.fetch_add(1, Ordering::SeqCst);
            std::future::pending::<String>().await
        };
        let router = Router::new()
            .route("/", get(page))
            .route("/long", get(long))
            .route("/endless", get(endless))
            .route("/begun", get(|| async move { begun.load(Ordering::SeqCst).to_string() }));
        let patience = Patience {
            head: Duration::from_millis(300),
            unread: Duration::from_millis(300),
            last: Duration::from_millis(300),
            most: 8,
            most_from_one: 2,
            ..Patience::default()
        };
        let stop = CancellationToken::new();
        let served = runtime.spawn(serve_with(listener, router, certificates, stop.clone(), patience));
        asking(address);
        stop.cancel();
        runtime.block_on(served).unwrap()
    }

    fn open(to: SocketAddr) -> std::net::TcpStream {
        let stream = std::net::TcpStream::connect(to).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
        stream
    }

    fn ask(to: SocketAddr) -> String {
        ask_for(to, "/")
    }

    fn ask_for(to: SocketAddr, path: &str) -> String {
        let mut stream = open(to);
        write!(stream, "GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n").unwrap();
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

    #[test]
    fn whoever_does_not_take_the_answer_is_let_go() {
        with(None, |to| {
            let mut stream = open(to);
            stream.write_all(b"GET /long HTTP/1.1\r\nHost: localhost\r\n\r\n").unwrap();
            // Nothing is read until the other side gives up; what it had sent before is all that comes.
            let began = std::time::Instant::now();
            while stream.write_all(b"x").is_ok() {
                assert!(began.elapsed() < Duration::from_secs(20), "it is waited for without end");
                assert!(ask(to).starts_with("HTTP/1.1 200"), "others are served all the while");
            }
            let mut taken = 0;
            let mut some = vec![0; 1 << 20];
            while let Ok(n @ 1..) = stream.read(&mut some) {
                taken += n;
            }
            assert!(taken < 64 * 1024 * 1024, "the whole answer came: {taken}");
        });
    }

    #[test]
    fn what_never_ends_is_cut_off_at_the_end() {
        let mut left = None;
        let cut_off = with(None, |to| {
            let mut stream = open(to);
            stream.write_all(b"GET /endless HTTP/1.1\r\nHost: localhost\r\n\r\n").unwrap();
            let began = std::time::Instant::now();
            while !ask_for(to, "/begun").ends_with('1') {
                assert!(began.elapsed() < Duration::from_secs(20), "nobody asks for it");
            }
            left = Some(stream);
        });
        let mut stream = left.unwrap();
        assert_eq!(cut_off, [stream.local_addr().unwrap()]);
        assert!(is_let_go(&mut stream));
        assert!(with(None, |to| assert!(ask(to).starts_with("HTTP/1.1 200"))).is_empty());
    }

    #[tokio::test]
    async fn one_address_leaves_room_for_others() {
        let rooms = Rooms::new(Patience { most_from_one: 2, ..Patience::default() });
        let place = || Arc::clone(&rooms.all).try_acquire_owned().unwrap();
        let ports = std::cell::Cell::new(40_000);
        let enter = |text: &str| {
            ports.set(ports.get() + 1);
            rooms.enter(SocketAddr::new(text.parse().unwrap(), ports.get()), place())
        };
        let first = enter("192.0.2.1");
        let second = enter("::ffff:192.0.2.1");
        assert!(first.is_some() && second.is_some());
        assert!(enter("192.0.2.1").is_none());
        assert!(enter("192.0.2.2").is_some());
        drop(first);
        assert!(enter("192.0.2.1").is_some());
        // One machine has a /64 of addresses (RFC 4862), and they count as one; documentation's own (RFC 3849).
        let many = [enter("2001:db8:0:1::1"), enter("2001:db8:0:1:ffff::2")];
        assert!(many.iter().all(Option::is_some));
        assert!(enter("2001:db8:0:1::3").is_none());
        assert!(enter("2001:db8:0:2::1").is_some());
        let here: Vec<_> = ["127.0.0.1", "::1"].repeat(5).into_iter().filter_map(enter).collect();
        assert_eq!(here.len(), 10, "this machine may be a server in front of everybody");
        drop((second, many, here));
        assert!(rooms.there().is_empty());
    }
}
