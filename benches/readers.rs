//! What pages cost with a large print room behind them and many people looking:
//! `SQLX_OFFLINE=true target/debug/ullage db with --throwaway -- cargo bench --bench readers`.
//!
//! A real PostgreSQL (`DATABASE_URL`) is filled with `MACHINES` machines of sixteen supplies each (10,000 unless the
//! environment says otherwise) if it is empty. Then one reader asks for each page over and over, and after that `READERS`
//! readers (100) at once, each looking at one page after the other with a second in between, for `SECONDS` (60). Times
//! are from the request to the last byte, over a kept connection on this machine; sizes are of the HTML alone.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::str::FromStr;
use std::time::{Duration, Instant};

use anyhow::Context;
use sqlx::AssertSqlSafe;
use sqlx::postgres::PgConnectOptions;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufStream};
use tokio::net::{TcpListener, TcpStream};
use ullage::app::{Running, Service};
use ullage::clock::Clock;
use ullage::config::{Config, Overrides};
use ullage::store::Store;
use ullage::store::seal::{Key, KeyRing, KeySource};

const NOW: &str = "2026-11-25T12:00:00Z";
const TODAY: &str = "2026-11-25";

/// What is asked for; `ID` stands for a machine that is another one each time.
const PAGES: [&str; 20] = [
    "/",
    "/tasks?page=2",
    "/tasks?find=loom+00012&kind=swap",
    "/machines",
    "/machines?page=120",
    "/machines?find=hall+12+loom&sort=ends",
    "/machines?by=cost-centre&sort=alerts&page=3",
    "/machines/ID",
    "/machines/ID/heads",
    "/machines/ID/units",
    "/alerts",
    "/alerts?find=loom+00012",
    "/shelf",
    "/shelf/parts/VO-CYAN",
    "/shelf/parts/VO-CYAN?find=loom+00012",
    "/orders",
    "/months",
    "/months?page=100",
    "/months/2026-11",
    "/months/2026-11?page=300",
];

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(usual)
}

async fn fill(store: &Store, machines: u64) -> anyhow::Result<()> {
    let known: i64 = sqlx::query_scalar("select count(*) from device").fetch_one(store.pool()).await?;
    if known > 0 {
        println!("{known} machines are there already");
        return Ok(());
    }
    let began = Instant::now();
    let fill = include_str!("readers/fill.sql");
    let fill = fill.replace("$machines", &machines.to_string()).replace("$now", NOW).replace("$today", TODAY);
    sqlx::raw_sql(AssertSqlSafe(fill)).execute(store.pool()).await?;
    println!("{machines} machines with {} supplies filled in in {:.0?}", machines * 16, began.elapsed());
    Ok(())
}

/// One reader's connection.
struct Reader {
    stream: BufStream<TcpStream>,
    address: SocketAddr,
    seen: u64,
}

impl Reader {
    async fn connect(address: SocketAddr, seen: u64) -> anyhow::Result<Self> {
        let stream = TcpStream::connect(address).await?;
        stream.set_nodelay(true)?;
        Ok(Self { stream: BufStream::new(stream), address, seen })
    }

    /// Asks for a page: how long it took, and how many bytes came.
    async fn ask(&mut self, path: &str, machines: u64) -> anyhow::Result<(Duration, usize)> {
        self.seen = self.seen.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let machine = (self.seen >> 33) % machines + 1;
        let asked = path.replace("ID", &machine.to_string());
        let began = Instant::now();
        let request = format!("GET {asked} HTTP/1.1\r\nHost: {}\r\n\r\n", self.address);
        self.stream.write_all(request.as_bytes()).await?;
        self.stream.flush().await?;
        let mut line = String::new();
        self.stream.read_line(&mut line).await?;
        anyhow::ensure!(line.contains(" 200 "), "{asked}: {line}");
        let mut length = 0;
        loop {
            line.clear();
            self.stream.read_line(&mut line).await?;
            if line.trim().is_empty() {
                break;
            }
            if let Some(value) = line.to_ascii_lowercase().strip_prefix("content-length:") {
                length = value.trim().parse().context("a length")?;
            }
        }
        let mut body = vec![0; length];
        self.stream.read_exact(&mut body).await?;
        Ok((began.elapsed(), length))
    }
}

fn tell(path: &str, times: &mut [Duration], bytes: usize) {
    times.sort();
    let at = |share: f64| times[((times.len() - 1) as f64 * share).ceil() as usize].as_secs_f64() * 1e3;
    println!(
        "{path:45} {:>5} answers  p50 {:>8.1} ms  p99 {:>8.1} ms  {:>8.1} kB",
        times.len(),
        at(0.5),
        at(0.99),
        bytes as f64 / 1e3
    );
}

async fn alone(address: SocketAddr, pages: &[&'static str], machines: u64) -> anyhow::Result<()> {
    println!("one reader:");
    let rounds = number("ROUNDS", 40);
    for path in pages {
        let mut reader = Reader::connect(address, 7).await?;
        let (first, mut bytes) = reader.ask(path, machines).await?;
        let mut times = Vec::new();
        for _ in 0..if first > Duration::from_secs(1) { 3 } else { rounds } {
            let (took, length) = reader.ask(path, machines).await?;
            times.push(took);
            bytes = bytes.max(length);
        }
        tell(path, &mut times, bytes);
    }
    Ok(())
}

async fn together(address: SocketAddr, pages: &[&'static str], machines: u64) -> anyhow::Result<()> {
    let (readers, seconds) = (number("READERS", 100), number("SECONDS", 60));
    println!("{readers} readers, a page a second each, for {seconds} s:");
    let until = Instant::now() + Duration::from_secs(seconds);
    let mut tasks = tokio::task::JoinSet::new();
    for reader in 0..readers {
        let pages = pages.to_vec();
        tasks.spawn(async move {
            let mut told = Vec::new();
            let mut connection = Reader::connect(address, reader * 2 + 1).await?;
            let mut tick = tokio::time::interval(Duration::from_secs(1));
            // Readers begin at different moments and with different pages.
            tokio::time::sleep(Duration::from_millis(reader * 1000 / readers)).await;
            tick.reset();
            for path in pages.iter().cycle().skip(reader as usize % pages.len()) {
                tick.tick().await;
                if Instant::now() >= until {
                    break;
                }
                told.push((*path, connection.ask(path, machines).await?));
            }
            anyhow::Ok(told)
        });
    }
    let mut all: BTreeMap<&str, (Vec<Duration>, usize)> = BTreeMap::new();
    while let Some(told) = tasks.join_next().await {
        for (path, (took, bytes)) in told?? {
            let entry = all.entry(path).or_default();
            entry.0.push(took);
            entry.1 = entry.1.max(bytes);
        }
    }
    for (path, (mut times, bytes)) in all {
        tell(path, &mut times, bytes);
    }
    Ok(())
}

#[tokio::main]
async fn main() -> anyhow::Result<()> {
    let url = std::env::var("DATABASE_URL").context("DATABASE_URL names a PostgreSQL that may be filled")?;
    let store =
        Store::open(PgConnectOptions::from_str(&url)?, 12, KeySource::Given(KeyRing::of(Key::fresh()?)))
            .await?;
    let machines = number("MACHINES", 10_000);
    fill(&store, machines).await?;
    let zone = |name: &str| (name == "ULLAGE_SITE_TIME_ZONE").then(|| "Europe/Lisbon".to_owned());
    let config =
        Config::parse("", &zone, &Overrides::default()).map_err(|faults| anyhow::anyhow!("{faults}"))?;
    let service = Service::new(store.clone(), Clock::scaled(NOW.parse()?, 1.0), &config);
    let began = Instant::now();
    service.renew_picture().await?;
    println!("the first picture of the room took {:.1?}", began.elapsed());
    let listener = TcpListener::bind("127.0.0.1:0").await?;
    let address = listener.local_addr()?;
    let mut running = Running::new();
    running.start_keeping(&service);
    running.start_site(&service, listener, None);
    let only = std::env::var("ONLY").unwrap_or_default();
    let skip = std::env::var("SKIP").unwrap_or_default();
    let skipped = |path: &str| skip.split(',').any(|part| !part.is_empty() && path.starts_with(part));
    let pages: Vec<&str> = PAGES.into_iter().filter(|path| path.contains(&only) && !skipped(path)).collect();
    alone(address, &pages, machines).await?;
    if number("READERS", 100) > 0 {
        together(address, &pages, machines).await?;
    }
    running.drain().await;
    store.close().await;
    Ok(())
}
