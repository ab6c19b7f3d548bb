//! The page of a month: worked out once for all who look at it, and shown machine by machine in pages.

use super::{MonthError, known_months, statement};
use crate::domain::month::{DeviceMonth, Figures, Month, MonthReport};
use crate::domain::outlook::Present;
use crate::store::Store;
use crate::usecase::sift::{Leaf, Words};
use crate::usecase::view::{Closing, MonthView};

/// How many machines a page of a month shows.
pub const MACHINES_A_PAGE: usize = 20;
/// How many adjustments it shows; the files have all of them.
pub const ADJUSTMENTS: usize = 200;

/// What is asked of the page of a month.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct MonthAsked {
    /// Machines with all of these words in name, model, site or cost centre.
    pub find: String,
    /// Which page, from 1.
    pub page: usize,
}

/// A month as its page shows it.
#[derive(Debug)]
pub struct MonthShown {
    /// The report without what is long.
    frame: MonthReport,
    machines: Vec<DeviceMonth>,
    /// What each machine is found by, in lower case.
    described: Vec<String>,
    figures: Figures,
    adjustments_in_all: usize,
    closing: Option<Closing>,
    months: Vec<Month>,
}

impl MonthShown {
    /// Puts it together from the store.
    ///
    /// # Errors
    /// If the store cannot be reached, or what it keeps of a closed month cannot be read.
    pub async fn take(store: &Store, month: Month, present: &Present) -> Result<Self, MonthError> {
        let statement = statement(store, month, present).await?;
        Ok(Self::of(statement.report, statement.closing, known_months(store, present).await?))
    }

    /// Of a report, who closed it, and the months that have anything to report.
    #[must_use]
    pub fn of(mut report: MonthReport, closing: Option<Closing>, months: Vec<Month>) -> Self {
        let figures = report.figures();
        let machines = std::mem::take(&mut report.devices);
        let described = machines.iter().map(described).collect();
        let adjustments_in_all = report.adjustments.len();
        report.adjustments.truncate(ADJUSTMENTS);
        Self { frame: report, machines, described, figures, adjustments_in_all, closing, months }
    }

    /// What was asked for.
    #[must_use]
    pub fn view(&self, asked: &MonthAsked) -> MonthView {
        let words = Words::of(&asked.find);
        let machines = self.machines.iter().zip(&self.described);
        let found: Vec<&DeviceMonth> =
            machines.filter(|(_, described)| words.are_in(described)).map(|(machine, _)| machine).collect();
        let machines = Leaf::of(found, asked.page, MACHINES_A_PAGE, self.machines.len());
        MonthView {
            report: self.frame.clone(),
            figures: self.figures.clone(),
            machines: machines.map(DeviceMonth::clone),
            adjustments_in_all: self.adjustments_in_all,
            closing: self.closing.clone(),
            months: self.months.clone(),
        }
    }
}

fn described(device: &DeviceMonth) -> String {
    let said = [Some(&device.name), device.model.as_ref(), Some(&device.site), device.cost_centre.as_ref()];
    let said: Vec<&str> = said.into_iter().flatten().map(String::as_str).collect();
    said.join("\n").to_lowercase()
}
