//! The calendar of tasks and the feed of alerts, behind an address that nobody can guess; and the page where that
//! address is made.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::http::header;
use axum::response::{IntoResponse, Redirect, Response};

use crate::report::atom::{self, Entry};
use crate::report::ical::{self, Linked, Shape};
use crate::site::error::SiteError;
use crate::site::form::{FormView, Tried};
use crate::site::pages::today::task_href;
use crate::site::pages::{Moment, Page, Section, html};
use crate::site::source::Source;
use crate::site::words;

/// What the feeds are called in a calendar or a feed reader.
const NAME: &str = "Ullage";

/// The feeds: the name of the file, and what it is good for.
const FILES: [(&str, &str); 3] = [
    ("tasks.ics", "Tasks, for a calendar that shows tasks"),
    ("days.ics", "The same tasks as events of a whole day, for a calendar that shows none"),
    ("alerts.atom", "Alerts, for a feed reader"),
];

struct Link {
    what: &'static str,
    href: String,
}

#[derive(Template)]
#[template(path = "pages/feeds.html")]
struct FeedsPage {
    page: Page,
    since: Option<Moment>,
    /// The addresses, at the one time that they are shown.
    links: Vec<Link>,
    forms: Vec<FormView>,
    stopped: bool,
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    page(&source, None, query.as_deref() == Some("stopped")).await
}

/// Makes a new address and shows it, once; or lets none lead to the feeds any more.
pub(crate) async fn take<S: Source>(
    State(source): State<S>,
    form: Result<Path<String>, PathRejection>,
) -> Result<Response, SiteError> {
    let Path(form) = form.map_err(|_| SiteError::NoSuchPage)?;
    match form.as_str() {
        "renew" => {
            let secret = source.renew_feed().await?;
            let mut response = page(&source, Some(&secret), false).await?;
            response
                .headers_mut()
                .insert(header::CACHE_CONTROL, header::HeaderValue::from_static("no-store"));
            Ok(response)
        }
        "stop" => {
            source.stop_feed().await?;
            Ok(Redirect::to("/alerts/feeds?stopped").into_response())
        }
        _ => Err(SiteError::NoSuchPage),
    }
}

async fn page<S: Source>(source: &S, secret: Option<&str>, stopped: bool) -> Result<Response, SiteError> {
    let since = source.feed_open_since().await?;
    let tried = Tried::default();
    let form = |name: &'static str, title: &'static str, button| {
        FormView::new(format!("/alerts/feeds/{name}"), (name, title, button), &tried)
    };
    let link = source.link();
    let links = secret.map(|secret| {
        FILES.map(|(file, what)| Link { what, href: format!("{link}/feeds/{secret}/{file}") }).into()
    });
    let forms = match since {
        None => vec![form("renew", "Make the addresses", "Make them")],
        Some(_) => vec![
            form("renew", "Make new addresses; those in use lead nowhere then", "Make new ones"),
            form("stop", "Let no address lead to them any more", "Stop the feeds"),
        ],
    };
    let page = FeedsPage {
        page: Page::new(source, Section::Alerts, "Calendar and feed"),
        since: since.map(|at| Moment::new(at, &source.zone())),
        links: links.unwrap_or_default(),
        forms,
        stopped,
    };
    Ok(html(&page)?.into_response())
}

/// One of the files, for whoever knows the secret; for everybody else there is no such page.
pub(crate) async fn file<S: Source>(
    State(source): State<S>,
    address: Result<Path<(String, String)>, PathRejection>,
) -> Result<Response, SiteError> {
    let Path((secret, file)) = address.map_err(|_| SiteError::NoSuchPage)?;
    if !source.opens_feed(secret.clone()).await? {
        return Err(SiteError::NoSuchPage);
    }
    let (kind, body) = match file.as_str() {
        "tasks.ics" => ("text/calendar; charset=utf-8", calendar(&source, Shape::Todo).await?),
        "days.ics" => ("text/calendar; charset=utf-8", calendar(&source, Shape::Event).await?),
        "alerts.atom" => ("application/atom+xml; charset=utf-8", alerts(&source, &secret).await?),
        _ => return Err(SiteError::NoSuchPage),
    };
    let headers = [(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, "private, no-cache")];
    Ok((headers, body).into_response())
}

async fn calendar<S: Source>(source: &S, shape: Shape) -> Result<String, SiteError> {
    let link = source.link();
    let linked = |task| Linked { href: format!("{link}{}", task_href(&task)), task };
    let tasks: Vec<Linked> = source.every_task().await?.into_iter().map(linked).collect();
    Ok(ical::calendar(NAME, &tasks, source.now(), shape))
}

async fn alerts<S: Source>(source: &S, secret: &str) -> Result<String, SiteError> {
    let newest = source.newest_alerts().await?;
    let entries: Vec<Entry<'_>> =
        newest.iter().map(|line| Entry { alert: &line.alert, rule: words::rule(line.alert.rule) }).collect();
    let link = source.link();
    Ok(atom::feed(NAME, &entries, source.now(), &link, &format!("{link}/feeds/{secret}/alerts.atom")))
}
