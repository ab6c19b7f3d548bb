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
mod starting;
mod supply_pages;
mod swap_pages;
mod tls;
mod waiting;

use std::net::SocketAddr;
use std::sync::{Arc, PoisonError, RwLock};

use anyhow::Context;
use jiff::Timestamp;
use tokio::net::{TcpListener, UdpSocket};
use tracing::info;

pub use asking::see_to_the_zone;
pub use desk::{StoreDesk, credential};
pub use draining::Running;
pub use leasing::Sharing;
pub use pages::StorePages;
pub use tls::Certificates;
pub use waiting::bring;

use crate::clock::Clock;
use crate::config::Config;
use crate::config::deliver::DeliverSettings;
use crate::config::report::ReportSettings;
use crate::domain::month::Month;
use crate::domain::outlook::Present;
use crate::domain::rules::Rules;
use crate::spool::Spool;
use crate::store::Store;
use crate::usecase::advice::Kept;
use crate::usecase::changes::Changes;
use crate::usecase::latest::{Latest, LatestOf};
use crate::usecase::month;
use crate::usecase::month::MonthError;
use crate::usecase::month::page::MonthShown;
use crate::usecase::picture::Picture;
use crate::usecase::view::TrendView;

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
