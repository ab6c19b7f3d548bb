//! A machine's print heads: what has gone through each, how long it is warranted, and the forms that keep them.

use askama::Template;
use axum::Router;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use jiff::civil::Date;

use super::part::note;
use super::{Page, Section, html, machine_href, machine_of, no_machine};
use crate::domain::flow::Scale;
use crate::domain::ids::DeviceId;
use crate::domain::life::{Bound, Warranty};
use crate::domain::plumbing::{LAST_POSITION, Map, Plumbing, Position};
use crate::domain::units::Measure;
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried, keep};
use crate::site::format;
use crate::site::heads_source::Arrival;
use crate::site::source::Source;
use crate::usecase::heads::view::{HeadLine, HeadsView};
use crate::usecase::heads::{Entry, MOST_ML, Refusal};

/// The addresses of these pages.
pub(crate) fn routes<S: Source>() -> Router<S> {
    Router::new()
        .route("/machines/{id}/heads", get(show::<S>))
        .route("/machines/{id}/heads/{action}", post(write::<S>))
}

/// A head as it stands on a page.
pub(crate) struct HeadRow {
    pub(crate) position: String,
    pub(crate) colours: String,
    pub(crate) part: String,
    /// "1112 ml of 1200 ml"
    pub(crate) through: String,
    pub(crate) since: String,
    pub(crate) until: String,
    pub(crate) forecast: String,
    pub(crate) why: String,
    /// Its warranty is over.
    pub(crate) over: bool,
}

impl HeadRow {
    pub(crate) fn of(line: &HeadLine, today: Date) -> Self {
        let head = &line.head;
        let ml = |ml| format::amount(ml, Measure::Millilitres);
        let through = line.outlook.ml.map_or_else(|| "not counted".to_owned(), ml);
        Self {
            position: head.position.to_string(),
            colours: line.colours.join(", "),
            part: head.part.clone().unwrap_or_default(),
            through: format!("{through} of {}", ml(head.limit_ml)),
            since: match head.out_on {
                Some(out) => format!("{} to {}", format::day(head.in_on, today), format::day(out, today)),
                None => format::day(head.in_on, today),
            },
            until: head.warranty_until.map_or_else(|| "not told".to_owned(), |day| format::day(day, today)),
            forecast: forecast(&line.warranty, today),
            why: head.why.clone(),
            over: matches!(line.warranty, Warranty::Over(_)),
        }
    }
}

/// When a warranty ends, in words.
fn forecast(warranty: &Warranty, today: Date) -> String {
    match warranty {
        Warranty::Over(Bound::Limit) => "over: its limit is reached".to_owned(),
        Warranty::Over(Bound::Date) => "over: its date has passed".to_owned(),
        Warranty::Ends { days, bound: Bound::Limit, .. } => format!(
            "ends {}, about {}, by its limit",
            format::days(days.early, days.late, today),
            format::day(days.middle, today)
        ),
        Warranty::Ends { days, bound: Bound::Date, not_yet: Some(reason) } => {
            format!("ends {} by its date, or sooner by its limit: {reason}", format::day(days.middle, today))
        }
        Warranty::Ends { days, .. } if days.early < days.middle => format!(
            "ends {} by its date, or by its limit from {} on",
            format::day(days.middle, today),
            format::day(days.early, today)
        ),
        Warranty::Ends { days, .. } => format!("ends {} by its date", format::day(days.middle, today)),
        Warranty::NotYet(reason) => format!("not known yet: {reason}"),
    }
}

#[derive(Template)]
#[template(path = "pages/heads.html")]
struct HeadsPage {
    page: Page,
    machine: String,
    href: String,
    inside: Vec<HeadRow>,
    past: Vec<HeadRow>,
    /// What the counts rest on, a sentence each.
    notes: Vec<String>,
    map: Vec<(String, String)>,
    map_about: String,
    forms: Vec<FormView>,
    done: Option<&'static str>,
    failed: bool,
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    id: Result<Path<String>, PathRejection>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let Path(id) = id.map_err(|_| SiteError::NoSuchPage)?;
    let done = match query.as_deref() {
        Some("done=head") => Some("The head is written down."),
        Some("done=map") => Some("The map is written; what has gone through the heads is counted by it."),
        _ => None,
    };
    page(&source, machine_of(&id)?, done, &Tried::default()).await
}

/// Writes down what a form says, and leads back to the page; or shows it again with what is wrong.
pub(crate) async fn write<S: Source>(
    State(source): State<S>,
    address: Result<Path<(String, String)>, PathRejection>,
    sent: Sent,
) -> Result<Response, SiteError> {
    let Path((id, action)) = address.map_err(|_| SiteError::NoSuchPage)?;
    let id = machine_of(&id)?;
    let fields = Fields::of(sent)?;
    let (outcome, done) = match action.as_str() {
        "register" => (put(&source, id, Arrival::Registered, &fields).await?, "head"),
        "replace" => (put(&source, id, Arrival::Replaced, &fields).await?, "head"),
        "plumbing" => (put_map(&source, id, fields.get("map")).await?, "map"),
        _ => return Err(SiteError::NoSuchPage),
    };
    match outcome {
        Ok(()) => Ok(Redirect::to(&format!("/machines/{id}/heads?done={done}")).into_response()),
        Err(faults) => {
            let mut response = page(&source, id, None, &Tried { form: action, fields, faults }).await?;
            *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
            Ok(response)
        }
    }
}

/// What is wrong with a form; nothing if it is written down.
type Written = Result<(), Vec<Fault>>;

async fn put<S: Source>(
    source: &S,
    id: DeviceId,
    arrival: Arrival,
    fields: &Fields,
) -> Result<Written, SiteError> {
    let mut faults = Vec::new();
    let entry = entry(fields, &mut faults);
    let note = note(fields, &mut faults);
    let (Some(entry), Some(note), true) = (entry, note, faults.is_empty()) else { return Ok(Err(faults)) };
    told(source.put_head(id, arrival, entry, note).await?.map(drop), id)
}

async fn put_map<S: Source>(source: &S, id: DeviceId, text: &str) -> Result<Written, SiteError> {
    let plumbing = match text {
        "" => None,
        text => match text.parse::<Plumbing>() {
            Ok(plumbing) => Some(plumbing),
            Err(fault) => {
                let text = format!("{}.", format::capital(&fault.to_string()));
                return Ok(Err(vec![Fault::new("map", text)]));
            }
        },
    };
    told(source.put_plumbing(id, plumbing).await?.map(drop), id)
}

fn told(outcome: Result<(), Refusal>, id: DeviceId) -> Result<Written, SiteError> {
    match outcome {
        Ok(()) => Ok(Ok(())),
        Err(Refusal::NoSuchMachine) => Err(no_machine(id)),
        Err(refusal) => {
            let text = format!("{}.", format::capital(&refusal.to_string()));
            Ok(Err(vec![Fault::new(refusal.field(), text)]))
        }
    }
}

/// What a form says of a head.
fn entry(fields: &Fields, faults: &mut Vec<Fault>) -> Option<Entry> {
    let position = fields.get("position").parse().ok().and_then(Position::new);
    let wrong = || Fault::new("position", format!("Write a number from 1 to {LAST_POSITION}."));
    let position = keep(position.ok_or_else(wrong), faults);
    let in_on = keep(
        day(fields, "in_on").and_then(|day| day.ok_or_else(|| Fault::new("in_on", "Fill this in."))),
        faults,
    );
    let warranty_until = keep(day(fields, "warranty_until"), faults);
    let limit_ml = keep(ml(fields, "limit_ml"), faults);
    let before_ml = keep(ml(fields, "before_ml"), faults);
    Some(Entry {
        position: position?,
        part: Some(fields.get("part")).filter(|part| !part.is_empty()).map(str::to_owned),
        in_on: in_on?,
        out_on: None,
        warranty_until: warranty_until?,
        limit_ml: limit_ml?,
        before_ml: before_ml?.unwrap_or(0.0),
    })
}

fn day(fields: &Fields, name: &'static str) -> Result<Option<Date>, Fault> {
    let text = fields.get(name);
    let plain = text.len() == 10 && text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'-');
    match (text, text.parse()) {
        ("", _) => Ok(None),
        (_, Ok(day)) if plain => Ok(Some(day)),
        _ => Err(Fault::new(name, "Write it as 2026-03-14.")),
    }
}

fn ml(fields: &Fields, name: &'static str) -> Result<Option<f64>, Fault> {
    match (fields.get(name), fields.get(name).parse::<f64>()) {
        ("", _) => Ok(None),
        (_, Ok(ml)) if (0.0..=MOST_ML).contains(&ml) => Ok(Some(ml)),
        _ => Err(Fault::new(name, "Write millilitres, such as 1200, or leave it blank.")),
    }
}

async fn page<S: Source>(
    source: &S,
    id: DeviceId,
    done: Option<&'static str>,
    tried: &Tried,
) -> Result<Response, SiteError> {
    let view = source.heads(id).await?.ok_or_else(|| no_machine(id))?;
    let rows = |lines: &[HeadLine]| lines.iter().map(|line| HeadRow::of(line, view.today)).collect();
    let channels = |plumbing: &Plumbing| {
        let heads = plumbing.heads().into_iter();
        heads.map(|head| (head.to_string(), plumbing.of_head(head))).collect()
    };
    let page = HeadsPage {
        page: Page::new(source, Section::Machines, format!("Heads of {}", view.device.name)),
        machine: view.device.name.clone(),
        href: machine_href(&view.device),
        inside: rows(&view.inside),
        past: rows(&view.past),
        notes: notes(&view),
        map: view.map.plumbing().map(channels).unwrap_or_default(),
        map_about: about_map(&view),
        forms: forms(&view, tried),
        done,
        failed: !tried.faults.is_empty(),
    };
    Ok(html(&page)?.into_response())
}

fn about_map(view: &HeadsView) -> String {
    let model = view.device.model.as_deref().unwrap_or("a model it does not tell");
    match &view.map {
        Map::Written(_) => format!("As it was written for {model}."),
        Map::Usual(_) => format!(
            "Nobody has written a map for {model}. This is the usual one for so many colours: two rows of heads \
             with two channels each, every colour through one head of each row. Check it against the maker's \
             manual, and change it above if it is another."
        ),
        Map::None { .. } => format!(
            "There is no plumbing map for {model} yet, and none is usual for so many colours. Until one is \
             written above, no ink is counted through its heads."
        ),
    }
}

/// What the counts rest on.
fn notes(view: &HeadsView) -> Vec<String> {
    let mut notes = Vec::new();
    if let Some(first) = view.first_day {
        notes.push(format!(
            "Ink is counted from {} on, when this machine was first read; what went before is what was written \
             down with a head.",
            format::day(first, view.today)
        ));
    }
    let ml = |ml| format::amount(ml, Measure::Millilitres);
    for (ink, scale) in &view.scaled {
        notes.push(match scale {
            Scale::Taken { whole_ml, part: Some(part) } => {
                format!("{ink} is not told in millilitres: a whole one is taken to hold {} ({part}).", ml(*whole_ml))
            }
            Scale::Taken { whole_ml, part: None } => format!(
                "{ink} is not told in millilitres, and no part in the catalogue says what it holds: a whole one is \
                 taken to hold {}.",
                ml(*whole_ml)
            ),
            Scale::Told | Scale::Unknown => {
                format!("{ink} is told in a way that does not give millilitres, and is not counted.")
            }
        });
    }
    if !view.uncarried.is_empty() {
        notes.push(format!("The map does not carry {}: its ink is not counted.", view.uncarried.join(", ")));
    }
    notes
}

fn forms(view: &HeadsView, tried: &Tried) -> Vec<FormView> {
    let href = machine_href(&view.device);
    let form = |name: &'static str, title, button| {
        FormView::new(format!("{href}/heads/{name}"), (name, title, button), tried)
    };
    let mut known: Vec<Position> = view.map.plumbing().map(Plumbing::heads).unwrap_or_default();
    known.extend(view.inside.iter().map(|line| line.head.position));
    known.sort_unstable();
    known.dedup();
    let occupied = |position: &Position| view.inside.iter().any(|line| line.head.position == *position);
    let (taken, free): (Vec<Position>, Vec<Position>) = known.into_iter().partition(occupied);
    let mut forms = Vec::new();
    if !taken.is_empty() || tried.form == "replace" {
        let place = place(form("replace", "Replace one", "Write it down"), &taken, tried);
        let today = view.today.to_string();
        forms.push(rest(place, "Day of the swap", &today, view, tried).signed("Such as: banding.", tried));
    }
    // Where no map says which places there are, the number is typed.
    if !free.is_empty() || view.map.plumbing().is_none() || tried.form == "register" {
        let place = place(form("register", "Register one that is in", "Write it down"), &free, tried);
        let before = "In ml; leave it blank for none.";
        forms.push(
            rest(place, "In since", "", view, tried)
                .line(("before_ml", "Ink through it before", before), "decimal", "", tried)
                .signed("", tried),
        );
    }
    let map = view.map.plumbing().map(ToString::to_string).unwrap_or_default();
    forms.push(
        form("plumbing", "Change the map", "Write the map")
            .text(
                (
                    "map",
                    "Heads and colours",
                    "A line for each head, such as 1: Cyan, Magenta. A colour runs in even parts through its heads \
                     unless a share stands behind it, such as Cyan 60 %; its shares add up to 100. Left blank, \
                     what is usual counts again. The map is for all machines of this model.",
                ),
                &map,
                tried,
            )
            .unsigned(tried),
    );
    forms
}

fn place(form: FormView, places: &[Position], tried: &Tried) -> FormView {
    if places.is_empty() {
        return form.line(("position", "Place", "As its maker counts, from 1."), "numeric", "", tried);
    }
    let places = places.iter().map(|place| (place.to_string(), format!("Head {place}"))).collect();
    form.choice(("position", "Place", ""), places, tried)
}

fn rest(form: FormView, day: &'static str, usual: &str, view: &HeadsView, tried: &Tried) -> FormView {
    let mut parts = vec![(String::new(), "not in the catalogue".to_owned())];
    parts.extend(view.parts.iter().map(|part| (part.number.clone(), part.number.clone())));
    form.line(("in_on", day, "As 2026-03-14."), "text", usual, tried)
        .choice(("part", "Part", ""), parts, tried)
        .line(
            ("warranty_until", "Warranty until", "The date stamped on it, as 2027-09-30."),
            "text",
            "",
            tried,
        )
        .line(("limit_ml", "Limit", "In ml; left blank, by its part or 1200."), "decimal", "", tried)
}
