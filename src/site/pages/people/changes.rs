//! What was changed, and by whom.

use askama::Template;
use axum::extract::{RawQuery, State};
use axum::response::Html;
use serde_json::Value;

use crate::site::error::SiteError;
use crate::site::pages::{Moment, Page, Section, html};
use crate::site::source::Source;
use crate::store::changes::Change;

struct Row {
    at: Moment,
    who: String,
    what: String,
    was: String,
    became: String,
}

#[derive(Template)]
#[template(path = "pages/people/changes.html")]
struct ChangesPage {
    page: Page,
    rows: Vec<Row>,
    older: Option<String>,
}

pub(super) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Html<String>, SiteError> {
    let before = query.as_deref().and_then(|query| query.strip_prefix("before=")?.parse().ok());
    let changes = source.changes(before).await?;
    let zone = source.zone();
    let row = |change: &Change| Row {
        at: Moment::new(change.at, &zone),
        who: change.who.clone(),
        what: format!("{} {} {}", change.what, change.subject.replace('_', " "), change.key),
        was: told(change.was.as_ref()),
        became: told(change.became.as_ref()),
    };
    let oldest = changes.last().map(|change| change.id).filter(|id| *id > 1);
    html(&ChangesPage {
        page: Page::new(&source, Section::Setup, "What was changed"),
        rows: changes.iter().map(row).collect(),
        older: oldest.map(|id| format!("/setup/changes?before={id}")),
    })
}

/// Fields and values in words, without what is empty.
fn told(value: Option<&Value>) -> String {
    let Some(Value::Object(fields)) = value else { return String::new() };
    let field = |(name, value): (&String, &Value)| {
        let value = match value {
            Value::Null => return None,
            Value::String(text) => text.clone(),
            other => other.to_string(),
        };
        Some(format!("{} {value}", name.replace('_', " ")))
    };
    fields.iter().filter_map(field).collect::<Vec<_>>().join(", ")
}
