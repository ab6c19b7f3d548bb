//! Who is told of alerts and when, and what became of the messages.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use jiff::SignedDuration;
use jiff::civil::Time;
use jiff::tz::TimeZone;

use crate::domain::alert::recipient::{Channel, Peace, Quiet, Recipient, Route};
use crate::domain::alert::{Grade, Rule};
use crate::domain::ids::{DeviceId, MessageId, RecipientId};
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried, keep};
use crate::site::pages::{Moment, Page, Section, html};
use crate::site::source::Source;
use crate::site::{format, words};
use crate::usecase::told::ToldRefused;
use crate::usecase::view::{MessageLine, ToldView};

/// Somebody who is told.
struct RecipientRow {
    name: String,
    way: String,
    /// What they are told, and when they are left alone: a sentence each.
    told: Vec<String>,
}

/// A message, as a line of the table.
struct MessageRow {
    id: i64,
    made: Moment,
    to: String,
    summary: String,
    /// "handed over", "tried again …", "given up".
    state: String,
    fault: Option<String>,
    given_up: bool,
    can_be_tried: bool,
}

#[derive(Template)]
#[template(path = "pages/told.html")]
struct ToldPage {
    page: Page,
    recipients: Vec<RecipientRow>,
    messages: Vec<MessageRow>,
    forms: Vec<FormView>,
    /// What is not set, in sentences.
    lacks: Vec<&'static str>,
    done: Option<&'static str>,
    failed: bool,
}

/// What a form has done, as its page's address says it.
const DONE: [(&str, &str); 5] = [
    ("added", "They are told from now on."),
    ("routed", "The route is added."),
    ("changed", "It holds from the next thing on that they are told."),
    ("removed", "They are told nothing any more."),
    ("again", "The message is tried again within seconds."),
];

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let done = query.and_then(|query| DONE.iter().find(|(word, _)| *word == query));
    page(&source, done.map(|(_, text)| *text), &Tried::default()).await
}

/// Does what a form says, and leads back to the page; or shows it again with what is wrong.
pub(crate) async fn take<S: Source>(
    State(source): State<S>,
    form: Result<Path<String>, PathRejection>,
    sent: Sent,
) -> Result<Response, SiteError> {
    let Path(form) = form.map_err(|_| SiteError::NoSuchPage)?;
    let fields = Fields::of(sent)?;
    let done = match form.as_str() {
        "add" => add(&source, &fields).await?.map(|()| "added"),
        "route" => route_to(&source, &fields).await?.map(|()| "routed"),
        "change" => change(&source, &fields).await?.map(|()| "changed"),
        "remove" => {
            let id = chosen(&fields, "recipient").map(RecipientId);
            let removed = match id {
                Ok(id) => source.remove_recipient(id).await?,
                Err(_) => false,
            };
            outcome(removed, "They were removed by somebody else in the meantime.").map(|()| "removed")
        }
        "again" => {
            let tried = match chosen(&fields, "message").map(MessageId) {
                Ok(id) => source.try_again(id).await?,
                Err(_) => false,
            };
            outcome(tried, "That message cannot be tried again: it was handed over in the meantime.")
                .map(|()| "again")
        }
        _ => return Err(SiteError::NoSuchPage),
    };
    match done {
        Ok(done) => Ok(Redirect::to(&format!("/alerts/told?{done}")).into_response()),
        Err(faults) => {
            let mut response = page(&source, None, &Tried { form, fields, faults }).await?;
            *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
            Ok(response)
        }
    }
}

fn outcome(done: bool, text: &str) -> Result<(), Vec<Fault>> {
    if done { Ok(()) } else { Err(vec![Fault::new("", text)]) }
}

fn chosen(fields: &Fields, name: &'static str) -> Result<i64, Fault> {
    fields.chosen(name)
}

fn refused(refusal: &ToldRefused) -> Vec<Fault> {
    let field = match refusal {
        ToldRefused::NameTaken(_) => "name",
        ToldRefused::Address(_) => "address",
        ToldRefused::NoSuchRecipient => "recipient",
    };
    vec![Fault::new(field, format!("{}.", format::capital(&refusal.to_string())))]
}

async fn add<S: Source>(source: &S, fields: &Fields) -> Result<Result<(), Vec<Fault>>, SiteError> {
    let mut faults = Vec::new();
    let name = keep(fields.text("name"), &mut faults);
    let way = Channel::from_word(fields.get("channel"));
    let channel = keep(way.ok_or_else(|| Fault::new("channel", "Choose one.")), &mut faults);
    let address = keep(fields.text("address"), &mut faults);
    let least = Grade::from_word(fields.get("least"));
    let least = keep(least.ok_or_else(|| Fault::new("least", "Choose one.")), &mut faults);
    let quiet = keep(quiet(fields), &mut faults);
    let route = keep(route(fields), &mut faults);
    let all = || {
        Some(Recipient {
            id: RecipientId(0),
            name: name?,
            channel: channel?,
            address: address?,
            least: least?,
            peace: Peace { quiet: quiet?, working_days_only: fields.get("days") == "working" },
            // A program keeps books; a person is left alone.
            wants_cleared: channel? == Channel::Webhook,
            routes: vec![route?],
        })
    };
    let Some(recipient) = all() else { return Ok(Err(faults)) };
    Ok(source.add_recipient(recipient).await?.map(|_| ()).map_err(|refusal| refused(&refusal)))
}

async fn route_to<S: Source>(source: &S, fields: &Fields) -> Result<Result<(), Vec<Fault>>, SiteError> {
    let mut faults = Vec::new();
    let id = keep(fields.chosen("recipient").map(RecipientId), &mut faults);
    let route = keep(route(fields), &mut faults);
    let Some((id, route)) = id.zip(route) else { return Ok(Err(faults)) };
    Ok(source.add_route(id, route).await?.map_err(|refusal| refused(&refusal)))
}

async fn change<S: Source>(source: &S, fields: &Fields) -> Result<Result<(), Vec<Fault>>, SiteError> {
    let mut faults = Vec::new();
    let id = keep(fields.chosen("recipient").map(RecipientId), &mut faults);
    let least = Grade::from_word(fields.get("least"));
    let least = keep(least.ok_or_else(|| Fault::new("least", "Choose one.")), &mut faults);
    let quiet = keep(quiet(fields), &mut faults);
    let (Some(id), Some(least), Some(quiet)) = (id, least, quiet) else { return Ok(Err(faults)) };
    let peace = Peace { quiet, working_days_only: fields.get("days") == "working" };
    let changed = source.change_recipient(id, least, peace).await?;
    Ok(outcome(changed, "They were removed by somebody else in the meantime."))
}

/// Which alerts, where, and whether only when nobody looks.
fn route(fields: &Fields) -> Result<Route, Fault> {
    let rule = match fields.get("rule") {
        "" => None,
        word => Some(Rule::from_word(word).ok_or_else(|| Fault::new("rule", "Choose one."))?),
    };
    let device = match fields.get("device") {
        "" => None,
        _ => Some(DeviceId(fields.chosen("device")?)),
    };
    let hours = fields.whole("after").ok().filter(|hours| *hours <= 24 * 28);
    let hours = hours.ok_or_else(|| Fault::new("after", "Choose one."))?;
    Ok(Route { rule, device, unseen_for: SignedDuration::from_hours(i64::from(hours)) })
}

/// The hours in which somebody is left alone; both are filled in, or neither.
fn quiet(fields: &Fields) -> Result<Option<Quiet>, Fault> {
    let time = |name: &'static str| {
        let text = fields.get(name);
        let shape = text.len() == 5 && text.as_bytes()[2] == b':';
        text.parse::<Time>().ok().filter(|_| shape).ok_or_else(|| Fault::new(name, "Write it like 20:00."))
    };
    match (fields.get("quiet_from"), fields.get("quiet_until")) {
        ("", "") => Ok(None),
        _ => {
            let quiet = Quiet { from: time("quiet_from")?, until: time("quiet_until")? };
            if quiet.from == quiet.until {
                return Err(Fault::new("quiet_until", "That would be no time at all, or all of it."));
            }
            Ok(Some(quiet))
        }
    }
}

async fn page<S: Source>(
    source: &S,
    done: Option<&'static str>,
    tried: &Tried,
) -> Result<Response, SiteError> {
    let view = source.told().await?;
    let zone = source.zone();
    let webhooks = view.recipients.iter().any(|recipient| recipient.channel == Channel::Webhook);
    let mut lacks = Vec::new();
    if !view.mail_is_set {
        lacks.push("No mail server is set: mail waits until mail.server and mail.from are in the settings.");
    }
    if webhooks && !view.calls_are_signed {
        lacks.push("Calls are not signed: set webhook.secret, so that a receiver can tell them from others.");
    }
    let page = ToldPage {
        page: Page::new(source, Section::Alerts, "Who is told"),
        recipients: view.recipients.iter().map(|recipient| recipient_row(recipient, &view)).collect(),
        messages: view.messages.iter().map(|message| message_row(message, &zone)).collect(),
        forms: forms(&view, tried),
        lacks,
        done,
        failed: !tried.faults.is_empty(),
    };
    Ok(html(&page)?.into_response())
}

fn recipient_row(recipient: &Recipient, view: &ToldView) -> RecipientRow {
    let mut told: Vec<String> = recipient.routes.iter().map(|route| route_words(route, view)).collect();
    if recipient.routes.is_empty() {
        told.push("Every alert, at once.".to_owned());
    }
    told.push(match recipient.least {
        Grade::Other => "Of every severity.".to_owned(),
        Grade::Warning => "Warning and critical.".to_owned(),
        Grade::Critical => "Critical only.".to_owned(),
    });
    let clock = |time: Time| time.strftime("%H:%M").to_string();
    told.extend(
        recipient
            .peace
            .quiet
            .map(|quiet| format!("Left alone from {} to {}.", clock(quiet.from), clock(quiet.until))),
    );
    if recipient.peace.working_days_only {
        told.push("On working days only.".to_owned());
    }
    if recipient.wants_cleared {
        told.push("Hears of what clears.".to_owned());
    }
    RecipientRow {
        name: recipient.name.clone(),
        way: format!("{}, {}", recipient.channel.word(), recipient.address),
        told,
    }
}

/// A route as a sentence: "Machine dark at Bobbin, if nobody has seen it for 4 hours."
fn route_words(route: &Route, view: &ToldView) -> String {
    let what = route.rule.map_or("Every alert", words::rule);
    let device = route.device.map(|id| {
        let known = view.devices.iter().find(|(device, _)| *device == id);
        format!(" at {}", known.map_or("a machine that is watched no longer", |(_, name)| name.as_str()))
    });
    let when = match route.unseen_for.as_hours() {
        0 => "at once".to_owned(),
        1 => "if nobody has seen it for an hour".to_owned(),
        hours => format!("if nobody has seen it for {hours} hours"),
    };
    format!("{what}{}, {when}.", device.unwrap_or_default())
}

fn message_row(message: &MessageLine, zone: &TimeZone) -> MessageRow {
    let state = match (message.sent_at, message.given_up_at) {
        (Some(at), _) => format!("handed over {}", format::moment(at, zone)),
        (None, Some(at)) => format!("given up {}", format::moment(at, zone)),
        (None, None) if message.attempts == 0 => "about to go".to_owned(),
        (None, None) => {
            let times =
                if message.attempts == 1 { "once".to_owned() } else { format!("{} times", message.attempts) };
            format!("tried {times}, again {}", format::moment(message.due_at, zone))
        }
    };
    MessageRow {
        id: message.id.0,
        made: Moment::new(message.made_at, zone),
        to: format!("{} ({})", message.recipient, message.channel.word()),
        summary: message.summary.clone(),
        state,
        fault: message.fault.as_ref().map(|fault| format!("{}.", format::capital(fault))),
        given_up: message.given_up_at.is_some(),
        can_be_tried: message.sent_at.is_none(),
    }
}

fn forms(view: &ToldView, tried: &Tried) -> Vec<FormView> {
    let form = |name, title, button| {
        let mut form = FormView::new(format!("/alerts/told/{name}"), (name, title, button), tried);
        let on_top = tried.faults.iter().find(|fault| form.open && fault.field.is_empty());
        form.error = on_top.map(|fault| fault.text.clone());
        form
    };
    let own = |value: &str, text: &str| (value.to_owned(), text.to_owned());
    let add = form("add", "Tell somebody", "Tell them")
        .line(("name", "Name", ""), "text", "", tried)
        .choice(("channel", "By", ""), vec![own("mail", "mail"), own("webhook", "webhook")], tried)
        .line(
            ("address", "Address", "ada@loft.example for mail, https://… for a program."),
            "text",
            "",
            tried,
        );
    let add = peaceful(routed(add, view, tried), tried);
    let mut forms = vec![add];
    if !view.recipients.is_empty() {
        let who = view.recipients.iter().map(|recipient| (recipient.id.to_string(), recipient.name.clone()));
        let route = form("route", "Tell somebody more", "Add the route").choice(
            ("recipient", "Whom", ""),
            who.clone().collect(),
            tried,
        );
        forms.push(routed(route, view, tried));
        let change = form("change", "Change when somebody is told", "Change it").choice(
            ("recipient", "Whom", "What is left blank here is blank from then on."),
            who.clone().collect(),
            tried,
        );
        forms.push(peaceful(change, tried));
        forms.push(form("remove", "Tell somebody nothing any more", "Remove them").choice(
            ("recipient", "Whom", ""),
            who.collect(),
            tried,
        ));
    }
    forms
}

/// A form with how grave things have to be, and when somebody is left alone.
fn peaceful(form: FormView, tried: &Tried) -> FormView {
    let own = |value: &str, text: &str| (value.to_owned(), text.to_owned());
    let grades = vec![
        own("warning", "warning and critical"),
        own("critical", "critical only"),
        own("other", "everything"),
    ];
    form.choice(("least", "Severity", ""), grades, tried)
        .line(("quiet_from", "Left alone from", "Such as 20:00; blank for never."), "text", "", tried)
        .line(("quiet_until", "to", "Such as 07:30."), "text", "", tried)
        .choice(("days", "On", ""), vec![own("", "every day"), own("working", "working days only")], tried)
}

/// A form with the fields of a route.
fn routed(form: FormView, view: &ToldView, tried: &Tried) -> FormView {
    let mut rules = vec![(String::new(), "every alert".to_owned())];
    rules.extend(Rule::ALL.map(|rule| (rule.word().to_owned(), words::rule(rule).to_lowercase())));
    let mut devices = vec![(String::new(), "every machine".to_owned())];
    devices.extend(view.devices.iter().map(|(id, name)| (id.to_string(), name.clone())));
    let after = [(0, "at once"), (1, "an hour"), (4, "four hours"), (24, "a day"), (72, "three days")];
    let after = after.map(|(hours, text)| match hours {
        0 => ("0".to_owned(), text.to_owned()),
        hours => (hours.to_string(), format!("if nobody has seen it for {text}")),
    });
    form.choice(("rule", "What", ""), rules, tried).choice(("device", "Where", ""), devices, tried).choice(
        ("after", "When", ""),
        after.to_vec(),
        tried,
    )
}
