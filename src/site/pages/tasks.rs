//! Everything that is to be done, page by page: what Today has no room for.

use askama::Template;
use axum::extract::{RawQuery, State};
use axum::response::Html;

use super::sifted::{Address, Filter, Turn};
use super::today::{TaskDay, task_days};
use super::{Page, Section, html};
use crate::domain::task::TaskKind;
use crate::site::error::SiteError;
use crate::site::form::Fields;
use crate::site::format;
use crate::site::source::Source;
use crate::usecase::picture::TASKS_A_PAGE;
use crate::usecase::sift::TasksAsked;

/// The kinds of tasks: the value in the address, and the word.
const KINDS: [(&str, &str, Option<TaskKind>); 5] = [
    ("", "All", None),
    ("order", "Order", Some(TaskKind::Order)),
    ("swap", "Swap", Some(TaskKind::Swap)),
    ("check", "Check", Some(TaskKind::Check)),
    ("answer", "Answer", Some(TaskKind::Answer)),
];

/// The kind that a value in an address stands for, none for all; nothing if it stands for none.
pub(crate) fn kind_of(value: &str) -> Option<Option<TaskKind>> {
    KINDS.iter().find(|(known, ..)| *known == value).map(|(.., kind)| *kind)
}

#[derive(Template)]
#[template(path = "pages/tasks.html")]
struct TasksPage {
    page: Page,
    heading: String,
    find: String,
    kinds: Vec<Filter>,
    beside: Vec<(&'static str, String)>,
    days: Vec<TaskDay>,
    turn: Turn,
    /// Whether something was asked for.
    sifted: bool,
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Html<String>, SiteError> {
    let fields = Fields::of_query(query.as_deref());
    let (kind, _, of_kind) =
        KINDS.iter().find(|(value, ..)| *value == fields.get("kind")).unwrap_or(&KINDS[0]);
    let asked = TasksAsked {
        kind: *of_kind,
        find: fields.get("find").chars().take(100).collect(),
        page: fields.get("page").parse().unwrap_or(1),
    };
    let view = source.tasks(&asked).await?;
    let address = Address::new("/tasks", vec![("find", asked.find.clone()), ("kind", (*kind).to_owned())]);
    let doors: Vec<(&str, &str)> = KINDS.iter().map(|(value, word, _)| (*value, *word)).collect();
    let sifted = asked != TasksAsked { page: asked.page, ..TasksAsked::default() };
    html(&TasksPage {
        page: Page::new(&source, Section::Today, "What to do"),
        heading: match (view.tasks.found, sifted) {
            (0, true) => "Nothing found".to_owned(),
            (0, false) => "Nothing to do".to_owned(),
            (1, _) => "One thing to do".to_owned(),
            (n, _) => format::capital(&format!("{} things to do", format::number_word(n))),
        },
        kinds: address.doors("kind", kind, &doors),
        beside: address.beside(&["find"]),
        turn: address.turn(&view.tasks, "Things", TASKS_A_PAGE),
        days: task_days(&view.tasks.lines, &view.orders, view.today, usize::MAX),
        find: asked.find,
        sifted,
    })
}
