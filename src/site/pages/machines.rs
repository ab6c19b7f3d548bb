//! The machines: how each does, and what ends first at it; found, filtered, sorted and grouped by what the address
//! says.

use askama::Template;
use axum::extract::{RawQuery, State};
use axum::response::Html;
use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::sifted::{Address, Filter, Turn};
use super::{Moment, Page, Section, Silent, html, machine_href};
use crate::domain::outlook::Forecast;
use crate::site::error::SiteError;
use crate::site::form::{Choice, Fields};
use crate::site::ink::Ink;
use crate::site::source::Source;
use crate::site::{format, words};
use crate::usecase::sift::{Grouping, MACHINES_A_PAGE, MachinesAsked, MachinesView, Shown, Sorting};
use crate::usecase::view::MachineLine;

/// What each value in the address stands for, with its word.
const SHOWN: [(&str, &str, Shown); 4] = [
    ("", "All", Shown::All),
    ("silent", "Silent", Shown::Silent),
    ("alerts", "With alerts", Shown::Alerting),
    ("undated", "Without a date", Shown::Undated),
];
const SORTINGS: [(&str, &str, Sorting); 4] = [
    ("", "by name", Sorting::Name),
    ("ends", "by what ends first", Sorting::Ends),
    ("alerts", "by open alerts", Sorting::Alerts),
    ("silence", "by silence", Sorting::Silence),
];
const GROUPINGS: [(&str, &str, Option<Grouping>); 4] = [
    ("", "not grouped", None),
    ("place", "by place", Some(Grouping::Place)),
    ("cost-centre", "by cost centre", Some(Grouping::CostCentre)),
    ("model", "by model", Some(Grouping::Model)),
];
/// More groups than these are folded away.
const GROUPS_IN_SIGHT: usize = 12;

struct First {
    ink: Ink,
    label: String,
    level: String,
    ends: String,
}

struct MachineRow {
    name: String,
    href: String,
    /// Model and place, as far as the machine tells.
    about: String,
    state: String,
    errors: Vec<String>,
    silent: Option<Silent>,
    answered: Option<Moment>,
    first: Option<First>,
    alerts: usize,
}

/// Machines that stand together.
struct Group {
    /// What they have in common; none where machines are not grouped.
    name: Option<String>,
    rows: Vec<MachineRow>,
}

#[derive(Template)]
#[template(path = "pages/machines.html")]
struct MachinesPage {
    page: Page,
    heading: String,
    none_watched: bool,
    find: String,
    beside: Vec<(&'static str, String)>,
    shown: Vec<Filter>,
    sortings: Vec<Choice>,
    groupings: Vec<Choice>,
    /// The groups, as doors to each.
    doors: Vec<Filter>,
    doors_folded: bool,
    groups: Vec<Group>,
    turn: Turn,
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Html<String>, SiteError> {
    let (asked, address) = read(&Fields::of_query(query.as_deref()));
    let view = source.machines(&asked).await?;
    let page = Page::new(&source, Section::Machines, "Machines");
    html(&MachinesPage::new(page, &view, asked, &address, (source.now(), &source.zone())))
}

/// What an address asks for; a value that nobody knows asks for nothing.
pub(crate) fn read(fields: &Fields) -> (MachinesAsked, Address) {
    let (show, _, shown) = known(&SHOWN, fields.get("show"));
    let (sort, _, sorting) = known(&SORTINGS, fields.get("sort"));
    let (by, _, grouping) = known(&GROUPINGS, fields.get("by"));
    let find: String = fields.get("find").chars().take(100).collect();
    let within = fields.some("within").filter(|_| grouping.is_some());
    let asked: [(&'static str, String); 5] = [
        ("find", find.clone()),
        ("show", show.to_owned()),
        ("sort", sort.to_owned()),
        ("by", by.to_owned()),
        ("within", within.clone().unwrap_or_default()),
    ];
    let within = within.map(|name| if name == UNSAID { String::new() } else { name });
    let page = fields.get("page").parse().unwrap_or(1);
    let address = Address::new("/machines", asked.into());
    (MachinesAsked { find, shown, sorting, grouping, within, page }, address)
}

/// Whether a value of `show` or `sort` means something.
pub(crate) fn is_known(name: &str, value: &str) -> bool {
    match name {
        "show" => SHOWN.iter().any(|(known, ..)| *known == value),
        _ => SORTINGS.iter().any(|(known, ..)| *known == value),
    }
}

/// How the group of machines that say nothing is called.
const UNSAID: &str = "not said";

fn known<T: Copy>(all: &[(&'static str, &'static str, T)], value: &str) -> (&'static str, &'static str, T) {
    *all.iter().find(|(known, ..)| *known == value).unwrap_or(&all[0])
}

fn choices<T: Copy + PartialEq>(all: &[(&'static str, &'static str, T)], chosen: T) -> Vec<Choice> {
    let choice = |(value, text, of): &(&'static str, &'static str, T)| Choice {
        value: (*value).to_owned(),
        text: (*text).to_owned(),
        chosen: *of == chosen,
    };
    all.iter().map(choice).collect()
}

impl MachinesPage {
    fn new(
        page: Page,
        view: &MachinesView,
        asked: MachinesAsked,
        address: &Address,
        (now, zone): (Timestamp, &TimeZone),
    ) -> Self {
        let leaf = &view.machines;
        let doors: Vec<(&str, &str)> = SHOWN.iter().map(|(value, word, _)| (*value, *word)).collect();
        let chosen = SHOWN.iter().find(|(.., shown)| *shown == asked.shown).map_or("", |(value, ..)| value);
        let group = |lines: &[(Option<String>, MachineLine)]| Group {
            name: lines.first().and_then(|(name, _)| name.as_deref().map(said)),
            rows: lines.iter().map(|(_, line)| row(line, now, zone)).collect(),
        };
        Self {
            page,
            heading: heading(leaf.found, leaf.in_all),
            none_watched: leaf.in_all == 0,
            beside: address.without("within").beside(&["find", "sort", "by"]),
            shown: address.doors("show", chosen, &doors),
            sortings: choices(&SORTINGS, asked.sorting),
            groupings: choices(&GROUPINGS, asked.grouping),
            doors: group_doors(view, &asked, address),
            doors_folded: view.groups.len() > GROUPS_IN_SIGHT,
            groups: leaf.lines.chunk_by(|a, b| a.0 == b.0).map(group).collect(),
            turn: address.turn(leaf, "Machines", MACHINES_A_PAGE),
            find: asked.find,
        }
    }
}

fn said(name: &str) -> String {
    if name.is_empty() { format::capital(UNSAID) } else { name.to_owned() }
}

fn group_doors(view: &MachinesView, asked: &MachinesAsked, address: &Address) -> Vec<Filter> {
    let door = |(name, count): &(String, usize)| Filter {
        word: format!("{} ({})", said(name), format::count(u64::try_from(*count).unwrap_or(u64::MAX))),
        href: address.with("within", if name.is_empty() { UNSAID } else { name }).href(),
        chosen: asked.within.as_ref() == Some(name),
    };
    let mut doors: Vec<Filter> = view.groups.iter().map(door).collect();
    if !doors.is_empty() {
        let all = Filter {
            word: "All of them".to_owned(),
            href: address.with("within", "").href(),
            chosen: asked.within.is_none(),
        };
        doors.insert(0, all);
    }
    doors
}

fn heading(found: usize, in_all: usize) -> String {
    match (found, in_all) {
        (_, 0) => "No machines yet".to_owned(),
        (1, 1) => "One machine".to_owned(),
        (all, same) if all == same => format::capital(&format!("{} machines", format::number_word(all))),
        (0, _) => "No machine found".to_owned(),
        (n, all) => {
            format::capital(&format!("{} of {} machines", format::number_word(n), format::number_word(all)))
        }
    }
}

fn row(line: &MachineLine, now: Timestamp, zone: &TimeZone) -> MachineRow {
    let device = &line.device;
    let today = format::day_of(now, zone);
    let first = line.first_to_end.as_ref().map(|first| {
        let slot = &first.outlook.slot;
        First {
            ink: Ink::of(slot),
            label: slot.label(),
            level: format::level(&first.outlook.level, slot.role),
            ends: match &first.outlook.forecast {
                Forecast::Known(horizon) => format::capital(&format::horizon(*horizon, slot.role, today)),
                Forecast::NotYet(why) => format!("No date yet: {why}"),
            },
        }
    });
    MachineRow {
        name: device.name.clone(),
        href: machine_href(device),
        about: [&device.model, &device.location]
            .into_iter()
            .flatten()
            .cloned()
            .collect::<Vec<_>>()
            .join(" · "),
        state: format::capital(&words::state(device)),
        errors: words::errors(device.errors),
        silent: Silent::of(device, now, zone),
        answered: device.last_answer_at.map(|at| Moment::new(at, zone)),
        first,
        alerts: line.open_alerts,
    }
}
