//! What the catalogue says of a part: a new one, or one that is changed.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};

use super::shelf::part_href;
use super::{Page, Section, html};
use crate::domain::part::{Part, PartKind};
use crate::domain::units::Measure;
use crate::report::shelf_csv::{RowFault, part_with};
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried};
use crate::site::format;
use crate::site::source::Source;
use crate::usecase::book::Refusal;
use crate::usecase::shelf::PartAsked;
use crate::usecase::sift::{Grouping, MachinesAsked};
use crate::usecase::view::{PartView, SlotChoice, TakenBy};

/// The fields that are a column of a part as they stand.
const COLUMNS: [&str; 11] = [
    "number",
    "kind",
    "colour",
    "shelf_life_months",
    "price",
    "pack_size",
    "minimum_order",
    "supplier",
    "lead_days",
    "lead_spread_days",
    "storage_note",
];
/// The longest text that a line takes, in letters.
const LONGEST: usize = 200;

#[derive(Template)]
#[template(path = "pages/entry.html")]
struct EntryPage {
    page: Page,
    /// Where it is led back to, and in which words.
    over: (String, String),
    heading: String,
    /// The supplies that the part goes into, as they are known.
    fits: Vec<String>,
    form: FormView,
    failed: bool,
}

pub(crate) async fn new<S: Source>(State(source): State<S>) -> Result<Response, SiteError> {
    page(&source, None, &Tried::default()).await
}

/// Puts a part into the catalogue, and leads to it.
pub(crate) async fn add<S: Source>(State(source): State<S>, sent: Sent) -> Result<Response, SiteError> {
    put(&source, None, Fields::of(sent)?).await
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    number: Result<Path<String>, PathRejection>,
) -> Result<Response, SiteError> {
    let view = known(&source, number).await?;
    let tried = Tried { form: "entry".to_owned(), fields: written(&view.line.part), faults: Vec::new() };
    page(&source, Some(&view), &tried).await
}

/// Changes what the catalogue says of a part, and leads back to it.
pub(crate) async fn change<S: Source>(
    State(source): State<S>,
    number: Result<Path<String>, PathRejection>,
    sent: Sent,
) -> Result<Response, SiteError> {
    let fields = Fields::of(sent)?;
    let view = known(&source, number).await?;
    put(&source, Some(&view), fields).await
}

async fn known<S: Source>(
    source: &S,
    number: Result<Path<String>, PathRejection>,
) -> Result<PartView, SiteError> {
    let Path(number) = number.map_err(|_| SiteError::NoSuchPage)?;
    let missing = || SiteError::NoSuchPart(number.chars().take(64).collect());
    source.part(&number, &PartAsked::default()).await?.ok_or_else(missing)
}

async fn put<S: Source>(source: &S, view: Option<&PartView>, fields: Fields) -> Result<Response, SiteError> {
    let before = view.map(|view| &view.line.part);
    let faults = match read(before, &fields) {
        Err(faults) => faults,
        Ok(part) => {
            let back = format!("{}?written=1", part_href(&part.number));
            match source.put_part(part, before.is_none(), fields.token()).await? {
                Ok(()) => return Ok(Redirect::to(&back).into_response()),
                Err(Refusal::NoSuchPart(number)) => return Err(SiteError::NoSuchPart(number)),
                Err(refusal) => {
                    vec![Fault::new(refusal.field(), format!("{}.", format::capital(&refusal.to_string())))]
                }
            }
        }
    };
    let tried = Tried { form: "entry".to_owned(), fields, faults };
    let mut response = page(source, view, &tried).await?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}

/// What the form says.
fn read(before: Option<&Part>, fields: &Fields) -> Result<Part, Vec<Fault>> {
    let long = |column: &&str| fields.get(column).chars().count() > LONGEST;
    let mut faults: Vec<Fault> = COLUMNS
        .iter()
        .filter(|column| long(column))
        .map(|column| Fault::new(*column, format!("Say it in {LONGEST} letters or fewer.")))
        .collect();
    let models: Vec<&str> =
        fields.get("models").lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    let models = models.join("|");
    let capacity = fields.get("capacity");
    // The unit is always chosen; it says nothing where nothing is counted in it.
    let unit = if capacity.is_empty() { "" } else { fields.get("unit") };
    let mut changes = vec![("capacity", capacity), ("unit", unit), ("models", models.as_str())];
    // A part keeps its number: bookings and orders are known by it.
    let named = COLUMNS.iter().filter(|column| before.is_none() || **column != "number");
    changes.extend(named.map(|column| (*column, fields.get(column))));
    match part_with(before, &changes) {
        Ok(part) if faults.is_empty() => Ok(part),
        Ok(_) => Err(faults),
        Err(more) => {
            faults.extend(more.iter().map(beside));
            Err(faults)
        }
    }
}

/// What is wrong with a column, beside the field that it was typed into.
fn beside(fault: &RowFault) -> Fault {
    let (column, what) = fault.at_column();
    let field = if column == "price_minor" || column == "currency" { "price" } else { column };
    let text = match what.strip_prefix("is ") {
        Some("empty") => "Fill this in.".to_owned(),
        Some(rest) => format!("It is {rest}."),
        None => format!("{}.", format::capital(what)),
    };
    Fault::new(field, text)
}

/// A part as its form has it.
fn written(part: &Part) -> Fields {
    let number = |number: Option<f64>| number.map(|number| number.to_string()).unwrap_or_default();
    let text = |text: &Option<String>| text.clone().unwrap_or_default();
    Fields::filled(vec![
        ("number", part.number.clone()),
        ("kind", part.kind.word().to_owned()),
        ("colour", text(&part.colour)),
        ("capacity", number(part.capacity.map(|(amount, _)| amount))),
        ("unit", part.capacity.map_or(Measure::Millilitres, |(_, measure)| measure).word().to_owned()),
        (
            "shelf_life_months",
            part.shelf_life_months.map_or_else(|| "none".to_owned(), |months| months.to_string()),
        ),
        ("price", part.price.map(|price| price.to_string()).unwrap_or_default()),
        ("pack_size", part.pack_size.to_string()),
        ("minimum_order", part.minimum_order.to_string()),
        ("supplier", text(&part.supplier)),
        ("lead_days", number(part.lead.map(|lead| lead.mean_days))),
        ("lead_spread_days", number(part.lead.and_then(|lead| lead.spread_days))),
        ("storage_note", text(&part.storage_note)),
        ("models", part.models.join("\n")),
    ])
}

async fn page<S: Source>(source: &S, view: Option<&PartView>, tried: &Tried) -> Result<Response, SiteError> {
    let by_model = MachinesAsked { grouping: Some(Grouping::Model), ..MachinesAsked::default() };
    let groups = source.machines(&by_model).await?.groups;
    let models: Vec<String> =
        groups.into_iter().map(|(model, _)| model).filter(|model| !model.is_empty()).collect();
    let part = view.map(|view| &view.line.part);
    let (over, heading) = match part {
        Some(part) => ((part_href(&part.number), part.number.clone()), format!("Change {}", part.number)),
        None => (("/shelf".to_owned(), "Shelf".to_owned()), "A new part".to_owned()),
    };
    let slots = view.map(|view| view.slots.lines.as_slice()).unwrap_or_default();
    let page = EntryPage {
        page: Page::new(source, Section::Shelf, heading.clone()),
        fits: fits(slots, view.map_or(0, |view| view.slots.in_all)),
        form: form(part, &models, tried),
        failed: !tried.faults.is_empty(),
        over,
        heading,
    };
    Ok(html(&page)?.into_response())
}

/// The slots that it goes into; of many the first few and how many more.
fn fits(slots: &[SlotChoice], in_all: usize) -> Vec<String> {
    let named = slots.iter().take(TakenBy::NAMED);
    let mut fits: Vec<String> =
        named.map(|slot| format!("{}, {}", slot.device_name, slot.slot.label())).collect();
    if in_all > fits.len() {
        fits.push(format!("{} more", format::count(u64::try_from(in_all - fits.len()).unwrap_or(u64::MAX))));
    }
    fits
}

fn form(part: Option<&Part>, models: &[String], tried: &Tried) -> FormView {
    let action =
        part.map_or_else(|| "/shelf/new".to_owned(), |part| format!("{}/entry", part_href(&part.number)));
    let button = if part.is_some() { "Keep the changes" } else { "Put it into the catalogue" };
    let kinds = PartKind::ALL.map(|kind| (kind.word().to_owned(), format::capital(kind.word())));
    let units = Measure::ALL.map(|measure| (measure.word().to_owned(), measure.word().to_owned()));
    let form = FormView::new(action, ("entry", "The part", button), tried);
    let form = match part {
        Some(_) => form,
        None => form.line(("number", "Number", "As the maker or the supplier has it."), "text", "", tried),
    };
    let form = form
        .choice(("kind", "Kind", ""), kinds.into(), tried)
        .line(("colour", "Colour", "As machines name it; blank where it does not matter."), "text", "", tried)
        .line(("capacity", "Holds when full", "Blank if that is not known."), "decimal", "", tried)
        .choice(("unit", "Counted in", ""), units.into(), tried)
        .line(
            (
                "shelf_life_months",
                "Good for, months",
                "To be put in within so many months of its manufacture. Write none if it does not spoil; blank is the \
                 usual for its kind.",
            ),
            "text",
            "",
            tried,
        );
    let form = bought(form, tried);
    let watched = match models {
        [] => String::new(),
        models => format!(" Watched here: {}.", models.join("; ")),
    };
    form.line(
        (
            "storage_note",
            "Kept",
            "How it is stored, where the usual for its kind is not enough.",
        ),
        "text",
        "",
        tried,
    )
    .text(
        (
            "models",
            "Fits models",
            &format!("One to a line, as machines name themselves; blank: any model. Kind and colour decide the slot.{watched}"),
        ),
        "",
        tried,
    )
    .unsigned(tried)
}

/// The fields about how it is bought.
fn bought(form: FormView, tried: &Tried) -> FormView {
    form.line(
        ("price", "Price of one", "As 189.00 EUR: the amount and the currency's code."),
        "text",
        "",
        tried,
    )
    .line(("supplier", "Supplier", "What is ordered of one supplier goes onto one draft."), "text", "", tried)
    .line(
        ("lead_days", "Days to arrive", "From order to delivery, on average; your own orders put it right."),
        "decimal",
        "",
        tried,
    )
    .line(("lead_spread_days", "Give or take, days", "Blank: about a third of that."), "decimal", "", tried)
    .line(("pack_size", "Packs of", ""), "numeric", "1", tried)
    .line(
        ("minimum_order", "Order at least", "Units that the supplier delivers at least."),
        "numeric",
        "1",
        tried,
    )
}
