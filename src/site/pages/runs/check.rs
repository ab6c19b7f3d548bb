//! Whether a planned run finishes: asked by an address that can be kept, and told machine by machine.

use askama::Template;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};

use super::{chosen, media, run};
use crate::domain::reading::Role;
use crate::domain::run::check::{Check, Inside, Reach, TankCheck, Verdict};
use crate::domain::run::plan::{Metres, RunPlan};
use crate::domain::run::words;
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Tried, keep};
use crate::site::format;
use crate::site::pages::{Page, Section, html};
use crate::site::source::Source;
use crate::usecase::run::{MachineRun, RunCheckView, RunsView};

const FORM: &str = "check";

/// A supply against the queue.
struct SupplyRow {
    label: String,
    need: String,
    there: String,
    carries: String,
    chance: String,
    /// It is the one that stops it first.
    first: bool,
}

/// A machine against the queue.
struct MachineRow {
    id: String,
    href: String,
    name: String,
    model: String,
    verdict: String,
    firm: bool,
    too_narrow: bool,
    first: Option<String>,
    supplies: Vec<SupplyRow>,
    heads: Vec<String>,
    swaps: Vec<String>,
    then: Option<String>,
    notes: Vec<String>,
    /// Whether its figures are unfolded.
    open: bool,
}

#[derive(Template)]
#[template(path = "pages/run_check.html")]
struct RunCheckPage {
    page: Page,
    form: FormView,
    /// What was asked, run by run; empty where nothing was.
    asked: Vec<String>,
    total: String,
    machines: Vec<MachineRow>,
    best: Option<String>,
    left_out: usize,
    wrong: bool,
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    query: Result<Query<Vec<(String, String)>>, QueryRejection>,
) -> Result<Response, SiteError> {
    let Query(query) = query.map_err(|_| SiteError::NotAForm)?;
    let asked = query.iter().any(|(name, value)| name != "machine" && !value.trim().is_empty());
    let fields = Fields::from_query(query);
    let mut faults = Vec::new();
    let only = keep(chosen(&fields), &mut faults);
    let plan = if asked { plan(&fields, &mut faults) } else { None };
    let view = source.runs().await?;
    if let Some(Some(id)) = only
        && !view.devices.iter().any(|(known, ..)| *known == id)
    {
        return Err(SiteError::NoSuchMachine(id.to_string()));
    }
    let checked = match (&plan, only) {
        (Some(plan), Some(only)) if faults.is_empty() => Some(source.run_check(plan, only).await?),
        _ => None,
    };
    let wrong = !faults.is_empty();
    let tried = Tried { form: FORM.to_owned(), fields, faults };
    let page =
        RunCheckPage::new(Page::new(&source, Section::Runs, "Run check"), &view, &tried, plan, checked);
    let status = if wrong { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    Ok((status, html(&page)?).into_response())
}

/// The runs that are asked about.
fn plan(fields: &Fields, faults: &mut Vec<Fault>) -> Option<RunPlan> {
    let first = keep(run(fields), faults);
    let wrong = |fault: crate::domain::run::plan::RunFault| {
        Fault::new("more", format!("{}.", format::capital(&fault.to_string())))
    };
    let lines = fields.get("more").lines().map(str::trim).filter(|line| !line.is_empty());
    let more = keep(lines.map(|line| line.parse().map_err(wrong)).collect::<Result<Vec<_>, _>>(), faults)?;
    let first = first?;
    keep(RunPlan::new(std::iter::once(first).chain(more).collect()).map_err(wrong), faults)
        .filter(|_| faults.is_empty())
}

impl RunCheckPage {
    fn new(
        page: Page,
        view: &RunsView,
        tried: &Tried,
        plan: Option<RunPlan>,
        checked: Option<RunCheckView>,
    ) -> Self {
        let form = form(view, tried);
        let wrong = !tried.faults.is_empty();
        let (Some(plan), Some(checked)) = (plan, checked) else {
            let none = (Vec::new(), String::new(), Vec::new());
            let (asked, total, machines) = none;
            return Self { page, form, asked, total, machines, best: None, left_out: 0, wrong };
        };
        let open = checked.machines.len() == 1;
        let machines: Vec<MachineRow> =
            checked.machines.iter().map(|of| machine_row(of, &plan, open)).collect();
        let best = checked.machines.first().filter(|of| !open && of.check.verdict != Verdict::CannotTell);
        Self {
            page,
            form,
            asked: plan.runs().iter().map(said).collect(),
            total: format!("{} m²", words::short(plan.area())),
            best: best.map(|of| of.name.clone()),
            machines,
            left_out: checked.left_out,
            wrong,
        }
    }
}

/// A run as people say it.
fn said(run: &crate::domain::run::plan::Run) -> String {
    use crate::domain::run::plan::Size;
    let size = match run.size {
        Size::Area(area) => format!("{} m²", area.value()),
        Size::Strips { length, width, copies } => {
            let times = if copies == 1 { String::new() } else { format!(", {copies} times") };
            let area = words::short(run.size.area());
            format!("{} m by {} m{times} ({area} m²)", length.value(), width.value())
        }
    };
    let given: Vec<String> =
        run.given.iter().map(|of| format!("{} {} ml/m²", of.colour.to_lowercase(), of.ml_per_m2)).collect();
    let coverage = if given.is_empty() { "like what it usually prints".to_owned() } else { given.join(", ") };
    format!("{size} on {}, {coverage}", run.media.word())
}

fn form(view: &RunsView, tried: &Tried) -> FormView {
    let mut machines = vec![(String::new(), "Every one, the best first".to_owned())];
    machines.extend(view.devices.iter().map(|(id, name, _)| (id.to_string(), name.clone())));
    FormView::new("/runs/check".to_owned(), (FORM, "What is to be printed", "Check"), tried)
        .choice(("machine", "Machine", ""), machines, tried)
        .line(("length", "Length", "In metres, along the feed."), "decimal", "", tried)
        .line(("width", "Width", "In metres, across it."), "decimal", "", tried)
        .line(("copies", "Copies", "Left blank, one."), "numeric", "", tried)
        .line(("area", "Or the area", "In square metres, in place of the three above."), "decimal", "", tried)
        .choice(("media", "Medium", ""), media(), tried)
        .line(
            ("coverage", "Coverage", "In ml/m², such as cyan 3.2, magenta 2; left blank, as usual."),
            "text",
            "",
            tried,
        )
        .text(
            (
                "more",
                "And after it",
                "A line for each further run, such as 12 x 1.067 x 3 gloss or 9 m2 matte.",
            ),
            "",
            tried,
        )
        .unsigned(tried)
}

fn machine_row(of: &MachineRun, plan: &RunPlan, open: bool) -> MachineRow {
    let swap = |(n, fresh): (usize, &crate::usecase::run::FreshUnit)| {
        let unit = match &fresh.unit {
            Ok((part, which)) => format!("{part}, {which}"),
            Err(lack) => lack.clone(),
        };
        let lasts = of.before.swaps.get(n).map_or(0.0, |swap| swap.chance);
        format!("{}: {unit}. A fresh one lasts with a chance of {}.", fresh.label, words::percent(lasts))
    };
    let heads = of.check.heads.iter().filter(|head| head.passes >= words::HEAD_TOLD).map(|head| {
        let so_far = format::amount(head.ml, crate::domain::units::Measure::Millilitres);
        let limit = format::amount(head.limit_ml, crate::domain::units::Measure::Millilitres);
        if head.ml >= head.limit_ml {
            format!("Head {} has passed its limit of {limit} already ({so_far}).", head.position)
        } else {
            let chance = words::percent(head.passes);
            format!(
                "Head {} passes its limit of {limit} on the way ({chance}): {so_far} so far.",
                head.position
            )
        }
    });
    MachineRow {
        id: of.device.to_string(),
        href: format!("/machines/{}", of.device),
        name: of.name.clone(),
        model: of.model.clone().unwrap_or_default(),
        verdict: format::capital(&words::verdict(&of.check)),
        firm: of.check.verdict != Verdict::Finishes,
        too_narrow: of.too_narrow,
        first: words::first_to_end(&of.check, plan, of.media),
        supplies: supplies(&of.check, plan, of.media),
        heads: heads.collect(),
        swaps: of.fresh.iter().enumerate().map(swap).collect(),
        then: words::after_swaps(&of.check, &of.before),
        notes: of.notes.clone(),
        open,
    }
}

fn supplies(check: &Check, plan: &RunPlan, media: Option<Metres>) -> Vec<SupplyRow> {
    let row = |(at, of): (usize, &TankCheck)| SupplyRow {
        label: of.tank.label.clone(),
        need: need(of),
        there: there(of),
        carries: carries(of.reach, plan, media),
        chance: match &of.chance {
            Ok(chance) => words::percent(*chance),
            Err(why) => format!("cannot tell: {why}"),
        },
        first: check.first == Some(at),
    };
    check.tanks.iter().enumerate().map(row).collect()
}

/// Between two amounts: "12 to 18 ml".
fn between(low: f64, high: f64, of: &TankCheck) -> String {
    let (from, to) = (format::figure(low, of.tank.measure), format::amount(high, of.tank.measure));
    if from == format::figure(high, of.tank.measure) { to } else { format!("{from} to {to}") }
}

fn need(of: &TankCheck) -> String {
    match of.queue.as_ref().map(|queue| queue.need()) {
        Ok(need) if of.rests => format!("{}, head care only", between(need.mean, need.mean, of)),
        Ok(need) => between(need.quantile(0.1), need.quantile(0.9), of),
        Err(_) => "not known".to_owned(),
    }
}

fn there(of: &TankCheck) -> String {
    let room = if of.tank.role == Role::Filled { "room for " } else { "" };
    match &of.tank.inside {
        Inside::Told(left) => format!("{room}{}", between(left.low(), left.high(), of)),
        Inside::SomeLeft(_) => "some, not told how much".to_owned(),
        Inside::Unlimited => "no limit".to_owned(),
        Inside::Untold(_) => "not told".to_owned(),
    }
}

/// "41 to 66 m"; beyond a thousandfold of the queue it is a lot.
fn carries(reach: Option<Reach>, plan: &RunPlan, media: Option<Metres>) -> String {
    let Some(Reach { early, late, .. }) = reach else { return String::new() };
    let far = |area: Option<f64>| area.filter(|area| *area < plan.area() * 1000.0);
    let said = |area: f64| {
        let metres = plan.metres_after(area, media);
        (words::short(metres.unwrap_or(area)), if metres.is_some() { "m" } else { "m²" })
    };
    match (far(early), far(late)) {
        (None, _) => "much further".to_owned(),
        (Some(early), None) => {
            let (early, unit) = said(early);
            format!("{early}\u{a0}{unit} and more")
        }
        (Some(early), Some(late)) => {
            let ((early, _), (late, unit)) = (said(early), said(late));
            format!("{early} to {late}\u{a0}{unit}")
        }
    }
}
