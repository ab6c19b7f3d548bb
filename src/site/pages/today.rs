//! Today: what to do by when, and what ends first.

use askama::Template;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::http::header::SET_COOKIE;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::horizon::HorizonChart;
use super::orders::PutOn;
use super::supply::door_href;
use super::{AlmanacDay, Moment, Page, Section, Silent, html};
use crate::domain::task::{Task, TaskKind};
use crate::site::error::SiteError;
use crate::site::format;
use crate::site::source::Source;
use crate::site::visit::Visit;
use crate::usecase::view::{AdviceLine, Since, TodayView};

/// Beyond this many tasks of one day the rest is folded away, so that later days stay in sight.
const UNFOLDED: usize = 10;

pub(crate) struct TaskRow {
    pub(crate) kind: &'static str,
    pub(crate) mark: &'static str,
    pub(crate) what: String,
    pub(crate) why: String,
    pub(crate) href: String,
    /// Where the guide to a swap begins.
    pub(crate) guide: Option<String>,
    /// The button that puts what is to be ordered on an order.
    pub(crate) put: Option<PutOn>,
}

pub(crate) struct TaskDay {
    pub(crate) day: AlmanacDay,
    pub(crate) tasks: Vec<TaskRow>,
    pub(crate) folded: Vec<TaskRow>,
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
    missed: Option<Silent>,
    missed_in_all: usize,
    days: Vec<TaskDay>,
    chart: HorizonChart,
    supplies: String,
    nothing_read: bool,
    alerts: Option<String>,
    no_machines: bool,
    /// The end of the last visit, and what changed since.
    since: Option<(Moment, String)>,
    /// How many more tasks there are than stand here.
    more: usize,
}

/// The header by which an open page says that it looks again by itself.
const BY_ITSELF: &str = "ullage-live";

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    headers: HeaderMap,
) -> Result<Response, SiteError> {
    let view = source.today().await?;
    let visit = Visit::of(&headers, source.now());
    let page = Page::new(&source, Section::Today, "Today");
    let mut today = TodayPage::new(page, &view, source.now(), &source.zone());
    if let Some(before) = visit.before
        && !today.no_machines
    {
        today.since = Some((Moment::new(before, &source.zone()), news(&source.since(before).await?)));
    }
    let html = html(&today)?;
    // A page that looks again by itself is no visit.
    if headers.contains_key(BY_ITSELF) {
        return Ok(html.into_response());
    }
    Ok(([(SET_COOKIE, visit.cookie())], html).into_response())
}

/// What changed, as the end of a sentence.
fn news(since: &Since) -> String {
    let count = |n: usize, one: &str, many: &str| {
        (n > 0).then(|| format!("{} {}", format::number_word(n), if n == 1 { one } else { many }))
    };
    let said: Vec<String> = [
        count(since.opened, "alert opened", "alerts opened"),
        count(since.cleared, "alert cleared", "alerts cleared"),
        count(since.swaps, "unit was swapped", "units were swapped"),
        count(since.received, "unit came onto the shelf", "units came onto the shelf"),
        count(since.issued, "unit was taken from the shelf", "units were taken from the shelf"),
        count(since.added, "machine was added", "machines were added"),
    ]
    .into_iter()
    .flatten()
    .collect();
    match said.as_slice() {
        [] => "no alert, no swap, nothing booked".to_owned(),
        [only] => only.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

impl TodayPage {
    fn new(page: Page, view: &TodayView, now: Timestamp, zone: &TimeZone) -> Self {
        let answering = &view.answering;
        let silent = |device| Silent::of(device, now, zone);
        Self {
            page,
            heading: heading(view),
            answered: answered(view),
            dark: answering.dark.iter().filter_map(silent).collect(),
            dark_more: answering.dark_in_all.saturating_sub(answering.dark.len()),
            missed: answering.missed.as_ref().and_then(silent),
            missed_in_all: answering.missed_in_all,
            days: task_days(&view.tasks, &view.orders, view.today, UNFOLDED),
            chart: HorizonChart::new(&view.earliest, view.today, true),
            supplies: format::count(u64::try_from(view.supplies).unwrap_or(u64::MAX)),
            nothing_read: view.supplies == 0,
            alerts: (view.open_alerts > 0)
                .then(|| counted(view.open_alerts, "alert is open", "alerts are open")),
            since: None,
            no_machines: answering.machines == 0,
            more: view.tasks_in_all.saturating_sub(view.tasks.len()),
        }
    }
}

/// "One alert is open", "Three alerts are open".
fn counted(n: usize, one: &str, many: &str) -> String {
    format::capital(&format!("{} {}", format::number_word(n), if n == 1 { one } else { many }))
}

fn heading(view: &TodayView) -> String {
    match (view.answering.machines, view.due_today) {
        (0, _) => "No machines yet".to_owned(),
        (_, 0) => "Nothing to do today".to_owned(),
        (_, n) => counted(n, "thing to do today", "things to do today"),
    }
}

fn answered(view: &TodayView) -> String {
    match (view.answering.machines, view.answering.answering) {
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

/// Tasks under their days, of which each shows so many unfolded; the tasks come earliest first.
pub(crate) fn task_days(tasks: &[Task], orders: &[AdviceLine], today: Date, unfolded: usize) -> Vec<TaskDay> {
    tasks
        .chunk_by(|a, b| a.due == b.due)
        .filter_map(|tasks| {
            let due = tasks.first()?.due;
            let day = AlmanacDay::new(due, today);
            // Folding away a single task would save no room.
            let open = if tasks.len() <= unfolded.saturating_add(1) { tasks.len() } else { unfolded };
            let mut rows: Vec<TaskRow> = tasks.iter().map(|task| task_row(task, orders)).collect();
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
        guide: task
            .slot
            .filter(|_| task.kind == TaskKind::Swap)
            .map(|slot| format!("{}/swap", door_href(slot))),
        put: advice.map(PutOn::of),
    }
}
