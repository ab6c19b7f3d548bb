//! Finding, sorting and turning pages in the long lists of a picture: tasks and machines.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::picture::{Picture, TASKS_A_PAGE};
use super::view::{AdviceLine, MachineLine, TrendRow, TrendView};
use crate::domain::task::{Task, TaskKind};

/// How many machines a page shows.
pub const MACHINES_A_PAGE: usize = 50;

/// One page of a list.
#[derive(Debug, Clone)]
pub struct Leaf<T> {
    /// What stands on it.
    pub lines: Vec<T>,
    /// Which page it is, from 1; the last one, if a later one was asked for.
    pub page: usize,
    /// How many there are, at least 1.
    pub pages: usize,
    /// How many lines all pages have together.
    pub found: usize,
    /// How many there would be if nothing were left out.
    pub in_all: usize,
}

impl<T> Leaf<T> {
    /// One page of the lines that were found.
    pub fn of(found: Vec<T>, asked: usize, a_page: usize, in_all: usize) -> Self {
        let pages = found.len().div_ceil(a_page).max(1);
        let page = asked.clamp(1, pages);
        let count = found.len();
        let lines = found.into_iter().skip((page - 1) * a_page).take(a_page).collect();
        Self { lines, page, pages, found: count, in_all }
    }

    /// All of it on one page.
    pub fn whole(lines: Vec<T>) -> Self {
        let count = lines.len();
        Self { lines, page: 1, pages: 1, found: count, in_all: count }
    }

    /// The same page of other things.
    pub fn map<U>(self, other: impl FnMut(T) -> U) -> Leaf<U> {
        let Self { lines, page, pages, found, in_all } = self;
        Leaf { lines: lines.into_iter().map(other).collect(), page, pages, found, in_all }
    }
}

/// Which tasks are asked for.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct TasksAsked {
    /// Of one kind.
    pub kind: Option<TaskKind>,
    /// With all of these words in what is to be done or why, in any order and case.
    pub find: String,
    /// Which page, from 1.
    pub page: usize,
}

/// One page of tasks.
#[derive(Debug, Clone)]
pub struct TasksView {
    /// The day in the site's zone.
    pub today: Date,
    /// The tasks, earliest first.
    pub tasks: Leaf<Task>,
    /// What to order of each part that one of them is about.
    pub orders: Vec<AdviceLine>,
}

/// Which machines are asked for.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Shown {
    /// All.
    #[default]
    All,
    /// Those that did not answer their last poll.
    Silent,
    /// Those with an open alert of ours.
    Alerting,
    /// Those of which no supply has a date yet.
    Undated,
}

/// In which order machines stand.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Sorting {
    /// By name.
    #[default]
    Name,
    /// Whose supply ends first, first; those without a date last.
    Ends,
    /// With the most open alerts first.
    Alerts,
    /// Silent for longest first; those that answer last.
    Silence,
}

/// What machines stand together by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Grouping {
    /// Where they stand, as they say themselves.
    Place,
    /// Whom their ink is charged to.
    CostCentre,
    /// What they are.
    Model,
}

/// What is asked of the page Machines.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct MachinesAsked {
    /// With all of these words in name, address, model, serial number, place or cost centre.
    pub find: String,
    /// Which of them.
    pub shown: Shown,
    /// In which order.
    pub sorting: Sorting,
    /// What they stand together by.
    pub grouping: Option<Grouping>,
    /// Only this group; the empty text is the group of those that say nothing.
    pub within: Option<String>,
    /// Which page, from 1.
    pub page: usize,
}

/// The page Machines.
#[derive(Debug, Clone)]
pub struct MachinesView {
    /// The machines, each with its group's name where they are grouped; empty where it says nothing.
    pub machines: Leaf<(Option<String>, MachineLine)>,
    /// The groups by name, each with how many of the machines found are in it.
    pub groups: Vec<(String, usize)>,
}

impl Picture {
    /// One page of what is to be done.
    #[must_use]
    pub fn tasks_view(&self, asked: &TasksAsked) -> TasksView {
        let words = Words::of(&asked.find);
        let wanted = |task: &&Task| {
            asked.kind.is_none_or(|kind| task.kind == kind)
                && (words.is_empty() || words.are_in(&format!("{} {}", task.what, task.why).to_lowercase()))
        };
        let found: Vec<&Task> = self.shows.tasks.iter().filter(wanted).collect();
        let tasks = Leaf::of(found, asked.page, TASKS_A_PAGE, self.shows.tasks.len()).map(Task::clone);
        TasksView { today: self.shows.today, orders: self.orders_of(&tasks.lines), tasks }
    }

    /// The page Machines.
    #[must_use]
    pub fn machines_view(&self, asked: &MachinesAsked) -> MachinesView {
        let words = Words::of(&asked.find);
        let mut found: Vec<&MachineLine> = self
            .shows
            .machines
            .iter()
            .zip(self.described())
            .filter(|(line, described)| is_shown(line, asked.shown) && words.are_in(described))
            .map(|(line, _)| line)
            .collect();
        let mut groups: BTreeMap<String, usize> = BTreeMap::new();
        if let Some(grouping) = asked.grouping {
            for line in &found {
                *groups.entry(group(line, grouping).to_owned()).or_default() += 1;
            }
            if let Some(within) = &asked.within {
                found.retain(|line| group(line, grouping) == within);
            }
        }
        // Machines come by name, and a stable sort keeps them so among equals.
        match asked.sorting {
            Sorting::Name => {}
            Sorting::Ends => found.sort_by_key(|line| {
                let horizon = line.first_to_end.as_ref().and_then(|first| first.outlook.forecast.horizon());
                horizon.map_or((Date::MAX, Date::MAX), |horizon| (horizon.early, horizon.middle))
            }),
            Sorting::Alerts => found.sort_by_key(|line| std::cmp::Reverse(line.open_alerts)),
            Sorting::Silence => found.sort_by_key(|line| {
                line.device.silent.as_ref().map_or(jiff::Timestamp::MAX, |silence| silence.since)
            }),
        }
        if let Some(grouping) = asked.grouping {
            found.sort_by_key(|line| group(line, grouping).to_owned());
        }
        let leaf = Leaf::of(found, asked.page, MACHINES_A_PAGE, self.shows.machines.len());
        let name = |line: &MachineLine| asked.grouping.map(|grouping| group(line, grouping).to_owned());
        MachinesView {
            machines: leaf.map(|line| (name(line), line.clone())),
            groups: groups.into_iter().collect(),
        }
    }
}

impl TrendView {
    /// The machines with all of these words in their names.
    #[must_use]
    pub fn machines_found(&self, find: &str) -> Vec<&TrendRow> {
        let words = Words::of(find);
        let is_wanted = |row: &&TrendRow| {
            words.is_empty() || row.name.as_ref().is_some_and(|name| words.are_in(&name.to_lowercase()))
        };
        self.machines.iter().filter(is_wanted).collect()
    }
}

/// What a machine is found by, in lower case.
pub(super) fn described(line: &MachineLine) -> String {
    let device = &line.device;
    let said = [&device.model, &device.serial, &device.location, &device.cost_centre];
    let said = said.into_iter().flatten().map(String::as_str);
    let all: Vec<&str> = [device.name.as_str(), &device.address].into_iter().chain(said).collect();
    all.join("\n").to_lowercase()
}

fn is_shown(line: &MachineLine, shown: Shown) -> bool {
    match shown {
        Shown::All => true,
        Shown::Silent => line.device.silent.is_some(),
        Shown::Alerting => line.open_alerts > 0,
        Shown::Undated => line.first_to_end.is_none(),
    }
}

fn group(line: &MachineLine, grouping: Grouping) -> &str {
    let device = &line.device;
    let said = match grouping {
        Grouping::Place => &device.location,
        Grouping::CostCentre => &device.cost_centre,
        Grouping::Model => &device.model,
    };
    said.as_deref().map(str::trim).unwrap_or_default()
}

/// The words of a search, in lower case.
pub(super) struct Words(Vec<String>);

impl Words {
    pub(super) fn of(find: &str) -> Self {
        Self(find.to_lowercase().split_whitespace().map(str::to_owned).collect())
    }

    pub(super) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    pub(super) fn are_in(&self, text: &str) -> bool {
        self.0.iter().all(|word| text.contains(word.as_str()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_behind_the_last_is_the_last() {
        let leaf = |asked| Leaf::of((0..101).collect::<Vec<u32>>(), asked, 50, 200);
        assert_eq!((leaf(0).page, leaf(0).lines.first().copied()), (1, Some(0)));
        assert_eq!((leaf(3).page, leaf(3).lines), (3, vec![100]));
        assert_eq!((leaf(usize::MAX).page, leaf(usize::MAX).pages), (3, 3));
        let none = Leaf::of(Vec::<u32>::new(), 7, 50, 200);
        assert_eq!((none.page, none.pages, none.found, none.in_all), (1, 1, 0, 200));
    }

    #[test]
    fn every_word_has_to_be_there_in_any_order_and_case() {
        let words = Words::of("  loft BOBBIN ");
        assert!(words.are_in("bobbin\nprint loft") && !words.are_in("bobbin"));
        assert!(Words::of(" ").is_empty() && Words::of("").are_in("anything"));
    }
}
