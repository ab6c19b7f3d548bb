//! The units of one machine: what went in and came out, what is asked, and what people say of its slots.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::part::note;
use super::shelf::{day_in_full, part_href};
use super::{Moment, Page, Section, html, machine_of, no_machine};
use crate::domain::fitted::Origin;
use crate::domain::ids::{DeviceId, LotId, PartId, SlotId};
use crate::domain::install::{Answer, Answered, Arrival, Question};
use crate::domain::polarity::PinScope;
use crate::domain::reading::{Polarity, Role};
use crate::domain::units::Measure;
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried, keep};
use crate::site::format;
use crate::site::ink::Ink;
use crate::site::source::Source;
use crate::usecase::questions::{SlotUnits, UnitLine, UnitsView};
use crate::usecase::slots::{CameFrom, Telling};

/// A unit that is surer than this is called sure.
const SURE: f64 = 0.95;
/// So many questions are unfolded when the page opens.
const UNFOLDED: usize = 2;

/// A unit in words.
pub(crate) struct UnitRow {
    pub(crate) label: String,
    pub(crate) from: Moment,
    pub(crate) to: Option<Moment>,
    pub(crate) start: String,
    pub(crate) end: String,
    pub(crate) sure: String,
    /// Where it came from, and the address of its part.
    pub(crate) origin: String,
    pub(crate) origin_href: Option<String>,
    pub(crate) lost: Option<String>,
}

struct SlotSection {
    id: SlotId,
    label: String,
    ink: Ink,
    facts: Vec<(&'static str, String)>,
    asked: Vec<FormView>,
    units: Vec<UnitRow>,
    said: Vec<FormView>,
}

#[derive(Template)]
#[template(path = "pages/units.html")]
struct UnitsPage {
    page: Page,
    name: String,
    machine: String,
    open: usize,
    slots: Vec<SlotSection>,
    done: Option<&'static str>,
    failed: bool,
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    id: Result<Path<String>, PathRejection>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let Path(id) = id.map_err(|_| SiteError::NoSuchPage)?;
    let done = query.as_deref().and_then(|query| done(query.strip_prefix("done=")?));
    page(&source, &id, done, &Tried::default()).await
}

/// What a form did, in a sentence.
fn done(action: &str) -> Option<&'static str> {
    Some(match action {
        "fell" => "Taken down. The supply's units and its use were worked out again.",
        "from" => "Taken down: where the unit came from.",
        "counts" => "Taken down. What follows from the levels was worked out again.",
        "holds" => "Taken down. The supply's use was worked out again.",
        _ => return None,
    })
}

/// Takes down what a form says, and leads back to the page; or shows it again with what is wrong.
pub(crate) async fn tell<S: Source>(
    State(source): State<S>,
    address: Result<Path<(String, i64, String, i64)>, PathRejection>,
    sent: Sent,
) -> Result<Response, SiteError> {
    let Path((id, slot, action, at)) = address.map_err(|_| SiteError::NoSuchPage)?;
    let device = machine_of(&id)?;
    let fields = Fields::of(sent)?;
    let at = Timestamp::from_microsecond(at).map_err(|_| SiteError::NoSuchPage)?;
    let read = read(&source, (device, SlotId(slot)), &action, at, &fields).await?;
    let faults = match read.ok_or(SiteError::NoSuchPage)? {
        Err(faults) => faults,
        Ok((telling, note)) => match source.tell(device, telling, note, fields.token()).await? {
            Ok(_) => {
                let back = format!("/machines/{device}/units?done={action}#supply-{slot}");
                return Ok(Redirect::to(&back).into_response());
            }
            Err(refusal) => {
                vec![Fault::new(refusal.field(), format!("{}.", format::capital(&refusal.to_string())))]
            }
        },
    };
    let tried = Tried { form: form_name(&action, SlotId(slot), at), fields, faults };
    let mut response = page(&source, &id, None, &tried).await?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}

type Read = Result<(Telling, crate::usecase::book::Note), Vec<Fault>>;

/// What a form says; `None` if there is no such form.
async fn read<S: Source>(
    source: &S,
    (device, slot): (DeviceId, SlotId),
    action: &str,
    at: Timestamp,
    fields: &Fields,
) -> Result<Option<Read>, SiteError> {
    let mut faults = Vec::new();
    let choose = |name| Fault::new(name, "Choose one.");
    let telling = match action {
        "fell" => {
            let answer = match fields.get("answer") {
                "undo" => Ok(None),
                word => Answer::from_word(word).map(Some).ok_or_else(|| choose("answer")),
            };
            keep(answer, &mut faults).map(|answer| Telling::Fell { slot, at, answer })
        }
        "from" => {
            let origin = match fields.get("lot") {
                "none" => Ok(CameFrom::Elsewhere),
                "undo" => Ok(CameFrom::Untold),
                _ => fields.chosen("lot").map(|lot| CameFrom::Lot(LotId(lot))),
            };
            keep(origin, &mut faults).map(|origin| Telling::CameFrom { slot, from: at, origin })
        }
        "counts" => {
            let model = match fields.get("of") {
                "model" => source.units(device).await?.and_then(|view| view.model),
                _ => None,
            };
            let scope = match (fields.get("of"), model) {
                ("slot", _) => Ok(PinScope::Slot(slot)),
                ("device", _) => Ok(PinScope::Device(device)),
                ("model", Some(model)) => Ok(PinScope::Model(model)),
                _ => Err(choose("of")),
            };
            let polarity = match fields.get("counts") {
                "drift" => Ok(None),
                word => Polarity::from_word(word).map(Some).ok_or_else(|| choose("counts")),
            };
            let scope = keep(scope, &mut faults);
            let polarity = keep(polarity, &mut faults);
            scope.zip(polarity).map(|(scope, polarity)| Telling::Counts { scope, polarity })
        }
        "holds" => {
            let part = match fields.get("part") {
                "catalogue" => Ok(None),
                _ => fields.chosen("part").map(|part| Some(PartId(part))),
            };
            let first = match fields.get("first_ml") {
                "" => Ok(None),
                text => match text.parse::<f64>() {
                    Ok(ml) if ml > 0.0 && ml < 1e6 => Ok(Some(ml)),
                    _ => Err(Fault::new("first_ml", "Write millilitres, such as 225, or leave it blank.")),
                },
            };
            let part = keep(part, &mut faults);
            let first = keep(first, &mut faults);
            part.zip(first).map(|(part, first_ml)| Telling::Holds { slot, part, first_ml })
        }
        _ => return Ok(None),
    };
    let note = note(fields, &mut faults);
    Ok(Some(match telling.zip(note) {
        Some(read) if faults.is_empty() => Ok(read),
        _ => Err(faults),
    }))
}

async fn page<S: Source>(
    source: &S,
    id: &str,
    done: Option<&'static str>,
    tried: &Tried,
) -> Result<Response, SiteError> {
    let device = machine_of(id)?;
    let view = source.units(device).await?.ok_or_else(|| no_machine(device))?;
    let zone = source.zone();
    let mut slots: Vec<SlotSection> =
        view.slots.iter().map(|slot| section(&view, slot, &zone, tried)).collect();
    let questions = slots.iter_mut().flat_map(|slot| &mut slot.asked);
    // More of them unfolded would push what they are about out of sight.
    for form in questions.take(UNFOLDED) {
        form.open = true;
    }
    let page = UnitsPage {
        page: Page::new(source, Section::Machines, format!("Units of {}", view.name)),
        machine: format!("/machines/{device}"),
        open: view.open(),
        slots,
        done,
        failed: !tried.faults.is_empty(),
        name: view.name,
    };
    Ok(html(&page)?.into_response())
}

fn section(view: &UnitsView, slot: &SlotUnits, zone: &TimeZone, tried: &Tried) -> SlotSection {
    let form = Forms { device: view.device, slot, zone, tried };
    let mut asked: Vec<FormView> = slot.questions.iter().map(|question| form.question(question)).collect();
    asked.extend(slot.units.iter().filter(|unit| !unit.likely_lots.is_empty()).map(|unit| form.lot(unit)));
    let mut said: Vec<FormView> = slot.answers.iter().map(|answered| form.answered(answered)).collect();
    let told = |unit: &&UnitLine| matches!(unit.origin, Origin::Told(_));
    said.extend(slot.units.iter().filter(told).map(|unit| form.untold(unit)));
    if slot.row.slot.role == Role::Filled {
        said.push(form.counts(view));
    }
    said.push(form.holds());
    SlotSection {
        id: slot.row.slot.id,
        label: slot.row.slot.label(),
        ink: Ink::of(&slot.row.slot),
        facts: facts(slot, zone),
        asked,
        units: slot.units.iter().map(|unit| row(slot, unit, zone)).collect(),
        said,
    }
}

/// A unit of a slot in words.
pub(crate) fn row(slot: &SlotUnits, unit: &UnitLine, zone: &TimeZone) -> UnitRow {
    let install = &unit.install;
    let (start, end) = match (slot.row.slot.role, install.capacity) {
        (Role::Filled, Some(capacity)) => (capacity - install.start, capacity - install.end),
        _ => (install.start, install.end),
    };
    let origin = match (&unit.issue, unit.origin) {
        (Some(issue), _) => {
            let part = slot.fits.iter().find(|(id, _)| *id == issue.part);
            let number = part.map(|(_, number)| number.clone());
            (
                format!("made {}, {}", day_in_full(issue.made_on), issue.place),
                number.as_deref().map(part_href),
            )
        }
        (None, Origin::Found) => ("there when watching began".to_owned(), None),
        (None, Origin::Told(None)) => ("not from the shelf".to_owned(), None),
        (None, _) => ("not told".to_owned(), None),
    };
    UnitRow {
        label: slot.row.slot.label(),
        from: Moment::new(install.from, zone),
        to: install.to.map(|at| Moment::new(at, zone)),
        start: format::amount(start, install.measure),
        end: format::amount(end, install.measure),
        sure: sure(install.arrival, install.confidence),
        origin: origin.0,
        origin_href: origin.1,
        lost: unit.lost.map(|price| price.to_string()),
    }
}

fn sure(arrival: Arrival, confidence: f64) -> String {
    let how = match arrival {
        Arrival::Found => return "found there".to_owned(),
        Arrival::Risen => "the level rose",
        Arrival::Resized => "another size",
        Arrival::Fallen => "the level fell",
        Arrival::Renamed => "another name",
    };
    let sure = if confidence >= SURE {
        "sure".to_owned()
    } else {
        format!("likely, {}", format::percent(confidence))
    };
    format!("{sure}: {how}")
}

/// What is believed of a slot, and why.
pub(crate) fn facts(slot: &SlotUnits, zone: &TimeZone) -> Vec<(&'static str, String)> {
    let row = &slot.row;
    let mut facts = Vec::new();
    if row.slot.role == Role::Filled
        && let Some((polarity, ground)) = row.counts
    {
        let what = match polarity {
            Polarity::Remaining => "the room left",
            Polarity::Filled => "its fill",
        };
        let by = row.pin.as_ref().map_or_else(String::new, |pin| {
            let of = match &pin.scope {
                PinScope::Slot(_) => "this receptacle".to_owned(),
                PinScope::Device(_) => "this machine".to_owned(),
                PinScope::Model(model) => format!("every {model}"),
            };
            format!(", for {of}, by {} on {}", pin.who, format::moment(pin.at, zone))
        });
        facts.push(("The device counts", format!("{what}: {}{by}", ground.reason(polarity))));
    }
    let holds = match (row.full_ml, row.chosen, slot.fits.as_slice()) {
        (Some(ml), Some(chosen), fits) => {
            let number = fits.iter().find(|(id, _)| *id == chosen).map_or("a part", |(_, number)| number);
            format!("{}, as {number}, by hand", format::amount(ml, Measure::Millilitres))
        }
        (Some(ml), None, _) => {
            format!("{}, by the parts that fit", format::amount(ml, Measure::Millilitres))
        }
        (None, _, []) => "not known: no part of the catalogue fits".to_owned(),
        (None, ..) => "not known: the parts that fit hold different amounts, or say nothing in ml".to_owned(),
    };
    facts.push(("A full unit holds", holds));
    if let Some(ml) = row.first_ml {
        let text = format!("{}, by hand", format::amount(ml, Measure::Millilitres));
        facts.push(("The first unit held", text));
    }
    facts
}

fn form_name(action: &str, slot: SlotId, at: Timestamp) -> String {
    format!("{action}-{slot}-{}", at.as_microsecond())
}

/// What the forms of a slot have in common.
struct Forms<'a> {
    device: DeviceId,
    slot: &'a SlotUnits,
    zone: &'a TimeZone,
    tried: &'a Tried,
}

impl Forms<'_> {
    fn form(&self, action: &str, at: Timestamp, title: String, button: &'static str) -> FormView {
        let slot = self.slot.row.slot.id;
        let address = format!("/machines/{}/units/{slot}/{action}/{}", self.device, at.as_microsecond());
        FormView::new(address, (form_name(action, slot, at), title, button), self.tried)
    }

    fn fall(&self, question: &Question) -> String {
        format!(
            "{} to {} by {}",
            format::amount(question.from, question.measure),
            format::amount(question.to, question.measure),
            format::moment(question.at, self.zone)
        )
    }

    fn question(&self, question: &Question) -> FormView {
        let title = format!("It fell from {}: was this a swap?", self.fall(question));
        let answers = vec![
            ("job".to_owned(), "No: a large job, or a cleaning".to_owned()),
            ("swap".to_owned(), "Yes: another unit went in".to_owned()),
        ];
        self.form("fell", question.at, title, "Say so")
            .choice(("answer", "What it was", ""), answers, self.tried)
            .signed("", self.tried)
    }

    fn answered(&self, answered: &Answered) -> FormView {
        let was = match answered.answer {
            Answer::Swap => "was a swap",
            Answer::Job => "was used",
        };
        let title = format!("The fall from {} {was}, says {}", self.fall(&answered.question), answered.who);
        self.form("fell", answered.question.at, title, "Take it back")
            .choice(("answer", "Instead", ""), vec![("undo".to_owned(), "Ask again".to_owned())], self.tried)
            .signed("", self.tried)
    }

    fn lot(&self, unit: &UnitLine) -> FormView {
        let title =
            format!("Which lot did the unit of {} come from?", format::moment(unit.install.from, self.zone));
        let mut lots: Vec<(String, String)> = unit
            .likely_lots
            .iter()
            .map(|(id, part, lot)| {
                let used = if lot.left_over.is_some() { ", part-used" } else { "" };
                let made = day_in_full(lot.made_on);
                (id.to_string(), format!("{part}, made {made}, {}{used} ({} there)", lot.place, lot.units))
            })
            .collect();
        if let Some(first) = lots.first_mut() {
            first.1 = format!("the oldest: {}", first.1);
        }
        lots.push(("none".to_owned(), "It did not come from the shelf".to_owned()));
        self.form("from", unit.install.from, title, "Book it")
            .choice(("lot", "Which", ""), lots, self.tried)
            .signed("It is booked as issued to this supply.", self.tried)
    }

    fn untold(&self, unit: &UnitLine) -> FormView {
        let title =
            format!("The unit of {}: where it came from", format::moment(unit.install.from, self.zone));
        let undo = vec![("undo".to_owned(), "Not told".to_owned())];
        self.form("from", unit.install.from, title, "Take it back")
            .choice(("lot", "Instead", ""), undo, self.tried)
            .signed("A booking on the shelf stands; take the unit back there.", self.tried)
    }

    fn counts(&self, view: &UnitsView) -> FormView {
        let ways = [
            ("drift", "Let the levels tell"),
            ("remaining", "The room that is left"),
            ("filled", "How full it is"),
        ];
        let mut of = vec![("slot", "This receptacle".to_owned()), ("device", "This machine".to_owned())];
        of.extend(view.model.as_ref().map(|model| ("model", format!("Every {model}"))));
        let ways = ways.map(|(value, text)| (value.to_owned(), text.to_owned()));
        let of = of.into_iter().map(|(value, text)| (value.to_owned(), text)).collect();
        self.form("counts", Timestamp::UNIX_EPOCH, "What the device counts".to_owned(), "Set it")
            .choice(("counts", "It counts", ""), ways.into(), self.tried)
            .choice(("of", "Of", ""), of, self.tried)
            .signed("", self.tried)
    }

    fn holds(&self) -> FormView {
        let mut parts = vec![("catalogue".to_owned(), "Let the catalogue tell".to_owned())];
        parts.extend(self.slot.fits.iter().map(|(id, number)| (id.to_string(), number.clone())));
        if let Some(chosen) = self.slot.row.chosen.map(|part| part.to_string())
            && let Some(at) = parts.iter().position(|(value, _)| *value == chosen)
        {
            let first = parts.remove(at);
            parts.insert(0, first);
        }
        let first = self.slot.row.first_ml.map_or_else(String::new, |ml| ml.to_string());
        self.form("holds", Timestamp::UNIX_EPOCH, "What goes in".to_owned(), "Set it")
            .choice(("part", "Part", ""), parts, self.tried)
            .line(
                (
                    "first_ml",
                    "The first unit held",
                    "In ml, where it was a starter that came with the machine.",
                ),
                "decimal",
                &first,
                self.tried,
            )
            .signed("", self.tried)
    }
}
