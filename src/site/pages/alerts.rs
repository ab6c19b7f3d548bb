//! What crossed a rule: open, and cleared.

use askama::Template;
use axum::extract::State;
use axum::response::Html;

use super::{AlertRow, Page, Section, html};
use crate::site::error::SiteError;
use crate::site::format;
use crate::site::source::Source;

#[derive(Template)]
#[template(path = "pages/alerts.html")]
struct AlertsPage {
    page: Page,
    heading: String,
    open: Vec<AlertRow>,
    cleared: Vec<AlertRow>,
}

pub(crate) async fn show<S: Source>(State(source): State<S>) -> Result<Html<String>, SiteError> {
    let view = source.alerts().await?;
    let (now, zone) = (source.now(), source.zone());
    let heading = match view.open.len() {
        0 => "No alert is open".to_owned(),
        1 => "One alert is open".to_owned(),
        n => format::capital(&format!("{} alerts are open", format::number_word(n))),
    };
    html(&AlertsPage {
        page: Page::new(&source, Section::Alerts, "Alerts"),
        heading,
        open: view.open.iter().map(|line| AlertRow::of(line, now, &zone)).collect(),
        cleared: view.cleared.iter().map(|line| AlertRow::of(line, now, &zone)).collect(),
    })
}
