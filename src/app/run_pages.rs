//! Between the pages about runs and the use cases.

use super::StorePages;
use crate::domain::ids::DeviceId;
use crate::domain::run::past::Printed;
use crate::domain::run::plan::{Metres, RunPlan};
use crate::site::run_source::RunSource;
use crate::site::source::SourceError;
use crate::usecase::book::Note;
use crate::usecase::once::Token;
use crate::usecase::run::{LogRefusal, RunCheckView, RunsView, log_run, run_check, runs, write_width};

impl RunSource for StorePages {
    async fn runs(&self) -> Result<RunsView, SourceError> {
        runs(&self.0.store, &self.0.present()).await.map_err(SourceError::new)
    }

    async fn run_check(&self, plan: &RunPlan, only: Option<DeviceId>) -> Result<RunCheckView, SourceError> {
        let practice = &self.0.rules.practice;
        run_check(&self.0.store, plan, only, &self.0.present(), practice).await.map_err(SourceError::new)
    }

    async fn log_run(
        &self,
        device: DeviceId,
        run: Printed,
        note: Note,
        token: Option<Token>,
    ) -> Result<Result<(), LogRefusal>, SourceError> {
        let present = self.0.present();
        log_run(&self.0.store, device, &run, &note, token.as_ref(), &present).await.map_err(SourceError::new)
    }

    async fn write_width(
        &self,
        device: DeviceId,
        width: Option<Metres>,
        note: Note,
    ) -> Result<Result<(), LogRefusal>, SourceError> {
        let present = self.0.present();
        write_width(&self.0.store, device, width, &note, &present).await.map_err(SourceError::new)
    }
}
