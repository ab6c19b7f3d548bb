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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::testing::sample;

    #[test]
    fn machines_are_found_and_turned_over_and_the_figures_are_of_all() {
        let mut report = sample();
        let one = report.devices[0].clone();
        let adjustment = report.adjustments[0].clone();
        report.devices =
            (0..45).map(|n| DeviceMonth { name: format!("Loom {n:02}"), ..one.clone() }).collect();
        report.adjustments = vec![adjustment; ADJUSTMENTS + 1];
        let all = report.figures();
        let shown = MonthShown::of(report, None, vec![]);
        let ask = |find: &str, page| shown.view(&MonthAsked { find: find.to_owned(), page });
        let names = |view: &MonthView| -> Vec<String> {
            view.machines.lines.iter().map(|machine| machine.name.clone()).collect()
        };
        let last = ask("", 3);
        assert_eq!(names(&last), ["Loom 40", "Loom 41", "Loom 42", "Loom 43", "Loom 44"]);
        assert_eq!((last.figures.all.machines, &last.figures), (45, &all));
        assert_eq!((last.report.adjustments.len(), last.adjustments_in_all), (ADJUSTMENTS, ADJUSTMENTS + 1));
        let found = ask("LOOM 3", 1);
        assert_eq!((found.machines.found, found.machines.in_all, found.figures.all.machines), (14, 45, 45));
        assert!(ask("spindle", 1).machines.lines.is_empty());
    }
}
