//! Everybody who may come in.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::http::header::HOST;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Redirect, Response};

use super::Made;
use crate::domain::access::Role;
use crate::domain::ids::PersonId;
use crate::site::access_source::PersonAct;
use crate::site::error::SiteError;
use crate::site::form::{Choice, Fault, Fields, FormView, Sent, Tried, keep};
use crate::site::format;
use crate::site::pages::{Moment, Page, Section, html};
use crate::site::source::Source;
use crate::store::people::Person;
use crate::usecase::access::Key;
use crate::usecase::access::people::Refusal;

struct Line {
    id: i64,
    name: String,
    role: Role,
    roles: Vec<Choice>,
    has_password: bool,
    seen: Option<Moment>,
    open: bool,
    error: Option<String>,
}

#[derive(Template)]
#[template(path = "pages/people/all.html")]
struct PeoplePage {
    page: Page,
    heading: String,
    done: Option<&'static str>,
    made: Option<Made>,
    people: Vec<Line>,
    form: FormView,
}

/// What is told on the page besides.
#[derive(Default)]
struct Said {
    done: Option<&'static str>,
    made: Option<Made>,
    /// What could not be done about a person.
    refused: Option<(PersonId, String)>,
    tried: Tried,
}

pub(super) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let done = match query.as_deref() {
        Some("role") => Some("The role is changed; it counts from the next page on."),
        Some("retired") => Some("They are out, and come in no longer. What they did stays under their name."),
        _ => None,
    };
    page(&source, Said { done, ..Said::default() }).await
}

async fn page<S: Source>(source: &S, said: Said) -> Result<Response, SiteError> {
    let zone = source.zone();
    let people = source.people().await?;
    let form = FormView::new("/setup/people".to_owned(), ("add", "Let somebody in", "Add them"), &said.tried)
        .line(("name", "Name", "What they come in under."), "text", "", &said.tried);
    let form = if people.is_empty() { form } else { form.choice(("role", "Role", ""), roles(), &said.tried) };
    let line = |one: &Person| {
        let error = said.refused.as_ref().filter(|(id, _)| *id == one.id).map(|(_, text)| text.clone());
        let choice =
            |(value, text): (String, String)| Choice { chosen: value == one.role.word(), value, text };
        Line {
            id: one.id.0,
            name: one.name.clone(),
            role: one.role,
            roles: roles().into_iter().map(choice).collect(),
            has_password: one.has_password,
            seen: one.seen_at.map(|at| Moment::new(at, &zone)),
            open: error.is_some(),
            error,
        }
    };
    let heading = match people.len() {
        0 => "People".to_owned(),
        1 => "One person comes in".to_owned(),
        n => format!("{} people come in", format::capital(&format::number_word(n))),
    };
    let failed = said.refused.is_some() || !said.tried.faults.is_empty();
    let shown = html(&PeoplePage {
        page: Page::new(source, Section::Setup, "People"),
        heading,
        done: said.done,
        people: people.iter().map(line).collect(),
        form: form.unsigned(&said.tried),
        made: said.made,
    })?;
    let status = if failed { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    Ok((status, shown).into_response())
}

/// The roles to choose from, the least first.
pub(super) fn roles() -> Vec<(String, String)> {
    Role::ALL.map(|role| (role.word().to_owned(), format::capital(role.word()))).into()
}

/// Lets somebody come in.
pub(super) async fn add<S: Source>(
    State(source): State<S>,
    headers: HeaderMap,
    sent: Sent,
) -> Result<Response, SiteError> {
    let fields = Fields::of(sent)?;
    let mut faults = Vec::new();
    // As long as there is nobody, the first becomes an administrator.
    let role = if source.asks_names().await? {
        let read = Role::from_word(fields.get("role"));
        keep(read.ok_or_else(|| Fault::new("role", "Choose one.")), &mut faults)
    } else {
        Some(Role::Administrator)
    };
    let name = keep(fields.text("name"), &mut faults);
    if let (Some(name), Some(role)) = (name, role) {
        match source.person_act(PersonAct::Add(name, role)).await? {
            Ok((name, key)) => {
                let made = key.map(|key| shown(&source, &headers, &name, &key));
                return page(&source, Said { made, ..Said::default() }).await;
            }
            Err(refusal) => faults.push(Fault::new("name", words(&refusal))),
        }
    }
    let tried = Tried { form: "add".to_owned(), fields, faults };
    page(&source, Said { tried, ..Said::default() }).await
}

/// Does something about somebody.
pub(super) async fn act<S: Source>(
    State(source): State<S>,
    address: Result<Path<(i64, String)>, PathRejection>,
    headers: HeaderMap,
    sent: Sent,
) -> Result<Response, SiteError> {
    let Path((id, action)) = address.map_err(|_| SiteError::NoSuchPage)?;
    let fields = Fields::of(sent)?;
    let id = PersonId(id);
    let (act, done) = match action.as_str() {
        "role" => {
            let role = Role::from_word(fields.get("role")).ok_or(SiteError::NotAForm)?;
            (PersonAct::Role(id, role), "role")
        }
        "link" => (PersonAct::Link(id), "link"),
        "retire" => (PersonAct::Retire(id), "retired"),
        _ => return Err(SiteError::NoSuchPage),
    };
    match source.person_act(act).await? {
        Ok((name, Some(key))) => {
            let made = Some(shown(&source, &headers, &name, &key));
            page(&source, Said { made, ..Said::default() }).await
        }
        Ok((_, None)) => Ok(Redirect::to(&format!("/setup/people?{done}")).into_response()),
        Err(refusal) => page(&source, Said { refused: Some((id, words(&refusal))), ..Said::default() }).await,
    }
}

fn words(refusal: &Refusal) -> String {
    format!("{}.", format::capital(&refusal.to_string()))
}

/// A link as it is handed to somebody: under the name that this page was asked for.
fn shown<S: Source>(source: &S, headers: &HeaderMap, name: &str, key: &Key) -> Made {
    let host = headers.get(HOST).and_then(|host| host.to_str().ok()).unwrap_or("localhost");
    let scheme = if source.is_https() { "https" } else { "http" };
    Made {
        text: format!(
            "Give {name} this link. It is shown this once, works once and for two days, and lets them choose a password:"
        ),
        letters: format!("{scheme}://{host}/link/{}", key.letters()),
    }
}
