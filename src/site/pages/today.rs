//! Today: what to do by when, and what ends first.

use askama::Template;
use axum::extract::State;
use axum::response::Html;
use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::horizon::HorizonChart;
use super::orders::PutOn;
use super::supply::door_href;
use super::{AlmanacDay, Page, Section, Silent, html};
use crate::domain::task::{Task, TaskKind};
use crate::site::error::SiteError;
use crate::site::format;
use crate::site::source::Source;
use crate::usecase::view::{AdviceLine, TodayView};

/// Beyond this many dark machines they are counted and no longer named one by one.
const NAMED_DARK: usize = 4;
/// Beyond this many tasks of one day the rest is folded away, so that later days stay in sight.
const UNFOLDED: usize = 10;

struct TaskRow {
    kind: &'static str,
    mark: &'static str,
    what: String,
    why: String,
    href: String,
    /// The button that puts what is to be ordered on an order.
    put: Option<PutOn>,
}

struct TaskDay {
    day: AlmanacDay,
    tasks: Vec<TaskRow>,
    folded: Vec<TaskRow>,
}

#[derive(Template)]
#[template(path = "pages/today.html")]
struct TodayPage {
    page: Page,
    heading: String,
    answered: String,
    dark: Vec<Silent>,
    /// How many more are dark than are named.
    dark_more: usize,
    missed: Vec<Silent>,
    days: Vec<TaskDay>,
    chart: HorizonChart,
    supplies: String,
    nothing_read: bool,
    alerts: Option<String>,
    no_machines: bool,
}

pub(crate) async fn show<S: Source>(State(source): State<S>) -> Result<Html<String>, SiteError> {
    let view = source.today().await?;
    let page = Page::new(&source, Section::Today, "Today");
    html(&TodayPage::new(page, &view, source.now(), &source.zone()))
}

impl TodayPage {
    fn new(page: Page, view: &TodayView, now: Timestamp, zone: &TimeZone) -> Self {
        let silent = view.devices.iter().filter_map(|device| Silent::of(device, now, zone));
        let (mut dark, missed): (Vec<_>, Vec<_>) = silent.partition(|silent| silent.dark);
        let dark_more = dark.len().saturating_sub(NAMED_DARK);
        dark.truncate(NAMED_DARK);
        Self {
            page,
            heading: heading(view),
            answered: answered(view),
            dark,
            dark_more,
            missed,
            days: task_days(view),
            chart: HorizonChart::new(&view.earliest, view.today, true),
            supplies: format::count(u64::try_from(view.supplies).unwrap_or(u64::MAX)),
            nothing_read: view.supplies == 0,
            alerts: (view.open_alerts > 0)
                .then(|| counted(view.open_alerts, "alert is open", "alerts are open")),
            no_machines: view.devices.is_empty(),
        }
    }
}

/// "One alert is open", "Three alerts are open".
fn counted(n: usize, one: &str, many: &str) -> String {
    format::capital(&format!("{} {}", format::number_word(n), if n == 1 { one } else { many }))
}

fn heading(view: &TodayView) -> String {
    let due = view.tasks.iter().filter(|task| task.due <= view.today).count();
    match (view.devices.len(), due) {
        (0, _) => "No machines yet".to_owned(),
        (_, 0) => "Nothing to do today".to_owned(),
        (_, n) => counted(n, "thing to do today", "things to do today"),
    }
}

fn answered(view: &TodayView) -> String {
    let all = view.devices.len();
    let answering = view.devices.iter().filter(|device| device.silent.is_none()).count();
    match (all, answering) {
        (1, 1) => "The machine answers.".to_owned(),
        (1, _) => "The machine does not answer.".to_owned(),
        (2, 2) => "Both machines answer.".to_owned(),
        (all, same) if all == same => format!("All {} machines answer.", format::number_word(all)),
        (all, 0) => format!("None of the {} machines answers.", format::number_word(all)),
        (all, some) => format::capital(&format!(
            "{} of {} machines answer{}.",
            format::number_word(some),
            format::number_word(all),
            if some == 1 { "s" } else { "" }
        )),
    }
}

/// Tasks under their days; the tasks come earliest first.
fn task_days(view: &TodayView) -> Vec<TaskDay> {
    view.tasks
        .chunk_by(|a, b| a.due == b.due)
        .filter_map(|tasks| {
            let due = tasks.first()?.due;
            let day = AlmanacDay::new(due, view.today);
            // Folding away a single task would save no room.
            let open = if tasks.len() <= UNFOLDED + 1 { tasks.len() } else { UNFOLDED };
            let mut rows: Vec<TaskRow> = tasks.iter().map(|task| task_row(task, &view.orders)).collect();
            let folded = rows.split_off(open);
            Some(TaskDay { day, tasks: rows, folded })
        })
        .collect()
}

/// The page that a task leads to.
pub(crate) fn task_href(task: &Task) -> String {
    match (&task.part, task.device) {
        (Some(part), _) => super::shelf::part_href(part),
        (None, Some(device)) if task.kind == TaskKind::Answer => {
            let anchor = task.slot.map_or_else(String::new, |slot| format!("#supply-{slot}"));
            format!("/machines/{device}/units{anchor}")
        }
        (None, Some(device)) => task.slot.map_or_else(|| format!("/machines/{device}"), door_href),
        (None, None) => "/".to_owned(),
    }
}

fn task_row(task: &Task, orders: &[AdviceLine]) -> TaskRow {
    let advice = (task.kind == TaskKind::Order).then_some(task.part.as_ref()).flatten();
    let advice = advice.and_then(|part| orders.iter().find(|line| line.advice.part.number == *part));
    TaskRow {
        kind: task.kind.word(),
        mark: match task.kind {
            TaskKind::Order => "order",
            TaskKind::Swap => "swap",
            TaskKind::Check | TaskKind::Answer => "check",
        },
        what: task.what.clone(),
        why: format::capital(&task.why),
        href: task_href(task),
        put: advice.map(PutOn::of),
    }
}
