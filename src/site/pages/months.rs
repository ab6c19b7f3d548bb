//! The months side by side: ink, or what it is worth, of all machines, each machine and each cost centre.

use askama::Template;
use axum::extract::{RawQuery, State};
use axum::response::{IntoResponse, Response};

use super::month::{Door, href};
use super::sifted::{Address, Turn};
use super::table::Table;
use super::{Page, Section, html};
use crate::domain::month::Month;
use crate::domain::part::{Currency, Price};
use crate::domain::units::Measure;
use crate::site::chart::columns::{Bar, columns};
use crate::site::error::SiteError;
use crate::site::form::Fields;
use crate::site::format;
use crate::site::source::Source;
use crate::usecase::sift::Leaf;
use crate::usecase::view::{MonthPoint, TrendRow, TrendView};

/// How many machines a page shows.
const MACHINES: usize = 50;

/// What is shown of each month.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Show {
    Ink,
    Worth(Currency),
}

struct Switch {
    href: String,
    word: String,
    open: bool,
}

struct Column {
    bar: Bar,
    /// "Oct", and the year where it is the first or a new one.
    month: String,
    year: String,
    running: bool,
}

#[derive(Template)]
#[template(path = "pages/months.html")]
struct MonthsPage {
    page: Page,
    switches: Vec<Switch>,
    what: String,
    columns: Vec<Column>,
    top: String,
    title: String,
    desc: String,
    all: Table,
    centres: Option<Table>,
    find: String,
    beside: Vec<(&'static str, String)>,
    /// Whether there are so many machines that one looks for them.
    many: bool,
    machines: Table,
    turn: Turn,
    known: Vec<Door>,
    partly: bool,
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let view = source.months().await?;
    let asked = Fields::of_query(query.as_deref());
    let wanted = asked.get("show");
    let code = Currency::from_code(wanted).filter(|code| view.currencies.contains(code));
    let show = match (wanted, code) {
        ("" | "ink", _) => Show::Ink,
        (_, Some(currency)) => Show::Worth(currency),
        _ => return Err(SiteError::NoSuchPage),
    };
    let page = Page::new(&source, Section::Months, "Months");
    Ok(html(&MonthsPage::new(page, &view, show, &asked))?.into_response())
}

impl Show {
    fn value(self, point: &MonthPoint) -> f64 {
        match self {
            Self::Ink => point.ink_ml,
            Self::Worth(currency) => point.cost.minor(currency) as f64,
        }
    }

    fn words(self, value: f64) -> String {
        match self {
            Self::Ink => format::amount(value, Measure::Millilitres),
            Self::Worth(currency) => format::money(Price { minor: value.round() as i64, currency }),
        }
    }

    /// Figures without their unit, which stands in the heading.
    fn figure(self, value: f64) -> String {
        match self {
            _ if value == 0.0 => "–".to_owned(),
            Self::Ink => format::figure(value, Measure::Millilitres),
            Self::Worth(currency) => {
                let money = format::money(Price { minor: value.round() as i64, currency });
                money.split('\u{a0}').next().unwrap_or_default().to_owned()
            }
        }
    }
}

impl MonthsPage {
    fn new(page: Page, view: &TrendView, show: Show, asked: &Fields) -> Self {
        let find: String = asked.get("find").chars().take(100).collect();
        let shown = if show == Show::Ink { "" } else { asked.get("show") };
        let address = Address::new("/months", vec![("show", shown.to_owned()), ("find", find.clone())]);
        let found = view.machines_found(&find);
        let leaf = Leaf::of(found, asked.get("page").parse().unwrap_or(1), MACHINES, view.machines.len());
        let switch = |word: String, key: &str, to: Show| Switch {
            href: address.with("show", if to == Show::Ink { "" } else { key }).href(),
            word,
            open: show == to,
        };
        let mut switches = vec![switch("Ink".to_owned(), "ink", Show::Ink)];
        for currency in &view.currencies {
            let code = currency.code();
            switches.push(switch(format!("Worth in {code}"), code, Show::Worth(*currency)));
        }
        let what = match show {
            Show::Ink => "Ink used, in millilitres".to_owned(),
            Show::Worth(currency) => format!("Worth of what was used, in {}", currency.code()),
        };
        let values: Vec<f64> = view.all.iter().map(|point| show.value(point)).collect();
        let (bars, top) = columns(&values);
        let spoken = view.months.iter().zip(&values);
        let spoken: Vec<String> =
            spoken.map(|(month, value)| format!("{} {}", month.name(), show.words(*value))).collect();
        Self {
            page,
            columns: bars
                .into_iter()
                .zip(&view.months)
                .map(|(bar, month)| column(bar, *month, view))
                .collect(),
            top: show.words(top),
            title: format!("{what}, month by month"),
            desc: format!("{}.", spoken.join("; ")),
            all: all(view, show),
            centres: view
                .cost_centres
                .iter()
                .any(|row| row.name.is_some())
                .then(|| rows("Cost centres", "Charged to nobody", view, view.cost_centres.iter(), show)),
            beside: address.beside(&["find"]),
            many: view.machines.len() > MACHINES,
            machines: rows("Machines", "", view, leaf.lines.iter().copied(), show),
            turn: address.turn(&leaf, "Machines", MACHINES),
            find,
            known: view.known.iter().map(|month| Door { href: href(*month), name: month.name() }).collect(),
            partly: view.whole.contains(&false),
            switches,
            what,
        }
    }
}

fn column(bar: Bar, month: Month, view: &TrendView) -> Column {
    let first = view.months.first() == Some(&month) || month.first_day().month() == 1;
    Column {
        bar,
        month: month.first_day().strftime("%b").to_string(),
        year: if first { month.first_day().year().to_string() } else { String::new() },
        running: month == view.running,
    }
}

/// All machines together: a row a month, newest first, with the change to the month and the year before.
fn all(view: &TrendView, show: Show) -> Table {
    let mut table = Table::new(
        "All machines, month by month",
        &["Month", "All machines", "to the month before", "to the year before", "Swaps", "State|"],
    );
    let value = |at: usize| view.all.get(at).map(|point| show.value(point));
    let whole = |at: usize| view.whole.get(at) == Some(&true) && view.months.get(at) != Some(&view.running);
    for (at, month) in view.months.iter().enumerate().rev() {
        let change = |to: Month| {
            let before = view.months.iter().position(|known| *known == to)?;
            let comparable = whole(at) && whole(before);
            format::change(value(at)?, value(before)?).filter(|_| comparable)
        };
        let dash = |change: Option<String>| change.unwrap_or_else(|| "–".to_owned());
        let state = if *month == view.running {
            "running"
        } else if view.closed.contains(month) {
            "closed"
        } else {
            "open"
        };
        let part = if view.whole.get(at) == Some(&true) { "" } else { ", watched for part of it" };
        let swaps = view.all.get(at).map_or(0, |point| point.swaps);
        let cells = vec![
            show.words(value(at).unwrap_or(0.0)),
            dash(change(month.before())),
            dash(change(month.year_before())),
            swaps.to_string(),
            format!("{state}{part}"),
        ];
        table.push(month.name(), Some(href(*month)), cells);
    }
    table
}

/// A row each, a column a month, newest first.
fn rows<'a>(
    label: &'static str,
    nobody: &str,
    view: &TrendView,
    rows: impl Iterator<Item = &'a TrendRow>,
    show: Show,
) -> Table {
    let mut table = Table::new(label, &[label]);
    let newest = || view.months.iter().rev();
    table.add_columns(newest().map(|month| month.first_day().strftime("%b %Y").to_string()));
    for row in rows {
        let cells = row.points.iter().rev().map(|point| show.figure(show.value(point))).collect();
        let href = row.device.map(|device| format!("/machines/{device}"));
        table.push(row.name.clone().unwrap_or_else(|| nobody.to_owned()), href, cells);
    }
    table
}
