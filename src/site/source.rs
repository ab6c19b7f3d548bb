//! Where the pages get what they show. The site knows neither store nor clock.

use std::future::Future;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::access_source::AccessSource;
use super::alert_source::AlertSource;
use super::heads_source::HeadSource;
use super::run_source::RunSource;
use super::setup_source::SetupSource;
use super::supply_source::SupplySource;
use super::swap_source::SwapSource;
use crate::domain::ids::{DeviceId, LotId, MovementId, OrderId};
use crate::domain::month::Month;
use crate::domain::part::Part;
use crate::domain::task::Task;
use crate::report::Paper;
use crate::usecase::book::{Booking, Note, Refusal};
use crate::usecase::changes::Listener;
use crate::usecase::month::NotClosed;
use crate::usecase::month::page::MonthAsked;
use crate::usecase::once::Token;
use crate::usecase::orders::{Act, OrderRefusal};
use crate::usecase::questions::UnitsView;
use crate::usecase::shelf::PartAsked;
use crate::usecase::sift::{MachinesAsked, MachinesView, TasksAsked, TasksView};
use crate::usecase::slots::{Refusal as NotTold, Telling, Told};
use crate::usecase::view::{
    Closing, MachineView, MonthView, OrderView, OrdersView, PartView, ShelfView, Since, Statement, TodayView,
    TrendView,
};

/// A line that stands on top of every page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Notice {
    /// One or two sentences, with their full stops.
    pub text: String,
}

/// Why a source could not give what was asked. Its text goes to the log and never onto a page.
#[derive(Debug, thiserror::Error)]
#[error("the page's data could not be read: {0}")]
pub struct SourceError(#[source] Box<dyn std::error::Error + Send + Sync>);

impl SourceError {
    /// Wraps the cause.
    pub fn new(cause: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Self {
        Self(cause.into())
    }
}

/// What the pages are made from.
pub trait Source:
    AccessSource + AlertSource + HeadSource + RunSource + SetupSource + SupplySource + SwapSource
{
    /// The present.
    fn now(&self) -> Timestamp;

    /// The zone that times are shown in.
    fn zone(&self) -> TimeZone;

    /// What files are printed on.
    fn paper(&self) -> Paper;

    /// What to say on top of every page, if anything.
    fn notice(&self) -> Option<Notice>;

    /// Something was done by a form: nothing from before is shown any more.
    fn outdate(&self) {}

    /// Listens to what changes; `None` where nothing is told.
    fn listen(&self) -> Option<Listener> {
        None
    }

    /// Whether the service can do its work, or why not.
    fn ready(&self) -> impl Future<Output = Result<(), String>> + Send {
        std::future::ready(Ok(()))
    }

    /// Figures of how the service goes, as OpenMetrics text.
    fn metrics(&self) -> impl Future<Output = Result<String, SourceError>> + Send {
        std::future::ready(Ok("# EOF\n".to_owned()))
    }

    /// The page Today.
    fn today(&self) -> impl Future<Output = Result<TodayView, SourceError>> + Send;

    /// How much changed since a moment.
    fn since(&self, at: Timestamp) -> impl Future<Output = Result<Since, SourceError>> + Send;

    /// Everything that is to be done, earliest first.
    fn every_task(&self) -> impl Future<Output = Result<Vec<Task>, SourceError>> + Send;

    /// One page of what is to be done.
    fn tasks(&self, asked: &TasksAsked) -> impl Future<Output = Result<TasksView, SourceError>> + Send;

    /// One page of machines.
    fn machines(
        &self,
        asked: &MachinesAsked,
    ) -> impl Future<Output = Result<MachinesView, SourceError>> + Send;

    /// One machine with the course of its supplies over the last `span_days` days; `None` if there is no
    /// such machine.
    fn machine(
        &self,
        device: DeviceId,
        span_days: u16,
    ) -> impl Future<Output = Result<Option<MachineView>, SourceError>> + Send;

    /// One machine's units and what is asked about them; `None` if there is no such machine.
    fn units(&self, device: DeviceId) -> impl Future<Output = Result<Option<UnitsView>, SourceError>> + Send;

    /// Takes down what a person says of a machine's slots, once however often the form is sent; or says why
    /// not.
    fn tell(
        &self,
        device: DeviceId,
        telling: Telling,
        note: Note,
        token: Option<Token>,
    ) -> impl Future<Output = Result<Result<Told, NotTold>, SourceError>> + Send;

    /// What lies on the shelf.
    fn shelf(&self) -> impl Future<Output = Result<ShelfView, SourceError>> + Send;

    /// One part with its lots and movements; `None` if there is no such part.
    fn part(
        &self,
        number: &str,
        asked: &PartAsked,
    ) -> impl Future<Output = Result<Option<PartView>, SourceError>> + Send;

    /// Puts a part into the catalogue that is not there yet (`fresh`), or in the place of the one that is; or says why
    /// not. A form with a token is booked once.
    fn put_part(
        &self,
        part: Part,
        fresh: bool,
        token: Option<Token>,
    ) -> impl Future<Output = Result<Result<(), Refusal>, SourceError>> + Send;

    /// Books one thing for a part, or says why not; a form with a token is booked once.
    fn book(
        &self,
        part: &str,
        booking: Booking,
        note: Note,
        token: Option<Token>,
    ) -> impl Future<Output = Result<Result<MovementId, Refusal>, SourceError>> + Send;

    /// Books a stock-take: every count, or none and the first refusal with its lot.
    fn count(
        &self,
        counts: Vec<(LotId, u32)>,
        note: Note,
        token: Option<Token>,
    ) -> impl Future<Output = Result<Result<usize, (LotId, Refusal)>, SourceError>> + Send;

    /// What to order, and orders.
    fn orders(&self) -> impl Future<Output = Result<OrdersView, SourceError>> + Send;

    /// One order; `None` if there is no such order.
    fn order(&self, order: OrderId) -> impl Future<Output = Result<Option<OrderView>, SourceError>> + Send;

    /// Sees to it that the draft to a part's supplier has so many units of it, or says why not.
    fn draft(
        &self,
        part: &str,
        units: u32,
        note: Note,
        token: Option<Token>,
    ) -> impl Future<Output = Result<Result<OrderId, OrderRefusal>, SourceError>> + Send;

    /// Does something with an order, or says why not.
    fn order_act(
        &self,
        order: OrderId,
        what: Act,
        note: Note,
        token: Option<Token>,
    ) -> impl Future<Output = Result<Result<OrderId, OrderRefusal>, SourceError>> + Send;

    /// The page of a month. A month of which nothing is known has no machines.
    fn month(
        &self,
        month: Month,
        asked: &MonthAsked,
    ) -> impl Future<Output = Result<MonthView, SourceError>> + Send;

    /// The supply report of a month, whole, as it is handed in.
    fn statement(&self, month: Month) -> impl Future<Output = Result<Statement, SourceError>> + Send;

    /// The months side by side.
    fn months(&self) -> impl Future<Output = Result<Arc<TrendView>, SourceError>> + Send;

    /// Closes a month, or says why not.
    fn close_month(
        &self,
        month: Month,
        who: String,
    ) -> impl Future<Output = Result<Result<Closing, NotClosed>, SourceError>> + Send;
}
