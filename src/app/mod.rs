//! Wiring: the poller, the site and what refreshes their figures, around one store, until somebody stops
//! them.

mod access;
mod alert_pages;
mod asking;
mod desk;
mod draining;
mod hands;
mod head_pages;
mod keeping;
mod leasing;
mod metrics;
mod openid;
mod pages;
mod run_pages;
pub mod search;
mod serving;
mod setup;
mod supply_pages;
mod swap_pages;
mod tls;
mod waiting;

use std::net::SocketAddr;
use std::sync::{Arc, PoisonError, RwLock};
use std::time::Duration;

use anyhow::Context;
use jiff::{SignedDuration, Timestamp};
use tokio::net::{TcpListener, UdpSocket};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use tracing::info;

pub use asking::see_to_the_zone;
pub use desk::{StoreDesk, credential};
pub use draining::Running;
pub use leasing::Sharing;
pub use pages::StorePages;
pub use tls::Certificates;
pub use waiting::bring;

use leasing::Tending;

use crate::clock::Clock;
use crate::config::deliver::DeliverSettings;
use crate::config::report::ReportSettings;
use crate::config::{Config, PollSettings};
use crate::domain::ids::DeviceId;
use crate::domain::month::Month;
use crate::domain::outlook::Present;
use crate::domain::rules::Rules;
use crate::jobs::{Handle, Job};
use crate::notify::Post;
use crate::poller::hints::{self, Callers};
use crate::poller::leases::Leases;
use crate::poller::probe::Patience;
use crate::poller::worker::Poller;
use crate::site::Hosts;
use crate::snmp::notification::{Identity, Listener};
use crate::snmp::transport::{Engine, EngineOptions};
use crate::spool::Spool;
use crate::store::Store;
use crate::usecase::advice::Kept;
use crate::usecase::alerts::judge_all_with;
use crate::usecase::changes::Changes;
use crate::usecase::deliver::{Pace, deliver};
use crate::usecase::latest::{Latest, LatestOf};
use crate::usecase::month;
use crate::usecase::month::MonthError;
use crate::usecase::month::mail::mail_in_time;
use crate::usecase::month::page::MonthShown;
use crate::usecase::picture::Picture;
use crate::usecase::view::TrendView;

/// How often the alert rules that do not hang on single polls are applied.
const JUDGE_EVERY: Duration = Duration::from_mins(1);
/// How often it is seen whether a month's report is to be mailed.
const REPORT_EVERY: Duration = Duration::from_hours(1);
/// No job rests for less, however fast its clock runs.
const SHORTEST_REST: Duration = Duration::from_secs(5);
/// How often the outbox is looked into, in life.
const DELIVER_EVERY: Duration = Duration::from_secs(2);
/// How often it is looked whether the picture of the room is due, in life.
const RENEW_EVERY: Duration = Duration::from_secs(5);

/// 2026-01-01T00:00:00Z in Unix seconds: the boot counter of our engine counts from here, and has room until
/// 2094.
const BOOTS_FROM: i64 = 1_767_225_600;

/// What every part of a running service shares.
#[derive(Clone)]
pub struct Service {
    /// Where everything is kept.
    pub store: Store,
    /// The present.
    pub clock: Clock,
    /// The zone that days begin and end in.
    pub zone: jiff::tz::TimeZone,
    /// What the domain goes by.
    pub rules: Rules,
    /// How messages go out.
    pub deliver: DeliverSettings,
    /// How the month's report is handed in.
    pub report: ReportSettings,
    /// Who is let in, and for how long.
    door: Arc<access::Doorkeeper>,
    /// Where polls wait that the store cannot take for now.
    pub spool: Option<Spool>,
    /// How the machine's clock goes.
    hands: Arc<hands::Hands>,
    /// What is counted of how it goes.
    gauges: metrics::Shared,
    /// What was advised the last time.
    pub kept: Arc<Kept>,
    /// Tells pages that are kept open that something is new.
    pub changes: Arc<Changes>,
    /// The print room as pages show it.
    pictures: Arc<Latest<Picture>>,
    /// The months side by side.
    trends: Arc<Latest<TrendView>>,
    /// The months that were asked for last.
    months: Arc<LatestOf<Month, MonthShown>>,
    /// What the set-up pages go by.
    setup: Arc<setup::Setup>,
    /// What holds for now.
    standing: Arc<RwLock<Standing>>,
}

/// What holds for now: set by whoever runs the service, read by every page.
#[derive(Debug, Clone, Default)]
pub struct Standing {
    /// What every page says on top, if anything.
    pub notice: Option<String>,
    /// The moment that pages speak of, where it is not the present: while a past is being brought in.
    pub as_of: Option<Timestamp>,
}

impl Service {
    /// A service over a store, by the settings.
    #[must_use]
    pub fn new(store: Store, clock: Clock, config: &Config) -> Self {
        let (zone, rules, deliver) = (config.site.zone.clone(), config.rules.clone(), config.deliver.clone());
        let setup = Arc::new(setup::Setup::new(config));
        let report = config.report.clone();
        let door = Arc::new(access::Doorkeeper::new(config.access.clone()));
        let kept = Arc::default();
        let (changes, pictures, trends, months, standing) = Default::default();
        Self {
            store,
            clock,
            zone,
            rules,
            deliver,
            report,
            door,
            spool: None,
            hands: Arc::default(),
            gauges: Arc::default(),
            kept,
            changes,
            pictures,
            trends,
            months,
            setup,
            standing,
        }
    }

    /// The present of the site.
    #[must_use]
    pub fn present(&self) -> Present {
        let now = self.standing().as_of.unwrap_or_else(|| self.clock.now());
        Present { now, zone: self.zone.clone() }
    }

    /// The print room as pages show it.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn picture(&self) -> crate::store::Result<Arc<Picture>> {
        let (store, present) = (&self.store, self.present());
        let take = async || Picture::take(store, &present, &self.rules.practice, &self.kept).await;
        self.pictures.get(store, &present, take).await
    }

    /// Works the picture out anew if it takes long and is due.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn renew_picture(&self) -> crate::store::Result<()> {
        let (store, present) = (&self.store, self.present());
        let take = async || Picture::take(store, &present, &self.rules.practice, &self.kept).await;
        self.pictures.renew(store, &present, take).await
    }

    /// The months side by side.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn trend(&self) -> crate::store::Result<Arc<TrendView>> {
        let (store, present) = (&self.store, self.present());
        self.trends.get(store, &present, async || month::trend(store, &present).await).await
    }

    /// Works the months side by side out anew if they take long and are due.
    async fn renew_trend(&self) -> crate::store::Result<()> {
        let (store, present) = (&self.store, self.present());
        self.trends.renew(store, &present, async || month::trend(store, &present).await).await
    }

    /// A month as its page shows it.
    ///
    /// # Errors
    /// If the store cannot be reached, or what it keeps of a closed month cannot be read.
    pub async fn month(&self, month: Month) -> Result<Arc<MonthShown>, MonthError> {
        let (store, present) = (&self.store, self.present());
        let take = async || MonthShown::take(store, month, &present).await;
        self.months.of(&month).get(store, &present, take).await
    }

    /// Works the running month, and those that were asked for last, out anew if they take long and are due.
    async fn renew_months(&self) -> Result<(), MonthError> {
        let (store, present) = (&self.store, self.present());
        // Whoever looks at the months looks at this one first.
        self.months.of(&Month::of(present.today()));
        for (month, latest) in self.months.all() {
            latest.renew(store, &present, async || MonthShown::take(store, month, &present).await).await?;
        }
        Ok(())
    }

    /// Something was done on a page: nothing from before is shown any more.
    pub fn outdate(&self) {
        self.pictures.outdate();
        self.trends.outdate();
        self.months.outdate();
        self.changes.tell();
    }

    /// What holds for now.
    #[must_use]
    pub fn standing(&self) -> Standing {
        self.standing.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Sets what holds from now on.
    pub fn set_standing(&self, standing: Standing) {
        *self.standing.write().unwrap_or_else(PoisonError::into_inner) = standing;
    }
}

impl Running {
    /// Polls every device in time, and at once when one of them notifies through `notifications`.
    ///
    /// # Errors
    /// If the SNMP engine cannot be set up.
    pub fn start_poller(
        &mut self,
        service: &Service,
        settings: &PollSettings,
        notifications: Option<UdpSocket>,
    ) -> anyhow::Result<()> {
        let (poller, hints) =
            self.poller(service, settings, notifications, StoreDesk::new(service.clone()))?;
        self.spawn("polls", poller.run(hints, self.stop.clone()));
        Ok(())
    }

    /// Polls the devices that are leased to this process, while others on the same database poll the rest.
    ///
    /// # Errors
    /// If the SNMP engine cannot be set up.
    pub fn start_sharing_poller(
        &mut self,
        service: &Service,
        settings: &PollSettings,
        notifications: Option<UdpSocket>,
        sharing: Sharing,
    ) -> anyhow::Result<()> {
        let (leases, stop) = (Leases::default(), self.stop.clone());
        service.gauges.count(leases.clone());
        let desk = StoreDesk::new(service.clone()).leasing(leases.clone());
        let (poller, hints) = self.poller(service, settings, notifications, desk)?;
        let tending = Tending::new(service.store.clone(), leases.clone(), sharing, stop.clone());
        self.spawn("asks", asking::hear_asks(service.store.clone(), leases, stop.clone()));
        let polled = CancellationToken::new();
        self.spawn("leases", tending.run(polled.clone()));
        self.spawn("polls", async move {
            // However polling ends: what is not polled is not kept from others.
            let _polled = polled.drop_guard();
            poller.run(hints, stop).await;
        });
        Ok(())
    }

    fn poller(
        &mut self,
        service: &Service,
        settings: &PollSettings,
        notifications: Option<UdpSocket>,
        desk: StoreDesk,
    ) -> anyhow::Result<(Poller<StoreDesk>, mpsc::Receiver<DeviceId>)> {
        let (hint, hints) = mpsc::channel(hints::WAITING);
        let engine = Engine::start(&EngineOptions { max_in_flight: settings.in_flight })?;
        let callers = Callers::default();
        if let Some(socket) = notifications {
            let identity = identity(&socket, service.clock.now());
            let listener = Listener::new(engine.clone(), identity);
            self.spawn(
                "notifications",
                hints::listen(socket, callers.clone(), listener, hint, self.stop.clone()),
            );
        }
        let poller = Poller {
            desk,
            engine,
            clock: service.clock.clone(),
            patience: Patience { timeout: settings.timeout, retries: settings.retries },
            in_flight: settings.in_flight,
            callers,
        };
        Ok((poller, hints))
    }

    /// Applies the alert rules over and over to what is the case.
    pub fn start_alerts(&mut self, service: &Service) -> Handle {
        let gauges = Arc::clone(&service.gauges);
        let job = Job {
            name: "alerts",
            period: service.clock.real(JUDGE_EVERY).max(SHORTEST_REST),
            clock: service.clock.clone(),
        };
        let service = service.clone();
        let work = move || {
            let service = service.clone();
            async move {
                // While a past is brought in, the rules that hang on the present have to wait.
                if service.standing().as_of.is_none() {
                    // Another process that judges by what it loaded a moment ago would clear what this one opens.
                    let Some(_turn) = service.store.turn_at("alerts").await? else { return Ok(()) };
                    let (present, kept) = (service.present(), &service.kept);
                    if judge_all_with(&service.store, &present, &service.rules, kept).await? > 0 {
                        service.changes.tell();
                    }
                }
                Ok(())
            }
        };
        let (handle, running) = job.start(work, self.stop.clone());
        gauges.watch(&handle);
        self.spawn(handle.name(), running);
        handle
    }

    /// Mails the report of each month on its day, to whom the settings name.
    pub fn start_reports(&mut self, service: &Service) -> Handle {
        let gauges = Arc::clone(&service.gauges);
        let job = Job {
            name: "month's report",
            period: service.clock.real(REPORT_EVERY).max(SHORTEST_REST),
            clock: service.clock.clone(),
        };
        let service = service.clone();
        let work = move || {
            let service = service.clone();
            async move {
                let ReportSettings { paper, mail_to, mail_on } = &service.report;
                // While a past is brought in, the last month is not whole.
                if !mail_to.is_empty() && service.standing().as_of.is_none() {
                    mail_in_time(&service.store, *mail_on, mail_to, (*paper, &service.present())).await?;
                }
                Ok(())
            }
        };
        let (handle, running) = job.start(work, self.stop.clone());
        handle.ring();
        gauges.watch(&handle);
        self.spawn(handle.name(), running);
        handle
    }

    /// Hands over what the outbox holds, over and over.
    pub fn start_delivery(&mut self, service: &Service) -> Handle {
        let gauges = Arc::clone(&service.gauges);
        let job = Job { name: "delivery", period: DELIVER_EVERY, clock: service.clock.clone() };
        let (service, settings) = (service.clone(), service.deliver.clone());
        let long = |span: Duration| SignedDuration::try_from(span).unwrap_or(SignedDuration::MAX);
        let pace = Pace { again: long(settings.again), apart: long(settings.apart) };
        let again = service.clock.real(settings.again);
        let post = Arc::new(Post::new(&settings, service.zone.clone(), again));
        let work = move || {
            let (service, post) = (service.clone(), Arc::clone(&post));
            async move {
                deliver(&service.store, &*post, &pace, || service.clock.now()).await?;
                Ok(())
            }
        };
        let (handle, running) = job.start(work, self.stop.clone());
        gauges.watch(&handle);
        self.spawn(handle.name(), running);
        handle
    }

    /// Keeps what pages of a large room are shown from fresh.
    pub fn start_keeping(&mut self, service: &Service) {
        let clock = || service.clock.clone();
        let room = service.clone();
        let (handle, running) = Job { name: "picture", period: RENEW_EVERY, clock: clock() }.start(
            move || {
                let room = room.clone();
                async move { Ok(room.renew_picture().await?) }
            },
            self.stop.clone(),
        );
        service.gauges.watch(&handle);
        self.spawn(handle.name(), running);
        service.pictures.is_renewed_by(handle);
        let months = service.clone();
        let (handle, running) = Job { name: "months", period: RENEW_EVERY, clock: clock() }.start(
            move || {
                let months = months.clone();
                async move {
                    months.renew_trend().await?;
                    Ok(months.renew_months().await?)
                }
            },
            self.stop.clone(),
        );
        service.gauges.watch(&handle);
        service.months.is_renewed_by(&handle);
        self.spawn(handle.name(), running);
        service.trends.is_renewed_by(handle);
    }

    /// Serves the pages.
    pub fn start_site(
        &mut self,
        service: &Service,
        listener: TcpListener,
        certificates: Option<Certificates>,
    ) {
        let router = crate::site::router_for(StorePages(service.clone()), hosts(service, &listener));
        let (stop, ended) = (self.stop.clone(), self.stop.clone());
        let changes = Arc::clone(&service.changes);
        // Pages that listen would keep the service from ending.
        self.spawn("changes", async move {
            ended.cancelled().await;
            changes.end();
        });
        self.spawn("pages", serving::serve(listener, router, certificates, stop));
    }

    /// Serves what programs ask that watch a process without pages.
    pub fn start_watch(
        &mut self,
        service: &Service,
        listener: TcpListener,
        certificates: Option<Certificates>,
    ) {
        let router = crate::site::watch_router_for(StorePages(service.clone()), hosts(service, &listener));
        self.spawn("watch", serving::serve(listener, router, certificates, self.stop.clone()));
    }
}

/// The names that are answered to. To other machines the names of this one mean nothing; there, people are asked who
/// they are.
fn hosts(service: &Service, listener: &TcpListener) -> Hosts {
    let here = listener.local_addr().is_ok_and(|address| address.ip().is_loopback());
    if here && !service.door.https { Hosts::Loopback } else { Hosts::Any }
}

/// Sees to it that nobody who is not asked for a name looks in from another machine.
///
/// # Errors
/// If other machines reach the address, and nobody may come in by name yet.
pub async fn see_to_the_door(address: SocketAddr, store: &Store) -> anyhow::Result<()> {
    anyhow::ensure!(address.ip().is_loopback() || store.has_people().await?, "{}", open_to_all(address));
    Ok(())
}

/// What is wrong with an address that others reach while nobody is asked for a name.
#[must_use]
pub fn open_to_all(address: SocketAddr) -> String {
    format!(
        "listen.address: {address} can be reached from other machines, and nobody would be asked who they are; let \
         an administrator in first with `ullage people add NAME --role administrator`, or write a loopback address \
         such as 127.0.0.1:{}",
        address.port()
    )
}

/// Opens the door that the pages are served at.
///
/// # Errors
/// If the address cannot be had.
pub async fn open_door(address: SocketAddr) -> anyhow::Result<TcpListener> {
    TcpListener::bind(address).await.with_context(|| {
        format!("cannot serve pages at {address}; stop what uses that port, or choose another with --listen")
    })
}

/// Opens the socket that notifications come to, if the settings name one.
///
/// # Errors
/// If the address cannot be had.
pub async fn open_notifications(address: Option<SocketAddr>) -> anyhow::Result<Option<UdpSocket>> {
    let Some(address) = address else { return Ok(None) };
    let socket = UdpSocket::bind(address).await.with_context(|| {
        format!(
            "cannot take notifications at {address}; choose another address in listen.notifications (ports below \
             1024 need privilege)"
        )
    })?;
    Ok(Some(socket))
}

/// Waits until somebody asks the program to end: Ctrl-C, or a service manager's SIGTERM.
///
/// # Errors
/// If the system refuses to hand over signals.
pub async fn until_told() -> anyhow::Result<()> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate())?;
    tokio::select! {
        interrupted = tokio::signal::ctrl_c() => interrupted?,
        _ = terminate.recv() => {}
    }
    info!("stopping");
    Ok(())
}

/// What this service calls itself to those that send it informs of version 3: the same at every start on this
/// machine, with a boot counter that grows because time does.
fn identity(socket: &UdpSocket, now: Timestamp) -> Identity {
    let machine = std::fs::read("/etc/machine-id")
        .unwrap_or_else(|_| rustix::system::uname().nodename().to_bytes().to_vec());
    let at = socket.local_addr().map(|address| address.to_string()).unwrap_or_default();
    Identity::new(
        &[b"ullage notifications ", &*machine, at.as_bytes()].concat(),
        now.as_second() - BOOTS_FROM,
    )
}
