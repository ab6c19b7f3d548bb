//! What readings take on the disk: `SQLX_OFFLINE=true target/debug/ullage db with --throwaway -- cargo bench --bench bytes`.
//!
//! An empty PostgreSQL (`DATABASE_URL`) gets `DAYS` days (365) of quarter-hourly polls of `MACHINES` simulated machines
//! (20) of sixteen supplies each, by the way in of live polls, `POLLS` at a time (96: a day). The machines are those of
//! the demo, each with fifteen inks: two count percent, one steps of half a millilitre, one hundredths of an ounce, two
//! tenths of a millilitre, one of them with a jitter of two steps. Answers come up to three seconds late, to the
//! microsecond, as over a network. The daily job runs, and PostgreSQL vacuums, each simulated day. At the end each
//! table is told with its rows and octets, indexes and all; and again after readings older than four months are one a day.

use std::collections::BTreeMap;
use std::str::FromStr;
use std::time::Instant;

use anyhow::Context;
use jiff::{SignedDuration, Timestamp};
use mock_agent::Scenario;
use sqlx::AssertSqlSafe;
use sqlx::postgres::PgConnectOptions;
use ullage::config::{Config, Overrides};
use ullage::demo::{DemoRoom, Opening, poll_days};
use ullage::domain::outlook::Present;
use ullage::store::Store;
use ullage::store::seal::{Key, KeyRing, KeySource};
use ullage::usecase::ingest::ingest;
use ullage::usecase::keeping::tidy;

const NOW: &str = "2026-11-25T00:00:00Z";
const SUPPLIES: usize = 16;

fn number(name: &str, usual: usize) -> usize {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(usual)
}

/// The demo's machines, over and over, each with fifteen inks and a receptacle.
fn scenario(machines: usize) -> Scenario {
    let mut scenario = Scenario::vellmoor();
    let plans = std::mem::take(&mut scenario.printers);
    for (n, plan) in plans.iter().cycle().take(machines).enumerate() {
        let mut plan = plan.clone();
        plan.name = format!("{} {n}", plan.name);
        plan.serial = format!("{}-{n}", plan.serial);
        plan.dark.clear();
        let inks = std::mem::take(&mut plan.inks);
        plan.inks = inks.iter().cycle().take(SUPPLIES - 1).cloned().collect();
        for (place, ink) in plan.inks.iter_mut().enumerate().skip(inks.len()) {
            ink.colour = format!("{} {place}", ink.colour);
            ink.description = Some(format!("{} ink cartridge", ink.colour));
        }
        scenario.printers.push(plan);
    }
    scenario
}

/// Up to three seconds, another each time.
fn late(seed: &mut u64) -> SignedDuration {
    *seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    SignedDuration::from_micros(i64::try_from((*seed >> 33) % 3_000_000).unwrap_or(0))
}

async fn tell(store: &Store, supply_years: f64, what: &str) -> anyhow::Result<()> {
    let tables: Vec<String> = sqlx::query_scalar(
        "select relname::text from pg_class where relnamespace = 'public'::regnamespace and relkind = 'r'",
    )
    .fetch_all(store.pool())
    .await?;
    let mut sums: BTreeMap<String, (i64, i64)> = BTreeMap::new();
    for table in tables {
        sqlx::query(AssertSqlSafe(format!("vacuum analyze {table}"))).execute(store.pool()).await?;
        let row: (i64, i64) = sqlx::query_as(AssertSqlSafe(format!(
            "select (select count(*) from {table}), pg_total_relation_size('{table}')"
        )))
        .fetch_one(store.pool())
        .await?;
        // What is kept by month is told as one.
        let name =
            table.trim_end_matches("_other").trim_end_matches(|c: char| c.is_ascii_digit() || c == '_');
        let sum = sums.entry(name.to_owned()).or_default();
        *sum = (sum.0 + row.0, sum.1 + row.1);
    }
    let total: i64 = sums.values().map(|(_, bytes)| bytes).sum();
    let mut sums: Vec<_> = sums.into_iter().collect();
    sums.sort_by_key(|(_, (_, bytes))| -bytes);
    println!("{what}:");
    println!("{:20} {:>12} {:>16} {:>18}", "table", "rows", "octets", "kB / supply-year");
    let line = |name: &str, rows: String, bytes: i64| {
        println!("{name:20} {rows:>12} {bytes:>16} {:>18.2}", bytes as f64 / 1e3 / supply_years);
    };
    for (name, (rows, bytes)) in sums.iter().filter(|(_, (_, bytes))| *bytes * 1000 > total) {
        line(name, rows.to_string(), *bytes);
    }
    line("everything", String::new(), total);
    Ok(())
}

#[tokio::main]
async fn main() -> anyhow::Result<()> {
    let url = std::env::var("DATABASE_URL").context("DATABASE_URL names an empty PostgreSQL")?;
    let keys = KeySource::Given(KeyRing::of(Key::fresh()?));
    let store = Store::open(PgConnectOptions::from_str(&url)?, 4, keys).await?;
    let (machines, days, polls) = (number("MACHINES", 20), number("DAYS", 365), number("POLLS", 96));
    let scenario = scenario(machines);
    let config =
        Config::parse("", &|_| None, &Overrides::default()).map_err(|faults| anyhow::anyhow!("{faults}"))?;
    let zone = jiff::tz::TimeZone::get("Europe/Lisbon")?;
    let now: Timestamp = NOW.parse()?;
    let opening = Opening::before(now, u32::try_from(days)?, &zone)?;
    let demo = DemoRoom::open(&store, &scenario, opening).await?;
    let (began, mut seed, mut at) = (Instant::now(), 7, opening.opened);
    // As a service does when it starts.
    tidy(&store, 0, &Present { now: at, zone: zone.clone() }, || true).await?;
    while at < now {
        let until = at.checked_add(SignedDuration::from_hours(24))?.min(now);
        let present = Present { now: until, zone: zone.clone() };
        for ((device, name), mut told) in demo.devices.iter().zip(poll_days(&demo, at, until).await?) {
            told.iter_mut().for_each(|poll| poll.at += late(&mut seed));
            for some in told.chunks(polls) {
                ingest(&store, *device, name, some, &present, &config.rules).await?;
            }
        }
        at = until;
        tidy(&store, 0, &present, || true).await?;
        sqlx::query("vacuum").execute(store.pool()).await?;
    }
    let supply_years = (machines * SUPPLIES) as f64 * days as f64 / 365.0;
    println!("{machines} machines of {SUPPLIES} supplies, {days} days in, in {:.0?}", began.elapsed());
    let present = Present { now, zone: zone.clone() };
    for (months, what) in [(0, "every reading"), (4, "of readings older than four months one a day")] {
        let began = Instant::now();
        let done = tidy(&store, months, &present, || true).await?;
        println!("{done:?} in {:.1?}", began.elapsed());
        // In life a slot's follower is put away once a month, and not for eight of them in one go.
        sqlx::query("vacuum full slot_base").execute(store.pool()).await?;
        tell(&store, supply_years, what).await?;
    }
    store.close().await;
    Ok(())
}
