//! Somebody's own visits, password and programs.

use askama::Template;
use axum::Extension;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};

use super::Made;
use super::all::roles;
use crate::domain::access::{Password, Role};
use crate::domain::ids::PersonId;
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried, keep};
use crate::site::format;
use crate::site::pages::{Moment, Page, Section, html};
use crate::site::source::Source;
use crate::usecase::access::Visit;
use crate::usecase::access::own::{OwnAct, TOKEN_DAYS};

struct VisitLine {
    id: i64,
    this: bool,
    begun: Moment,
    seen: Moment,
    agent: String,
}

struct TokenLine {
    id: i64,
    name: String,
    role: Role,
    ends: Moment,
    used: Option<Moment>,
}

#[derive(Template)]
#[template(path = "pages/people/own.html")]
struct OwnPage {
    page: Page,
    name: String,
    role: Role,
    done: Option<&'static str>,
    made: Option<Made>,
    visits: Vec<VisitLine>,
    tokens: Vec<TokenLine>,
    error: Option<String>,
    form: FormView,
}

/// What is told on the page besides.
#[derive(Default)]
struct Said {
    done: Option<&'static str>,
    made: Option<Made>,
    error: Option<String>,
    tried: Tried,
}

type Whose = Option<Extension<Visit>>;

/// Who is in. Where nobody is asked for a name, there is nobody to tell about.
fn person(visit: &Whose) -> Result<(PersonId, &Visit), SiteError> {
    let Some(Extension(visit)) = visit else { return Err(SiteError::NoSuchPage) };
    Ok((visit.actor.id().ok_or(SiteError::NoSuchPage)?, visit))
}

pub(super) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
    visit: Whose,
) -> Result<Response, SiteError> {
    let done = match query.as_deref() {
        Some("password") => Some("The password is changed, and you are out everywhere else."),
        Some("ended") => Some("It has ended."),
        _ => None,
    };
    page(&source, &visit, Said { done, ..Said::default() }).await
}

async fn page<S: Source>(source: &S, visit: &Whose, said: Said) -> Result<Response, SiteError> {
    let (id, visit) = person(visit)?;
    let (zone, own) = (source.zone(), source.own(id).await?);
    let moment = |at| Moment::new(at, &zone);
    let visits = own.sessions.into_iter().map(|one| VisitLine {
        id: one.id,
        this: one.id == visit.session,
        begun: moment(one.begun_at),
        seen: moment(one.seen_at),
        agent: one.agent,
    });
    let tokens = own.tokens.into_iter().map(|one| TokenLine {
        id: one.id,
        name: one.name,
        role: one.role,
        ends: moment(one.ends_at),
        used: one.used_at.map(moment),
    });
    let may =
        |(value, _): &(String, String)| Role::from_word(value).is_some_and(|role| role <= visit.actor.role());
    let form =
        FormView::new("/own/tokens".to_owned(), ("token", "Let a program in", "Make a token"), &said.tried)
            .line(("name", "Program", "What it is called here."), "text", "", &said.tried)
            .choice(("role", "Role", ""), roles().into_iter().filter(may).collect(), &said.tried)
            .line(("days", "Days that it is good for", ""), "numeric", "90", &said.tried)
            .unsigned(&said.tried);
    let failed = said.error.is_some() || !said.tried.faults.is_empty();
    let shown = html(&OwnPage {
        page: Page::new(source, Section::Elsewhere, visit.actor.name()),
        name: visit.actor.name().to_owned(),
        role: visit.actor.role(),
        done: said.done,
        made: said.made,
        visits: visits.collect(),
        tokens: tokens.collect(),
        error: said.error,
        form,
    })?;
    let status = if failed { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    Ok((status, shown).into_response())
}

/// Changes one's own password.
pub(super) async fn password<S: Source>(
    State(source): State<S>,
    visit: Whose,
    sent: Sent,
) -> Result<Response, SiteError> {
    let fields = Fields::of(sent)?;
    let (_, whose) = person(&visit)?;
    let error = if fields.raw("new") == fields.raw("again") {
        match source.change_password(whose, Password::typed(fields.raw("old")), fields.raw("new")).await? {
            Ok(()) => return Ok(Redirect::to("/own?password").into_response()),
            Err(refusal) => format!("{}.", format::capital(&refusal.to_string())),
        }
    } else {
        "The two are not the same; write it twice.".to_owned()
    };
    page(&source, &visit, Said { error: Some(error), ..Said::default() }).await
}

/// Makes a token for a program.
pub(super) async fn make_token<S: Source>(
    State(source): State<S>,
    visit: Whose,
    sent: Sent,
) -> Result<Response, SiteError> {
    let fields = Fields::of(sent)?;
    let (id, whose) = person(&visit)?;
    let mut faults = Vec::new();
    let name = keep(fields.text("name"), &mut faults).filter(|name| {
        let fits = name.chars().count() <= 80;
        if !fits {
            faults.push(Fault::new("name", "Say it in 80 letters or fewer."));
        }
        fits
    });
    let role = keep(
        Role::from_word(fields.get("role")).ok_or_else(|| Fault::new("role", "Choose one.")),
        &mut faults,
    );
    let days = keep(fields.whole("days"), &mut faults);
    let days = days.filter(|days| {
        let good = (1..=TOKEN_DAYS).contains(days);
        if !good {
            faults.push(Fault::new("days", format!("Write 1 to {TOKEN_DAYS}.")));
        }
        good
    });
    if let (Some(name), Some(role), Some(days)) = (name, role, days) {
        let act = OwnAct::MakeToken { name, role, days };
        let made = source.own_act((id, whose.actor.role()), act).await?.map(|key| Made {
            text: "Give this token to the program. It is shown this once:".to_owned(),
            letters: key.letters(),
        });
        return page(&source, &visit, Said { made, ..Said::default() }).await;
    }
    let tried = Tried { form: "token".to_owned(), fields, faults };
    page(&source, &visit, Said { tried, ..Said::default() }).await
}

/// Ends one of one's own visits or tokens.
pub(super) async fn end<S: Source>(
    State(source): State<S>,
    address: Result<Path<(String, i64)>, PathRejection>,
    visit: Whose,
) -> Result<Response, SiteError> {
    let Path((what, number)) = address.map_err(|_| SiteError::NoSuchPage)?;
    let (id, whose) = person(&visit)?;
    let act = match what.as_str() {
        "visits" => OwnAct::EndVisit(number),
        "tokens" => OwnAct::Revoke(number),
        _ => return Err(SiteError::NoSuchPage),
    };
    source.own_act((id, whose.actor.role()), act).await?;
    Ok(Redirect::to("/own?ended").into_response())
}
