//! `ullage discover`: search ranges of addresses for printers.

mod told;

use std::net::SocketAddr;
use std::process::ExitCode;
use std::time::Duration;

use tokio_util::sync::CancellationToken;

use super::snmp_options::SnmpOptions;
use super::{OpenStore, USAGE, clock};
use crate::app::search::{Progress, SearchPlan};
use crate::config::ranges::Range;
use crate::config::{Config, DiscoverSettings};
use crate::domain::secret::Secret;
use crate::store::Store;
use crate::store::credentials::CredentialRow;
use crate::store::devices::NewDevice;
use crate::store::reach::WhenInUse;
use crate::usecase::discover::{Found, FoundKind, names, taken_names};
use told::Teller;

/// Options of `ullage discover`.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Only ranges that are written down in the settings as discover.ranges are searched, and \
                        this machine itself. Ctrl-C ends a search; what was found until then is printed."
)]
pub struct Args {
    /// What to search: 10.0.0.0/24, 192.168.4.7, or one address with a port, 192.168.4.7:1161
    #[arg(required = true, value_name = "RANGE", value_parser = place)]
    places: Vec<Place>,
    /// The UDP port that ranges are asked at
    #[arg(long, default_value_t = 161, value_name = "PORT", value_parser = clap::value_parser!(u16).range(1..))]
    port: u16,
    /// Watch the printers that are found, under the names they have themselves, from now on
    #[arg(long)]
    add: bool,
    /// Whom their ink is charged to, with --add
    #[arg(long, requires = "add")]
    cost_centre: Option<String>,
    /// Print one JSON object a device, one a line
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    snmp: SnmpOptions,
    /// A further community to try where nobody answers the first; can be given up to four times
    #[arg(long, value_name = "COMMUNITY")]
    also_community: Vec<Secret>,
    /// The most datagrams in a second [default: discover.rate of the settings, 100]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=1000))]
    rate: Option<u32>,
    /// Seconds that the first try waits for an answer
    #[arg(long, value_name = "SECONDS", default_value_t = 1.0, value_parser = super::poll::seconds)]
    timeout: f64,
    /// How often an address is asked again
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(0..=5))]
    retries: u32,
}

/// What to search.
#[derive(Debug, Clone, Copy)]
enum Place {
    Range(Range),
    Single(SocketAddr),
}

fn place(text: &str) -> Result<Place, String> {
    match text.parse() {
        Ok(address) => Ok(Place::Single(address)),
        Err(_) => text
            .parse()
            .map(Place::Range)
            .map_err(|fault: crate::config::ranges::RangeFault| fault.to_string()),
    }
}

/// Searches and prints who was found.
///
/// # Errors
/// What could not be done, and what to do next.
pub async fn run(args: Args, config: Config) -> anyhow::Result<ExitCode> {
    let prepared = credentials(&args).and_then(|credentials| {
        let plan = plan(&args, &credentials, &config.discover).map_err(|fault| fault.to_string())?;
        Ok((credentials, plan))
    });
    let (credentials, plan) = match prepared {
        Ok(prepared) => prepared,
        Err(fault) => {
            eprintln!("ullage: {fault}");
            return Ok(ExitCode::from(USAGE));
        }
    };
    // A store that cannot be reached is told before a search that takes minutes.
    let open =
        if args.add { Some(OpenStore::open(config.store.clone(), WhenInUse::Join, 1).await?) } else { None };
    let searched = searched(plan).await;
    let Some(open) = open else {
        let (progress, found, stopped) = searched?;
        print(&found, &[], args.json)?;
        return Ok(end(&progress, &found, stopped));
    };
    let result = match searched {
        Ok(searched) => add_and_print(&open.store, searched, &credentials, &args, &config).await,
        Err(fault) => Err(fault),
    };
    open.close_after(result).await
}

/// The first credential of the options, and the further communities.
fn credentials(args: &Args) -> Result<Vec<CredentialRow>, String> {
    let first = args.snmp.row()?;
    if first.version == "v3" && !args.also_community.is_empty() {
        return Err("--also-community belongs to versions 1 and 2c: leave it or the user out".to_owned());
    }
    let also = args
        .also_community
        .iter()
        .map(|word| CredentialRow { community: Some(word.expose().to_owned()), ..first.clone() });
    Ok(std::iter::once(first.clone()).chain(also.clone()).collect())
}

fn plan(
    args: &Args,
    credentials: &[CredentialRow],
    settings: &DiscoverSettings,
) -> Result<SearchPlan, crate::app::search::SearchFault> {
    let (mut ranges, mut single) = (Vec::new(), Vec::new());
    for place in &args.places {
        match place {
            Place::Range(range) => ranges.push(*range),
            Place::Single(address) => single.push(*address),
        }
    }
    let settings = DiscoverSettings { rate: args.rate.unwrap_or(settings.rate), ..settings.clone() };
    let plan = SearchPlan::new((&ranges, args.port), &single, credentials, &settings)?;
    Ok(plan.patience(Duration::from_secs_f64(args.timeout), args.retries))
}

/// Searches until all is searched or somebody presses Ctrl-C; says whether that was so.
async fn searched(plan: SearchPlan) -> anyhow::Result<(Progress, Vec<Found>, bool)> {
    let stop = CancellationToken::new();
    let total = plan.total();
    let mut teller = Teller::new(total);
    let mut found = Vec::new();
    let told = crate::app::until_told();
    tokio::pin!(told);
    let mut last = Progress { total, ..Progress::default() };
    let searching = plan.run(&stop, |progress, one| {
        found.extend(one);
        teller.tell(progress, found.len());
        last.clone_from(progress);
    });
    let stopped = tokio::select! {
        done = searching => done.map(|_| false)?,
        told = &mut told => told.map(|()| true)?,
    };
    teller.end();
    found.sort_by_key(|one: &Found| (one.host.parse::<std::net::IpAddr>().ok(), one.port));
    Ok((last, found, stopped))
}

/// Puts the printers under watch, unless the search was stopped, and prints everybody who was found.
async fn add_and_print(
    store: &Store,
    (progress, found, stopped): (Progress, Vec<Found>, bool),
    credentials: &[CredentialRow],
    args: &Args,
    config: &Config,
) -> anyhow::Result<ExitCode> {
    let devices = store.devices(None).await?;
    let watched: Vec<Option<String>> =
        found.iter().map(|one| one.watched_as(&devices).map(str::to_owned)).collect();
    let is_new =
        |(one, watched): (&'_ Found, &Option<String>)| one.kind == FoundKind::Printer && watched.is_none();
    let new: Vec<&Found> = found
        .iter()
        .zip(&watched)
        .filter(|(one, watched)| is_new((one, watched)))
        .map(|(one, _)| one)
        .collect();
    let mut states: Vec<told::State> =
        watched.iter().map(|name| name.clone().map_or(told::State::New, told::State::Watched)).collect();
    if !stopped {
        let site = store.put_site(&config.site.name, config.site.zone.iana_name().unwrap_or("UTC")).await?;
        for (one, name) in new.iter().zip(names(&new, taken_names(store).await?)) {
            let device = NewDevice {
                name: name.clone(),
                host: one.host.clone(),
                port: one.port,
                cost_centre: args.cost_centre.clone(),
                poll_every_s: config.poll.every_s(),
            };
            let credential = credentials.get(one.credential).cloned().unwrap_or_default();
            store.add_device(site, &credential, &device, clock().now()).await?;
            if let Some(at) = found.iter().position(|other| std::ptr::eq(other, *one)) {
                states[at] = told::State::Added(name);
            }
        }
    }
    print(&found, &states, args.json)?;
    if stopped && !new.is_empty() {
        eprintln!(
            "ullage: nothing was added, because the search was stopped; start it again to add what it finds"
        );
    }
    Ok(end(&progress, &found, stopped))
}

fn print(found: &[Found], states: &[told::State], json: bool) -> anyhow::Result<()> {
    let states = states.iter().chain(std::iter::repeat(&told::State::New));
    for (one, state) in found.iter().zip(states) {
        if json {
            println!("{}", told::json(one, state)?);
        } else {
            println!("{}", told::line(one, state));
        }
    }
    Ok(())
}

/// Says how it went, and with which status the program ends.
fn end(progress: &Progress, found: &[Found], stopped: bool) -> ExitCode {
    eprintln!("ullage: {}", told::summary(progress, found));
    if let Some((count, why)) = &progress.unsent {
        eprintln!("ullage: {count} questions could not be sent; the first: {why}");
    }
    if stopped {
        eprintln!("ullage: the search was stopped; start it again for the rest");
        return ExitCode::FAILURE;
    }
    ExitCode::SUCCESS
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_ranges_or_addresses_with_a_port() {
        assert!(matches!(place("10.0.0.0/24"), Ok(Place::Range(_))));
        assert!(matches!(place("10.0.0.7"), Ok(Place::Range(_))));
        assert!(matches!(place("10.0.0.7:1161"), Ok(Place::Single(_))));
        assert!(matches!(place("[::1]:1161"), Ok(Place::Single(_))));
        for wrong in ["loft", "10.0.0.0/24:1161", "10.0.0.7:99999", "http://10.0.0.7"] {
            assert!(place(wrong).unwrap_err().contains("write it like"), "{wrong}");
        }
    }
}
