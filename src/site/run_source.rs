//! Where the pages about runs get what they show, and where their forms go.

use std::future::Future;

use super::source::SourceError;
use crate::domain::ids::DeviceId;
use crate::domain::run::past::Printed;
use crate::domain::run::plan::{Metres, RunPlan};
use crate::usecase::book::Note;
use crate::usecase::once::Token;
use crate::usecase::run::{LogRefusal, RunCheckView, RunsView};

/// What the pages about runs are made from.
pub trait RunSource: Clone + Send + Sync + 'static {
    /// What was written down of runs, and the machines there are.
    fn runs(&self) -> impl Future<Output = Result<RunsView, SourceError>> + Send;

    /// A queue of runs at one machine, or at every one.
    fn run_check(
        &self,
        plan: &RunPlan,
        only: Option<DeviceId>,
    ) -> impl Future<Output = Result<RunCheckView, SourceError>> + Send;

    /// Writes a run down, once however often the form is sent; or says why not.
    fn log_run(
        &self,
        device: DeviceId,
        run: Printed,
        note: Note,
        token: Option<Token>,
    ) -> impl Future<Output = Result<Result<(), LogRefusal>, SourceError>> + Send;

    /// Writes down how wide a machine's media are; none: what the device tells counts again. Or says why not.
    fn write_width(
        &self,
        device: DeviceId,
        width: Option<Metres>,
        note: Note,
    ) -> impl Future<Output = Result<Result<(), LogRefusal>, SourceError>> + Send;
}
