//! Searching ranges of addresses for printers: a search runs in the service, and the page looks on.

use askama::Template;
use axum::extract::{RawQuery, State};
use axum::response::{Html, IntoResponse, Redirect, Response};

use super::{done, fault, unprocessable};
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried};
use crate::site::pages::{Page, Section, html};
use crate::site::source::Source;
use crate::usecase::discover::FoundKind;
use crate::usecase::setup::view::{FoundLine, JobView, SearchRequest, SearchView};

/// This machine itself may always be searched, for trying out.
const THIS_MACHINE: &str = "127.0.0.1";

struct Credential {
    id: i64,
    name: String,
    chosen: bool,
}

struct Row {
    address: String,
    about: String,
    /// The name it would get, where it is a printer that is not watched.
    name: Option<String>,
    state: String,
}

struct Job {
    what: String,
    running: bool,
    summary: String,
    asked: usize,
    total: usize,
    unsent: Option<String>,
    rows: Vec<Row>,
    addable: bool,
}

#[derive(Template)]
#[template(path = "pages/setup/discover.html")]
struct DiscoverPage {
    page: Page,
    done: Option<&'static str>,
    form: FormView,
    credentials: Vec<Credential>,
    no_ranges: bool,
    job: Option<Job>,
    /// What is wrong with what was chosen.
    wrong: Option<String>,
    /// Whether the page loads itself again.
    refreshes: bool,
}

pub(super) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Html<String>, SiteError> {
    const DONE: [(&str, &str); 1] = [("added", "They are watched from now on, and polled within seconds.")];
    let query = query.as_deref();
    page(&source, (done(query, &DONE), query != Some("still")), &Tried::default()).await
}

async fn page<S: Source>(
    source: &S,
    (done, refreshes): (Option<&'static str>, bool),
    tried: &Tried,
) -> Result<Html<String>, SiteError> {
    let view = source.search().await?;
    let running = view.job.as_ref().is_some_and(|job| job.running);
    let wrong = tried.faults.iter().find(|_| tried.form == "found").map(|fault| fault.text.clone());
    html(&DiscoverPage {
        page: Page::new(source, Section::Setup, "Search the network"),
        done,
        form: form(&view, tried),
        credentials: view
            .credentials
            .iter()
            .map(|one| {
                let id = one.id.to_string();
                let sent = tried.form == "search";
                Credential {
                    id: one.id,
                    name: one.name.clone(),
                    chosen: if sent {
                        tried.fields.all("credential").any(|chosen| chosen == id)
                    } else {
                        one.devices > 0
                    },
                }
            })
            .collect(),
        no_ranges: view.ranges.is_empty(),
        job: view.job.map(|shown| job(&shown, tried)),
        wrong,
        refreshes: running && refreshes,
    })
}

fn form(view: &SearchView, tried: &Tried) -> FormView {
    let mut ranges: Vec<(String, String)> =
        view.ranges.iter().map(|range| (range.clone(), range.clone())).collect();
    ranges.push((THIS_MACHINE.to_owned(), format!("This machine, {THIS_MACHINE}, for trying out")));
    FormView::new("/setup/discover".to_owned(), ("search", "Search", "Search"), tried)
        .choice(("range", "Where", ""), ranges, tried)
        .line(
            (
                "part",
                "Only a part of it",
                "Such as 10.0.4.0/24; at most a /16 is searched at a time. Blank: all of it.",
            ),
            "text",
            "",
            tried,
        )
        .line(("port", "Port", ""), "numeric", "161", tried)
        .unsigned(tried)
}

fn job(view: &JobView, tried: &Tried) -> Job {
    let count = |kind: &str| view.found.iter().filter(|line| line.found.kind.word() == kind).count();
    let mut summary = vec![super::counted(count("printer"), "printer", "printers")];
    if count("other") > 0 {
        summary.push(format!("{} other", count("other")));
    }
    if count("refused") > 0 {
        summary.push(format!("{} that refused", count("refused")));
    }
    let state = match (view.running, view.stopped) {
        (true, _) => "so far",
        (_, true) => "when it was stopped",
        _ => "in all",
    };
    let rows: Vec<Row> = view.found.iter().map(|line| row(line, tried)).collect();
    Job {
        what: view.what.clone(),
        running: view.running,
        summary: format!("{} {state}, {} of {} addresses asked.", summary.join(", "), view.asked, view.total),
        asked: view.asked,
        total: view.total,
        unsent: view
            .unsent
            .as_ref()
            .map(|(count, why)| format!("{count} questions could not be sent; the first: {why}.")),
        addable: !view.running && rows.iter().any(|row| row.name.is_some()),
        rows,
    }
}

fn row(line: &FoundLine, tried: &Tried) -> Row {
    let found = &line.found;
    let address = found.address();
    let serial = found.identity.serial.as_ref().map(|serial| format!("serial {serial}"));
    let words = [found.own_name().map(str::to_owned), found.model().map(str::to_owned), serial];
    let typed = tried.fields.some(&format!("name-{address}"));
    let (state, name) = match (&found.kind, &line.watched_as) {
        (_, Some(name)) => (format!("Watched as {name}."), None),
        (FoundKind::Printer, None) => (String::new(), Some(typed.unwrap_or_else(|| line.name.clone()))),
        (FoundKind::Other, None) => ("No printer.".to_owned(), None),
        (FoundKind::Refused(why), None) => (format!("{why}."), None),
    };
    Row { about: words.into_iter().flatten().collect::<Vec<_>>().join(" · "), address, name, state }
}

pub(super) async fn start<S: Source>(State(source): State<S>, sent: Sent) -> Result<Response, SiteError> {
    let fields = Fields::of(sent)?;
    let port = fields.whole("port").ok().and_then(|port| u16::try_from(port).ok()).filter(|port| *port > 0);
    let told = match port {
        None => Fault::new("port", "Write a port from 1 to 65535, mostly 161."),
        Some(port) => {
            let range = fields.some("part").unwrap_or_else(|| fields.get("range").to_owned());
            let credentials = fields.all("credential").filter_map(|id| id.parse().ok()).collect();
            match source.start_search(SearchRequest { range, port, credentials }).await? {
                Ok(()) => return Ok(Redirect::to("/setup/discover").into_response()),
                Err(refusal) if refusal.field == "range" && fields.some("part").is_some() => {
                    Fault { field: "part".to_owned(), ..fault(refusal) }
                }
                Err(refusal) => fault(refusal),
            }
        }
    };
    let tried = Tried { form: "search".to_owned(), fields, faults: vec![told] };
    Ok(unprocessable(page(&source, (None, false), &tried).await?))
}

pub(super) async fn cancel<S: Source>(State(source): State<S>) -> Redirect {
    source.stop_search();
    Redirect::to("/setup/discover")
}

pub(super) async fn add<S: Source>(State(source): State<S>, sent: Sent) -> Result<Response, SiteError> {
    let fields = Fields::of(sent)?;
    let named = |address: &str| (address.to_owned(), fields.get(&format!("name-{address}")).to_owned());
    let chosen: Vec<(String, String)> = fields.all("found").map(named).collect();
    let told = if chosen.is_empty() {
        Fault::new("", "Nothing is chosen: tick at least one printer.")
    } else if let Some((address, _)) = chosen.iter().find(|(_, name)| name.is_empty()) {
        Fault::new("", format!("{address} has no name: write one."))
    } else {
        match source.watch_found(chosen).await? {
            Ok(_) => return Ok(Redirect::to("/setup/discover?done=added").into_response()),
            Err(refusal) => fault(refusal),
        }
    };
    let tried = Tried { form: "found".to_owned(), fields, faults: vec![told] };
    Ok(unprocessable(page(&source, (None, false), &tried).await?))
}
