//! The shelf: every part with its lots, oldest first.

use askama::Template;
use axum::extract::State;
use axum::response::Html;
use jiff::civil::Date;

use super::{Page, Section, html};
use crate::domain::part::{Part, PartKind};
use crate::domain::reading::Role;
use crate::domain::shelf::Standing;
use crate::site::error::SiteError;
use crate::site::format;
use crate::site::ink::Ink;
use crate::site::source::Source;
use crate::usecase::view::{LotLine, PartLine, ShelfView};

/// A lot in words.
pub(crate) struct LotRow {
    pub(crate) id: i64,
    pub(crate) units: u32,
    pub(crate) made: String,
    pub(crate) place: String,
    pub(crate) until: String,
    /// What is left in a part-used unit.
    pub(crate) part_used: Option<String>,
    pub(crate) warning: Option<String>,
    /// Whether its date has passed.
    pub(crate) past: bool,
}

impl LotRow {
    pub(crate) fn of(line: &LotLine, part: &Part, today: Date) -> Self {
        let lot = &line.lot;
        Self {
            id: lot.id.0,
            units: lot.units,
            made: day_in_full(lot.made_on),
            place: lot.place.clone(),
            until: line.good_until.map_or_else(
                || "Does not spoil".to_owned(),
                |until| format!("{} {}", until_words(part.kind, until < today), day_in_full(until)),
            ),
            part_used: lot.left_over.map(|left| left_words(left, part)),
            warning: warning(line),
            past: line.standing == Standing::Past,
        }
    }
}

/// What the date of a unit on the shelf is about: a head lasts once it is in, ink does not.
fn until_words(kind: PartKind, past: bool) -> &'static str {
    match (kind, past) {
        (PartKind::Head, false) => "Put in by",
        (PartKind::Head, true) => "Was to be put in by",
        (_, false) => "Good until",
        (_, true) => "Was good until",
    }
}

/// "about 310 ml left".
pub(crate) fn left_words(left: f64, part: &Part) -> String {
    match part.capacity {
        Some((_, measure)) => format!("about {} left", format::amount(left, measure)),
        None => format!("{left:.0} left"),
    }
}

fn warning(line: &LotLine) -> Option<String> {
    let used_first = || match &line.use_first_in {
        Some(machine) => format!("use it in {machine} first"),
        None => "no watched machine takes it".to_owned(),
    };
    match line.standing {
        Standing::Good => None,
        Standing::Past => Some("Past its date: write it off.".to_owned()),
        Standing::Soon => Some(format!("Soon past its date: {}.", used_first())),
        Standing::Idle(units) if units == line.lot.units => {
            Some(format!("Not needed before its date: {}.", used_first()))
        }
        Standing::Idle(units) => {
            Some(format!("{units} of {} not needed before their date: {}.", line.lot.units, used_first()))
        }
    }
}

/// "14 Mar 2025": days of lots lie years apart, so the year always stands there.
pub(crate) fn day_in_full(day: Date) -> String {
    day.strftime("%-d %b %Y").to_string()
}

/// A part in words.
pub(crate) struct PartRow {
    pub(crate) href: String,
    pub(crate) number: String,
    pub(crate) label: String,
    pub(crate) ink: Ink,
    pub(crate) about: String,
    pub(crate) kept: String,
    pub(crate) units: u32,
    pub(crate) lots: Vec<LotRow>,
}

impl PartRow {
    pub(crate) fn of(line: &PartLine, today: Date) -> Self {
        let part = &line.part;
        let mut about: Vec<String> = Vec::new();
        about.extend(part.capacity.map(|(amount, measure)| format::amount(amount, measure)));
        about.push(line.machines.to_string());
        Self {
            href: part_href(&part.number),
            number: part.number.clone(),
            label: format::capital(&part.label()),
            ink: ink(part),
            about: about.join("; "),
            kept: part.kept().to_owned(),
            units: line.units,
            lots: line.lots.iter().map(|lot| LotRow::of(lot, part, today)).collect(),
        }
    }
}

fn ink(part: &Part) -> Ink {
    let role = if part.kind == PartKind::Receptacle { Role::Filled } else { Role::Consumed };
    Ink::of_label(role, part.colour.as_deref().unwrap_or(part.kind.word()))
}

/// The address of a part's page. Whatever may mean something in an address is written in percent (RFC 3986).
pub(crate) fn part_href(number: &str) -> String {
    let mut href = "/shelf/parts/".to_owned();
    for byte in number.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            href.push(char::from(byte));
        } else {
            href.push_str(&format!("%{byte:02X}"));
        }
    }
    href
}

#[derive(Template)]
#[template(path = "pages/shelf.html")]
struct ShelfPage {
    page: Page,
    heading: String,
    parts: Vec<PartRow>,
    has_lots: bool,
}

pub(crate) async fn show<S: Source>(State(source): State<S>) -> Result<Html<String>, SiteError> {
    let view = source.shelf().await?;
    html(&ShelfPage {
        page: Page::new(&source, Section::Shelf, "Shelf"),
        heading: heading(&view),
        has_lots: view.parts.iter().any(|part| part.units > 0),
        parts: view.parts.iter().map(|line| PartRow::of(line, view.today)).collect(),
    })
}

fn heading(view: &ShelfView) -> String {
    let lots = || view.parts.iter().flat_map(|part| &part.lots);
    let past: u32 = lots().filter(|lot| lot.standing == Standing::Past).map(|lot| lot.lot.units).sum();
    match (view.parts.is_empty(), lots().next().is_none(), past) {
        (true, ..) => "No parts yet".to_owned(),
        (_, true, _) => "The shelf is empty".to_owned(),
        (_, _, 0) => "The shelf".to_owned(),
        (_, _, 1) => "One unit on the shelf is past its date".to_owned(),
        (_, _, n) => {
            let n = usize::try_from(n).unwrap_or(usize::MAX);
            format::capital(&format!("{} units on the shelf are past their date", format::number_word(n)))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_number_makes_an_address() {
        assert_eq!(part_href("VO-C-775"), "/shelf/parts/VO-C-775");
        assert_eq!(part_href("a/b?c#d é"), "/shelf/parts/a%2Fb%3Fc%23d%20%C3%A9");
    }
}
