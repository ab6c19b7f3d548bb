//! What a running service does beside answering: each of these starts one thing, which ends when the service is told to.

use std::sync::Arc;
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use tokio::net::{TcpListener, UdpSocket};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use super::leasing::{Sharing, Tending};
use super::{Certificates, Running, Service, StoreDesk, StorePages, asking, serving};
use crate::config::PollSettings;
use crate::config::report::ReportSettings;
use crate::domain::ids::DeviceId;
use crate::jobs::{Handle, Job};
use crate::notify::Post;
use crate::poller::hints::{self, Callers};
use crate::poller::leases::Leases;
use crate::poller::probe::Patience;
use crate::poller::sensors::Sensors;
use crate::poller::worker::Poller;
use crate::site::Hosts;
use crate::snmp::notification::{Identity, Listener};
use crate::snmp::transport::{Engine, EngineOptions};
use crate::usecase::alerts::judge_all_with;
use crate::usecase::deliver::{Pace, deliver};
use crate::usecase::month::mail::mail_in_time;

/// How often the alert rules that do not hang on single polls are applied.
const JUDGE_EVERY: Duration = Duration::from_mins(1);
/// How often it is seen whether a month's report is to be mailed.
const REPORT_EVERY: Duration = Duration::from_hours(1);
/// No job rests for less, however fast its clock runs.
pub(super) const SHORTEST_REST: Duration = Duration::from_secs(5);
/// How often the outbox is looked into, in life.
const DELIVER_EVERY: Duration = Duration::from_secs(2);
/// How often it is looked whether the picture of the room is due, in life.
const RENEW_EVERY: Duration = Duration::from_secs(5);

/// 2026-01-01T00:00:00Z in Unix seconds: the boot counter of our engine counts from here, and has room until
/// 2094.
const BOOTS_FROM: i64 = 1_767_225_600;

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
            sensors: Sensors::default(),
        };
        Ok((poller, hints))
    }

    /// Does a piece of work over and over, first after one period, and has the gauges tell how it goes.
    pub(super) fn start_job<W, F>(
        &mut self,
        service: &Service,
        (name, period): (&'static str, Duration),
        work: W,
    ) -> Handle
    where
        W: Fn() -> F + Send + Sync + 'static,
        F: Future<Output = anyhow::Result<()>> + Send + 'static,
    {
        let job = Job { name, period, clock: service.clock.clone() };
        let (handle, running) = job.start(work, self.stop.clone());
        service.gauges.watch(&handle);
        self.spawn(name, running);
        handle
    }

    /// Applies the alert rules over and over to what is the case.
    pub fn start_alerts(&mut self, service: &Service) -> Handle {
        let period = service.clock.real(JUDGE_EVERY).max(SHORTEST_REST);
        let judging = service.clone();
        let work = move || {
            let service = judging.clone();
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
        self.start_job(service, ("alerts", period), work)
    }

    /// Mails the report of each month on its day, to whom the settings name.
    pub fn start_reports(&mut self, service: &Service) -> Handle {
        let period = service.clock.real(REPORT_EVERY).max(SHORTEST_REST);
        let reporting = service.clone();
        let work = move || {
            let service = reporting.clone();
            async move {
                let ReportSettings { paper, mail_to, mail_on } = &service.report;
                // While a past is brought in, the last month is not whole.
                if !mail_to.is_empty() && service.standing().as_of.is_none() {
                    mail_in_time(&service.store, *mail_on, mail_to, (*paper, &service.present())).await?;
                }
                Ok(())
            }
        };
        let handle = self.start_job(service, ("month's report", period), work);
        handle.ring();
        handle
    }

    /// Hands over what the outbox holds, over and over.
    pub fn start_delivery(&mut self, service: &Service) -> Handle {
        let (delivering, settings) = (service.clone(), service.deliver.clone());
        let long = |span: Duration| SignedDuration::try_from(span).unwrap_or(SignedDuration::MAX);
        let pace = Pace { again: long(settings.again), apart: long(settings.apart) };
        let again = service.clock.real(settings.again);
        let post = Arc::new(Post::new(&settings, service.zone.clone(), again));
        let work = move || {
            let (service, post) = (delivering.clone(), Arc::clone(&post));
            async move {
                deliver(&service.store, &*post, &pace, || service.clock.now()).await?;
                Ok(())
            }
        };
        self.start_job(service, ("delivery", DELIVER_EVERY), work)
    }

    /// Keeps what pages of a large room are shown from fresh.
    pub fn start_keeping(&mut self, service: &Service) {
        let room = service.clone();
        let handle = self.start_job(service, ("picture", RENEW_EVERY), move || {
            let room = room.clone();
            async move { Ok(room.renew_picture().await?) }
        });
        service.pictures.is_renewed_by(handle);
        let months = service.clone();
        let handle = self.start_job(service, ("months", RENEW_EVERY), move || {
            let months = months.clone();
            async move {
                months.renew_trend().await?;
                Ok(months.renew_months().await?)
            }
        });
        service.months.is_renewed_by(&handle);
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
