//! Between the site and the use cases: each page's data, from the store as of now.

use std::sync::Arc;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::{Service, metrics, waiting};
use crate::domain::ids::{DeviceId, LotId, MovementId, OrderId};
use crate::domain::month::Month;
use crate::domain::part::Part;
use crate::domain::task::Task;
use crate::report::Paper;
use crate::site::source::{Notice, Source, SourceError};
use crate::usecase::book::{Booking, Note, Refusal};
use crate::usecase::changes::Listener;
use crate::usecase::month::NotClosed;
use crate::usecase::month::page::MonthAsked;
use crate::usecase::once::Token;
use crate::usecase::orders::{Act, OrderRefusal};
use crate::usecase::picture::Picture;
use crate::usecase::questions::UnitsView;
use crate::usecase::shelf::PartAsked;
use crate::usecase::sift::{MachinesAsked, MachinesView, TasksAsked, TasksView};
use crate::usecase::slots::{Refusal as NotTold, Telling, Told};
use crate::usecase::view::{
    Closing, MachineView, MonthView, OrderView, OrdersView, PartView, ShelfView, Since, Statement, TodayView,
    TrendView,
};
use crate::usecase::{advice, book, month, orders, pages, questions, shelf, slots};

/// The site's source over the store.
#[derive(Clone)]
pub struct StorePages(pub Service);

impl StorePages {
    /// The print room as it stands.
    pub(super) async fn picture(&self) -> Result<Arc<Picture>, SourceError> {
        self.0.picture().await.map_err(SourceError::new)
    }
}

impl Source for StorePages {
    fn outdate(&self) {
        self.0.outdate();
    }

    fn listen(&self) -> Option<Listener> {
        self.0.changes.listen()
    }

    fn now(&self) -> Timestamp {
        self.0.present().now
    }

    fn zone(&self) -> TimeZone {
        self.0.zone.clone()
    }

    fn paper(&self) -> Paper {
        self.0.report.paper
    }

    fn notice(&self) -> Option<Notice> {
        let Service { hands, clock, zone, .. } = &self.0;
        let now = [waiting::sentence(&self.0), hands.sentence(clock.now(), zone)];
        let now: Vec<String> = now.into_iter().flatten().collect();
        let standing = self.0.standing().notice;
        standing.or_else(|| (!now.is_empty()).then(|| now.join(" "))).map(|text| Notice { text })
    }

    async fn ready(&self) -> Result<(), String> {
        metrics::ready(&self.0).await
    }

    async fn metrics(&self) -> Result<String, SourceError> {
        Ok(metrics::text(&self.0).await)
    }

    async fn today(&self) -> Result<TodayView, SourceError> {
        Ok(self.picture().await?.today_view())
    }

    async fn since(&self, at: Timestamp) -> Result<Since, SourceError> {
        self.0.store.since(at).await.map_err(SourceError::new)
    }

    async fn every_task(&self) -> Result<Vec<Task>, SourceError> {
        Ok(self.picture().await?.shows.tasks.clone())
    }

    async fn tasks(&self, asked: &TasksAsked) -> Result<TasksView, SourceError> {
        Ok(self.picture().await?.tasks_view(asked))
    }

    async fn machines(&self, asked: &MachinesAsked) -> Result<MachinesView, SourceError> {
        Ok(self.picture().await?.machines_view(asked))
    }

    async fn machine(&self, device: DeviceId, span_days: u16) -> Result<Option<MachineView>, SourceError> {
        let Service { store, rules, .. } = &self.0;
        let days = u32::from(span_days);
        let picture = self.picture().await?;
        pages::machine(store, device, days, &picture, &self.0.present(), &rules.practice)
            .await
            .map_err(SourceError::new)
    }

    async fn units(&self, device: DeviceId) -> Result<Option<UnitsView>, SourceError> {
        questions::units(&self.0.store, device, &self.0.present()).await.map_err(SourceError::new)
    }

    async fn tell(
        &self,
        device: DeviceId,
        telling: Telling,
        note: Note,
        token: Option<Token>,
    ) -> Result<Result<Told, NotTold>, SourceError> {
        let Service { store, rules, .. } = &self.0;
        let present = self.0.present();
        slots::tell(store, device, &telling, &note, token.as_ref(), (&present, rules))
            .await
            .map_err(SourceError::new)
    }

    async fn shelf(&self) -> Result<ShelfView, SourceError> {
        let Service { store, rules, .. } = &self.0;
        let picture = self.picture().await?;
        shelf::shelf_page(store, &picture, &self.0.present(), &rules.practice).await.map_err(SourceError::new)
    }

    async fn part(&self, number: &str, asked: &PartAsked) -> Result<Option<PartView>, SourceError> {
        let Service { store, rules, .. } = &self.0;
        let picture = self.picture().await?;
        shelf::part_page(store, (number, asked), &picture, &self.0.present(), &rules.practice)
            .await
            .map_err(SourceError::new)
    }

    async fn put_part(
        &self,
        part: Part,
        fresh: bool,
        token: Option<Token>,
    ) -> Result<Result<(), Refusal>, SourceError> {
        book::put_part(&self.0.store, &part, fresh, token.as_ref(), &self.0.present())
            .await
            .map_err(SourceError::new)
    }

    async fn book(
        &self,
        part: &str,
        booking: Booking,
        note: Note,
        token: Option<Token>,
    ) -> Result<Result<MovementId, Refusal>, SourceError> {
        let present = self.0.present();
        book::book_form(&self.0.store, part, &booking, &note, token.as_ref(), &present)
            .await
            .map_err(SourceError::new)
    }

    async fn count(
        &self,
        counts: Vec<(LotId, u32)>,
        note: Note,
        token: Option<Token>,
    ) -> Result<Result<usize, (LotId, Refusal)>, SourceError> {
        let present = self.0.present();
        book::count_form(&self.0.store, &counts, &note, token.as_ref(), &present)
            .await
            .map_err(SourceError::new)
    }

    async fn orders(&self) -> Result<OrdersView, SourceError> {
        let picture = self.picture().await?;
        advice::orders_view(&self.0.store, &picture, &self.0.present()).await.map_err(SourceError::new)
    }

    async fn order(&self, order: OrderId) -> Result<Option<OrderView>, SourceError> {
        advice::order_view(&self.0.store, order, &self.0.present()).await.map_err(SourceError::new)
    }

    async fn draft(
        &self,
        part: &str,
        units: u32,
        note: Note,
        token: Option<Token>,
    ) -> Result<Result<OrderId, OrderRefusal>, SourceError> {
        let present = self.0.present();
        orders::draft(&self.0.store, part, units, &note, token.as_ref(), &present)
            .await
            .map_err(SourceError::new)
    }

    async fn order_act(
        &self,
        order: OrderId,
        what: Act,
        note: Note,
        token: Option<Token>,
    ) -> Result<Result<OrderId, OrderRefusal>, SourceError> {
        let Service { store, rules, .. } = &self.0;
        orders::act(store, order, &what, &note, token.as_ref(), &self.0.present(), &rules.practice)
            .await
            .map_err(SourceError::new)
    }

    async fn month(&self, month: Month, asked: &MonthAsked) -> Result<MonthView, SourceError> {
        Ok(self.0.month(month).await.map_err(SourceError::new)?.view(asked))
    }

    async fn statement(&self, month: Month) -> Result<Statement, SourceError> {
        month::statement(&self.0.store, month, &self.0.present()).await.map_err(SourceError::new)
    }

    async fn months(&self) -> Result<Arc<TrendView>, SourceError> {
        self.0.trend().await.map_err(SourceError::new)
    }

    async fn close_month(
        &self,
        month: Month,
        who: String,
    ) -> Result<Result<Closing, NotClosed>, SourceError> {
        month::close(&self.0.store, month, &who, &self.0.present()).await.map_err(SourceError::new)
    }
}
