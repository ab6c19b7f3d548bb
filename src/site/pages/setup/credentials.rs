//! The kept credentials. Their secrets are written here and never read.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::response::{Html, IntoResponse, Redirect, Response};

use super::{done, fault, unprocessable};
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried};
use crate::site::pages::{Page, Section, html};
use crate::site::source::Source;
use crate::usecase::setup::CredentialSummary;
use crate::usecase::setup::view::CredentialForm;

struct Line {
    href: String,
    name: String,
    about: String,
}

#[derive(Template)]
#[template(path = "pages/setup/credentials.html")]
struct CredentialsPage {
    page: Page,
    done: Option<&'static str>,
    lines: Vec<Line>,
    form: FormView,
}

#[derive(Template)]
#[template(path = "pages/setup/credential.html")]
struct CredentialPage {
    page: Page,
    name: String,
    about: String,
    form: FormView,
    /// Where it is thrown away; nothing while a machine is asked by it.
    remove: Option<String>,
    failed: Option<&'static str>,
}

type Number = Result<Path<i64>, PathRejection>;

fn about(one: &CredentialSummary) -> String {
    let mut parts = vec![match one.version.as_str() {
        "v1" => "version 1".to_owned(),
        "v2c" => "version 2c".to_owned(),
        _ => "version 3".to_owned(),
    }];
    parts.extend(one.user_name.as_ref().map(|user| format!("user {user}")));
    parts.extend(one.auth_protocol.as_ref().map(|word| format!("signed by {word}")));
    parts.extend(one.privacy_protocol.as_ref().map(|word| format!("encrypted by {word}")));
    parts.push(match one.devices {
        0 => "no machine is asked by it".to_owned(),
        1 => "one machine is asked by it".to_owned(),
        n => format!("{n} machines are asked by it"),
    });
    parts.join(", ")
}

pub(super) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Html<String>, SiteError> {
    const DONE: [(&str, &str); 3] = [
        ("added", "It is kept, and can be chosen for machines and searches."),
        ("changed", "It is changed; machines are asked the new way from their next poll on."),
        ("removed", "It is thrown away."),
    ];
    page(&source, done(query.as_deref(), &DONE), &Tried::default()).await
}

async fn page<S: Source>(
    source: &S,
    done: Option<&'static str>,
    tried: &Tried,
) -> Result<Html<String>, SiteError> {
    let line = |one: &CredentialSummary| Line {
        href: format!("/setup/credentials/{}", one.id),
        name: one.name.clone(),
        about: about(one),
    };
    html(&CredentialsPage {
        page: Page::new(source, Section::Setup, "Credentials"),
        done,
        lines: source.credentials().await?.iter().map(line).collect(),
        form: form("/setup/credentials".to_owned(), None, tried),
    })
}

/// The form of a new credential, or of one that is changed.
fn form(action: String, one: Option<&CredentialSummary>, tried: &Tried) -> FormView {
    let choices = |all: &[(&str, &str)], first: &str| {
        let mut all: Vec<(String, String)> =
            all.iter().map(|(value, text)| ((*value).to_owned(), (*text).to_owned())).collect();
        all.sort_by_key(|(value, _)| value != first);
        all
    };
    let versions = [("v2c", "Version 2c"), ("v1", "Version 1"), ("v3", "Version 3")];
    let signed = [
        ("sha256", "sha256"),
        ("sha512", "sha512"),
        ("sha384", "sha384"),
        ("sha224", "sha224"),
        ("sha1", "sha1"),
        ("md5", "md5"),
        ("none", "Not signed"),
    ];
    let encrypted = [
        ("aes128", "aes128"),
        ("aes256", "aes256"),
        ("aes192", "aes192"),
        ("aes256-reeder", "aes256-reeder"),
        ("aes192-reeder", "aes192-reeder"),
        ("des", "des"),
        ("none", "Not encrypted"),
    ];
    let usual = |value: Option<&String>| match (one, value) {
        (_, Some(value)) => value.clone(),
        (Some(one), None) if one.version == "v3" => "none".to_owned(),
        _ => String::new(),
    };
    let secret = if one.is_some() { "Leave it blank to keep the one that is set." } else { "" };
    let title =
        if one.is_some() { ("change", "Change it", "Change it") } else { ("new", "Add one", "Keep it") };
    let version = one.map_or("v2c", |one| one.version.as_str());
    let user = one.and_then(|one| one.user_name.as_deref()).unwrap_or_default();
    FormView::new(action, title, tried)
        .line(
            ("name", "Name", "What it is called here; blank: its version and user."),
            "text",
            one.map_or("", |one| &one.name),
            tried,
        )
        .choice(("version", "Version of SNMP", ""), choices(&versions, version), tried)
        .secret(("community", "Community", &format!("Of versions 1 and 2c. {secret}")), tried)
        .line(("user", "User", "Of version 3, like the rest below."), "text", user, tried)
        .choice(
            ("auth_protocol", "Signed by", ""),
            choices(&signed, &usual(one.and_then(|one| one.auth_protocol.as_ref()))),
            tried,
        )
        .secret(("auth_password", "Password that signs", secret), tried)
        .choice(
            ("privacy_protocol", "Encrypted by", ""),
            choices(&encrypted, &usual(one.and_then(|one| one.privacy_protocol.as_ref()))),
            tried,
        )
        .secret(("privacy_password", "Password that encrypts", secret), tried)
        .unsigned(tried)
}

/// What a form says. For versions 1 and 2c what is about version 3 counts for nothing.
fn read(fields: &Fields) -> Result<CredentialForm, Fault> {
    let version = match fields.get("version") {
        word @ ("v1" | "v2c" | "v3") => word.to_owned(),
        _ => return Err(Fault::new("version", "Choose one.")),
    };
    let protocol = |name: &str| fields.some(name).filter(|word| word != "none");
    let name = fields.get("name");
    if name.chars().count() > 200 {
        return Err(Fault::new("name", "Say it in 200 letters or fewer."));
    }
    Ok(CredentialForm {
        name: name.to_owned(),
        version,
        community: fields.some("community"),
        user: fields.some("user"),
        auth: (protocol("auth_protocol"), fields.some("auth_password")),
        privacy: (protocol("privacy_protocol"), fields.some("privacy_password")),
    })
}

pub(super) async fn add<S: Source>(State(source): State<S>, sent: Sent) -> Result<Response, SiteError> {
    let fields = Fields::of(sent)?;
    let told = match read(&fields) {
        Ok(form) => match source.put_credential(None, form).await? {
            Ok(_) => return Ok(Redirect::to("/setup/credentials?done=added").into_response()),
            Err(refusal) => fault(refusal),
        },
        Err(fault) => fault,
    };
    let tried = Tried { form: "new".to_owned(), fields, faults: vec![told] };
    Ok(unprocessable(page(&source, None, &tried).await?))
}

async fn find<S: Source>(source: &S, id: &Number) -> Result<CredentialSummary, SiteError> {
    let Ok(Path(id)) = id else { return Err(SiteError::NoSuchPage) };
    let found = source.credentials().await?.into_iter().find(|one| one.id == *id);
    found.ok_or(SiteError::NoSuchPage)
}

pub(super) async fn one<S: Source>(State(source): State<S>, id: Number) -> Result<Html<String>, SiteError> {
    let one = find(&source, &id).await?;
    one_page(&source, &one, None, &Tried::default())
}

fn one_page<S: Source>(
    source: &S,
    one: &CredentialSummary,
    failed: Option<&'static str>,
    tried: &Tried,
) -> Result<Html<String>, SiteError> {
    let href = format!("/setup/credentials/{}", one.id);
    html(&CredentialPage {
        page: Page::new(source, Section::Setup, format!("{}, a credential", one.name)),
        name: one.name.clone(),
        about: about(one),
        remove: (one.devices == 0).then(|| format!("{href}/remove")),
        form: form(href, Some(one), tried),
        failed,
    })
}

pub(super) async fn change<S: Source>(
    State(source): State<S>,
    id: Number,
    sent: Sent,
) -> Result<Response, SiteError> {
    let one = find(&source, &id).await?;
    let fields = Fields::of(sent)?;
    let told = match read(&fields) {
        Ok(form) => match source.put_credential(Some(one.id), form).await? {
            Ok(true) => return Ok(Redirect::to("/setup/credentials?done=changed").into_response()),
            Ok(false) => return Err(SiteError::NoSuchPage),
            Err(refusal) => fault(refusal),
        },
        Err(fault) => fault,
    };
    let tried = Tried { form: "change".to_owned(), fields, faults: vec![told] };
    Ok(unprocessable(one_page(&source, &one, None, &tried)?))
}

pub(super) async fn remove<S: Source>(State(source): State<S>, id: Number) -> Result<Response, SiteError> {
    let one = find(&source, &id).await?;
    if source.remove_credential(one.id).await? {
        return Ok(Redirect::to("/setup/credentials?done=removed").into_response());
    }
    let why = "It stays: a machine is or was asked by it, and retired ones count too.";
    Ok(unprocessable(one_page(&source, &one, Some(why), &Tried::default())?))
}
