//! The rest of the report: who it is charged to, the shelf, alerts, silences, needs and adjustments.

use jiff::tz::TimeZone;

use super::SilenceRow;
use super::supplies::times;
use crate::domain::month::{
    Beside, DeviceMonth, Figures, Forecasts, GroupTotal, MonthReport, Silence, StockFlow,
};
use crate::domain::part::Price;
use crate::domain::units::Measure;
use crate::site::pages::Moment;
use crate::site::pages::table::Table;
use crate::site::{format, words};
use crate::usecase::view::MonthView;

/// A figure of the month, with what it is held against.
pub(crate) struct Glance {
    pub(crate) term: &'static str,
    pub(crate) value: String,
    pub(crate) beside: Vec<String>,
}

/// A section: a heading, what there is to say, and a table.
pub(crate) struct Section {
    pub(crate) id: &'static str,
    pub(crate) title: &'static str,
    /// Why there is no table, or what there is to know before reading it.
    pub(crate) says: String,
    pub(crate) table: Option<Table>,
}

fn ml(amount: f64) -> String {
    format::amount(amount, Measure::Millilitres)
}

/// The month in a few figures.
pub(crate) fn glance(report: &MonthReport, figures: &Figures) -> Vec<Glance> {
    let all = &figures.all;
    let beside = |figure: &dyn Fn(&crate::domain::month::Compared) -> (f64, f64, String)| {
        let told = |other: &crate::domain::month::Compared| {
            let (now, before, text) = figure(other);
            let month = match other.beside {
                Beside::MonthBefore => format!("{} in {}", text, other.month.name()),
                Beside::YearBefore => format!("{} a year before", text),
            };
            let part = if other.whole { "" } else { ", not watched all of it" };
            let change = format::change(now, before).filter(|_| report.complete && other.whole);
            format!("{}{month}{part}", change.map(|change| format!("{change}: ")).unwrap_or_default())
        };
        report.compared.iter().map(told).collect()
    };
    let first = |costs: &crate::domain::month::Costs| {
        let mut sums = costs.iter();
        sums.next().filter(|_| sums.next().is_none()).map_or(0.0, |price| price.minor as f64)
    };
    let mut glance = vec![Glance {
        term: "Ink used",
        value: ml(all.ink_ml),
        beside: beside(&|other| (all.ink_ml, other.ink_ml, ml(other.ink_ml))),
    }];
    if !all.cost.is_empty() {
        glance.push(Glance {
            term: "It is worth",
            value: format::costs(&all.cost),
            beside: beside(&|other| (first(&all.cost), first(&other.cost), format::costs(&other.cost))),
        });
    }
    glance.push(Glance {
        term: "Units swapped",
        value: all.swaps.to_string(),
        beside: beside(&|other| (0.0, 0.0, other.swaps.to_string())),
    });
    let mut plain = |term, value: String| glance.push(Glance { term, value, beside: vec![] });
    if !all.left_cost.is_empty() {
        plain("Left in units taken out", format::costs(&all.left_cost));
    }
    if !all.taken.is_empty() {
        plain("Taken from the shelf", format::costs(&all.taken));
    }
    plain("Receptacles replaced", figures.receptacles_replaced.to_string());
    let heads = figures.heads_replaced;
    plain("Print heads replaced", heads.map_or_else(|| "none is registered".to_owned(), |n| n.to_string()));
    if let Some(coverage) = figures.coverage {
        plain("There are figures for", format!("{} of the time", format::percent(coverage)));
    }
    glance
}

/// How much of what is long is shown.
pub(crate) struct Extent<'a> {
    pub(crate) machines: &'a [DeviceMonth],
    pub(crate) machines_in_all: usize,
    pub(crate) adjustments_in_all: usize,
}

impl<'a> Extent<'a> {
    /// All of it.
    pub(crate) fn whole(report: &'a MonthReport) -> Self {
        Self {
            machines: &report.devices,
            machines_in_all: report.devices.len(),
            adjustments_in_all: report.adjustments.len(),
        }
    }

    /// What stands on a page.
    pub(crate) fn of(view: &'a MonthView) -> Self {
        Self {
            machines: &view.machines.lines,
            machines_in_all: view.machines.in_all,
            adjustments_in_all: view.adjustments_in_all,
        }
    }
}

/// The tables behind the supplies.
pub(crate) fn sections(report: &MonthReport, figures: &Figures, shown: &Extent<'_>) -> Vec<Section> {
    let mut sections = vec![side_by_side(shown, &figures.all)];
    sections.push(groups("cost-centres", "Cost centres", "charged to nobody", &figures.cost_centres));
    if figures.sites.len() > 1 {
        sections.push(groups("sites", "Sites", "at no site", &figures.sites));
    }
    sections.extend([shelf(report), needs(report), alerts(report), forecasts(report)]);
    sections.extend(adjustments(report, shown.adjustments_in_all));
    sections
}

fn group_cells(group: &GroupTotal) -> Vec<String> {
    let ink = ml(group.ink_ml);
    vec![
        if group.partial { format!("{ink} and more") } else { ink },
        times(group.swaps),
        format::costs(&group.cost),
        format::costs(&group.left_cost),
        format::costs(&group.taken),
    ]
}

const MONEY: [&str; 5] =
    ["Ink used", "Swaps", "Worth of what was used", "Left in units taken out", "Taken from the shelf"];
const AND_MORE: &str =
    "“And more”: some ink is counted in another unit, such as percent, and does not add up to millilitres.";

fn side_by_side(shown: &Extent<'_>, all: &GroupTotal) -> Section {
    let [ink, swaps, cost, left, taken] = MONEY;
    let columns = ["Machine", ink, swaps, cost, left, taken, "Output", "Ink for each", "Answered"];
    let mut table = Table::new("Machines side by side", &columns);
    for device in shown.machines {
        let mut cells = group_cells(&device.total());
        let output = device.output.as_ref().map(|output| {
            let count = format::count(u64::try_from(output.count).unwrap_or(0));
            format!("{count} {}", words::counted(&output.unit))
        });
        cells.push(output.unwrap_or_else(|| "–".to_owned()));
        cells.push(device.ink_per_output().map_or_else(|| "–".to_owned(), |ml| format!("{ml:.2}\u{a0}ml")));
        cells.push(device.availability.map_or_else(|| "–".to_owned(), format::percent));
        table.push(device.name.clone(), Some(format!("/machines/{}", device.device)), cells);
    }
    let mut sums = group_cells(all);
    sums.extend([String::new(), String::new(), String::new()]);
    table.sum_up("All machines", sums);
    let few = (shown.machines_in_all > shown.machines.len()).then(|| {
        "These are the machines that stand one by one at the end of the page; the files have all of them."
            .to_owned()
    });
    let says: Vec<String> = few.into_iter().chain(all.partial.then(|| AND_MORE.to_owned())).collect();
    Section { id: "machines", title: "Machines side by side", says: says.join(" "), table: Some(table) }
}

fn groups(id: &'static str, title: &'static str, nobody: &str, groups: &[GroupTotal]) -> Section {
    let [ink, swaps, cost, left, taken] = MONEY;
    let mut table = Table::new(title, &["Name", "Machines", ink, swaps, cost, left, taken]);
    for group in groups {
        let name = group.name.clone().filter(|name| !name.is_empty());
        let mut cells = vec![group.machines.to_string()];
        cells.extend(group_cells(group));
        table.push(name.unwrap_or_else(|| format::capital(nobody)), None, cells);
    }
    Section { id, title, says: String::new(), table: Some(table) }
}

fn flow_cells(flow: &StockFlow, figure: impl Fn(i64) -> String) -> Vec<String> {
    let moved = |units: i64| if units == 0 { "–".to_owned() } else { figure(units) };
    vec![
        figure(flow.start),
        moved(flow.received),
        moved(flow.issued),
        moved(flow.returned),
        moved(flow.written_off),
        moved(flow.counted),
        figure(flow.end),
    ]
}

fn shelf(report: &MonthReport) -> Section {
    let columns = [
        "Part",
        "At the start",
        "Received",
        "Issued",
        "Came back",
        "Written off",
        "Counts differed by",
        "At the end",
        "Worth",
    ];
    let mut table = Table::new("The shelf", &columns);
    for part in &report.parts {
        let mut cells = flow_cells(&part.units, |units| units.to_string().replace('-', "−"));
        let worth = part.price.zip(part.value).map(|(price, value)| Price { minor: value.end, ..price });
        cells.push(worth.map_or_else(|| "–".to_owned(), format::money));
        table.push(
            format!("{} {}", part.number, part.label),
            Some(super::super::shelf::part_href(&part.number)),
            cells,
        );
    }
    for (currency, value) in report.stock_value() {
        let money = |minor| format::money(Price { minor, currency });
        let mut cells = flow_cells(&value, money);
        cells.push(money(value.end));
        table.push("Worth of all", None, cells);
    }
    let says = if report.parts.is_empty() {
        "Nothing lay on the shelf, and nothing moved."
    } else {
        "Units of each part; what a part-used unit is worth is what is left in it."
    };
    let table = (!report.parts.is_empty()).then_some(table);
    Section { id: "shelf", title: "The shelf", says: says.to_owned(), table }
}

fn needs(report: &MonthReport) -> Section {
    let mut table =
        Table::new("Needed next month", &["Part", "Needed", "On the shelf", "To be bought", "Worth"]);
    let says = match &report.needs {
        None => "What was expected then is not kept.".to_owned(),
        Some(needs) if needs.is_empty() => {
            "No unit is expected to be needed, as far as can be told.".to_owned()
        }
        Some(_) => format!(
            "Units that machines are expected to need up to the end of {}, at even odds.",
            report.month.after().name()
        ),
    };
    for need in report.needs.iter().flatten() {
        let name = need.part.as_ref().map_or_else(
            || format!("{} (no part in the catalogue)", format::capital(&need.label)),
            |number| format!("{number} {}", need.label),
        );
        let cost = need.cost.filter(|_| need.short() > 0);
        let cells = vec![
            need.units.to_string(),
            need.on_shelf.to_string(),
            times(need.short()),
            cost.map_or_else(|| "–".to_owned(), format::money),
        ];
        table.push(name, need.part.as_deref().map(super::super::shelf::part_href), cells);
    }
    let table = (!table.lines.is_empty()).then_some(table);
    Section { id: "needs", title: "Needed next month", says, table }
}

fn alerts(report: &MonthReport) -> Section {
    let columns = [
        "Rule",
        "Opened",
        "Of these seen",
        "Half of them within",
        "Cleared",
        "Half of them within",
        "The slowest took",
        "Open at the end",
    ];
    let mut table = Table::new("Alerts", &columns);
    let minutes = |minutes: Option<u64>| minutes.map_or_else(|| "–".to_owned(), format::minutes);
    for alert in &report.alerts {
        let cells = vec![
            times(alert.opened),
            times(alert.seen),
            minutes(alert.median_seen_minutes),
            times(alert.cleared),
            minutes(alert.median_minutes),
            minutes(alert.slowest_minutes),
            times(alert.open_at_end),
        ];
        table.push(words::rule(alert.rule), None, cells);
    }
    let says = if report.alerts.is_empty() { "None was open in this month." } else { "" };
    let table = (!report.alerts.is_empty()).then_some(table);
    Section { id: "alerts", title: "Alerts", says: says.to_owned(), table }
}

fn forecasts(report: &MonthReport) -> Section {
    let says = match report.forecasts {
        Forecasts::NotKept => "No forecast is kept whose time was up in this month.".to_owned(),
        Forecasts::Kept { within, before, after, days_off } => {
            let off = days_off.map(|days| {
                format!(" The middle day missed the end by {days:.1} days on average, where it has come.")
            });
            format!(
                "Of {} forecasts whose time was up in this month, {within} ended between their early and late days, \
                 {before} before, {after} after. Eight in ten are meant to end between.{}",
                within + before + after,
                off.unwrap_or_default()
            )
        }
    };
    Section { id: "forecasts", title: "How right the forecasts were", says, table: None }
}

fn adjustments(report: &MonthReport, in_all: usize) -> Option<Section> {
    if report.adjustments.is_empty() {
        return None;
    }
    let columns =
        ["Supply", "Month|", "Used", "Spread", "Unseen", "Swaps", "Left in units taken out", "Worth"];
    let mut table = Table::new("Adjustments", &columns);
    for change in &report.adjustments {
        let difference = |amount: f64| match amount {
            0.0 => "–".to_owned(),
            amount => format::difference(amount, change.measure),
        };
        let cells = vec![
            change.about.name(),
            difference(change.used),
            difference(change.spread),
            difference(change.unseen),
            if change.swaps == 0 {
                "–".to_owned()
            } else {
                format!("{:+}", change.swaps).replace('-', "−")
            },
            difference(change.left_in_swapped),
            change.cost.map_or_else(|| "–".to_owned(), format::money),
        ];
        table.push(format!("{}, {}", change.device, change.label), None, cells);
    }
    let mut says =
        "What has changed in months that were closed, since they were closed. Their own figures stay as \
                    they were handed in."
            .to_owned();
    if in_all > table.lines.len() {
        let count = |n: usize| format::count(u64::try_from(n).unwrap_or(u64::MAX));
        let (first, all) = (count(table.lines.len()), count(in_all));
        says.push_str(&format!(" These are the first {first} of {all}; the files have all of them."));
    }
    Some(Section { id: "adjustments", title: "Adjustments", says, table: Some(table) })
}

/// The silences of machines, machine by machine.
pub(crate) fn silences(machines: &[DeviceMonth], zone: &TimeZone) -> Vec<SilenceRow> {
    let row = |machine: &str, gap: &crate::domain::month::Gap| SilenceRow {
        machine: machine.to_owned(),
        from: Moment::new(gap.from, zone),
        to: Moment::new(gap.to, zone),
        span: format::span(gap.from, gap.to),
        why: match &gap.why {
            Silence::NotAsked => "it was not asked: this service did not run".to_owned(),
            Silence::Unanswered(fault) if fault.is_empty() => "it did not answer".to_owned(),
            Silence::Unanswered(fault) => fault.clone(),
        },
    };
    machines.iter().flat_map(|device| device.gaps.iter().map(|gap| row(&device.name, gap))).collect()
}
