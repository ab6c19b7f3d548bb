//! What the printed report says: what the month's page says, in the same words.

use jiff::tz::TimeZone;

use super::chart::{self, Column};
use super::face::Face;
use super::sheet::{Sheets, Tone, Type};
use super::table::{Row, Table};
use crate::domain::month::{Beside, MonthReport};
use crate::domain::units::Measure;
use crate::report::words;
use crate::site::chart::Share;
use crate::site::format;
use crate::site::pages::month::sections::{Extent, Glance, Section, glance, sections, silences};
use crate::site::pages::month::supplies::{DeviceBlock, TotalRow, blocks, totals};
use crate::site::pages::table::{self as page, Line};
use crate::usecase::view::Statement;

const TITLE: Type = Type { face: Face::Title, size: 26.0, tone: Tone::TEXT };
const OVER: Type = Type { face: Face::Quiet, size: 13.0, tone: Tone::SOFT };
const HEADING: Type = Type { face: Face::Title, size: 15.0, tone: Tone::TEXT };
const MACHINE: Type = Type { face: Face::Title, size: 12.0, tone: Tone::TEXT };
/// So many machines are drawn beside each other; a longer list says no more than its table.
const DRAWN: usize = 40;

/// Sets the whole report.
pub(super) fn set(sheets: &mut Sheets, statement: &Statement) {
    let report = &statement.report;
    sheets.paragraph(OVER, "Supply report");
    sheets.paragraph(TITLE, &report.month.name());
    sheets.paragraph(Type::SOFT, &words::state(statement));
    sheets.paragraph(Type::SOFT, &words::span(report));
    if report.devices.is_empty() {
        sheets.skip(8.0);
        sheets.paragraph(
            Type::BODY,
            "Nothing was read in this month. A report needs at least one machine that answered in it.",
        );
    } else {
        let sums = report.figures();
        figures(sheets, &glance(report, &sums));
        beside(sheets, report);
        all_machines(sheets, &totals(&sums.totals));
        by_machine(sheets, report);
        sections(report, &sums, &Extent::whole(report))
            .iter()
            .for_each(|section| set_section(sheets, section));
        quiet(sheets, report);
        machine_by_machine(sheets, report);
    }
    last_notes(sheets, statement);
}

/// The month in a few figures, three beside each other.
fn figures(sheets: &mut Sheets, figures: &[Glance]) {
    sheets.heading("At a glance", HEADING, 60.0);
    let width = sheets.width() / 3.0;
    let value = Type { face: Face::Title, size: 14.0, tone: Tone::TEXT };
    for row in figures.chunks(3) {
        let broken = |set: Type, text: &str| set.face.lines(set.size, text, width - 12.0);
        let height = |one: &Glance| {
            let beside: usize = one.beside.iter().map(|text| broken(Type::SMALL, text).len()).sum();
            let lines = broken(value, &one.value).len() as f32 * value.leading();
            Type::SOFT.leading() + lines + beside as f32 * Type::SMALL.leading()
        };
        let highest = row.iter().map(height).fold(0.0, f32::max) + 7.0;
        sheets.keep(highest);
        for (at, one) in row.iter().enumerate() {
            let (x, mut y) = (sheets.left() + at as f32 * width, sheets.y());
            let mut say = |set: Type, text: &str| {
                for line in broken(set, text) {
                    sheets.text(x, y + set.size, set, &line);
                    y += set.leading();
                }
            };
            say(Type::SOFT, one.term);
            say(value, &one.value);
            one.beside.iter().for_each(|text| say(Type::SMALL, text));
        }
        sheets.advance(highest);
    }
}

/// The ink of the months that this one is held against, and its own.
fn beside(sheets: &mut Sheets, report: &MonthReport) {
    let column = |name: String, ink_ml: f64, is_main| Column {
        name,
        value: ink_ml,
        words: format::amount(ink_ml, Measure::Millilitres),
        is_main,
    };
    let of = |beside: Beside| report.compared.iter().find(|other| other.beside == beside);
    let others = [of(Beside::YearBefore), of(Beside::MonthBefore)].into_iter().flatten();
    let mut columns: Vec<Column> =
        others.map(|other| column(other.month.name(), other.ink_ml, false)).collect();
    columns.push(column(report.month.name(), report.all().ink_ml, true));
    if columns.len() > 1 {
        sheets.heading("Ink used, beside other months", MACHINE, 140.0);
        chart::set(sheets, &columns);
    }
}

fn all_machines(sheets: &mut Sheets, totals: &[TotalRow]) {
    let mut table = Table::new(&[
        ("Supply", false),
        ("", false),
        ("Used", true),
        ("Worth", true),
        ("Swaps", true),
        ("Left in units taken out", true),
        ("Worth", true),
    ]);
    table.bars_after = Some(3);
    for row in totals {
        let filled = if row.filled { " (filled)" } else { "" };
        let cells = vec![
            format!("{}{filled}", row.label),
            row.ink.code.clone(),
            row.used.clone(),
            row.cost.clone(),
            row.swaps.clone(),
            row.left.clone(),
            row.left_cost.clone(),
        ];
        table.rows.push(Row { cells, bar: Some(row.share), is_sum: false });
    }
    under(sheets, "All machines", HEADING, "", &table);
}

/// Which machine used how much ink, the most first.
fn by_machine(sheets: &mut Sheets, report: &MonthReport) {
    let mut machines: Vec<_> = report.devices.iter().map(|device| (device.ink_ml(), &device.name)).collect();
    machines.retain(|(ink_ml, _)| *ink_ml > 0.0);
    machines.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(b.1)));
    let most = machines.first().map_or(0.0, |(ink_ml, _)| *ink_ml);
    let says = match machines.len().saturating_sub(DRAWN) {
        0 => String::new(),
        more => format!("The {DRAWN} machines that used the most; {more} more stand in the tables below."),
    };
    let mut table = Table::new(&[("Machine", false), ("Ink used", true)]);
    table.bars_after = Some(2);
    for (ink_ml, name) in machines.into_iter().take(DRAWN) {
        let cells = vec![name.clone(), format::amount(ink_ml, Measure::Millilitres)];
        table.rows.push(Row { cells, bar: Some(Share::of(ink_ml, most)), is_sum: false });
    }
    if table.rows.len() > 1 {
        under(sheets, "Ink used by machine", HEADING, &says, &table);
    }
}

fn set_section(sheets: &mut Sheets, section: &Section) {
    match &section.table {
        Some(table) => under(sheets, section.title, HEADING, &section.says, &of_page(table)),
        None => {
            sheets.heading(section.title, HEADING, Type::BODY.leading());
            sheets.paragraph(Type::SOFT, &section.says);
        }
    }
}

/// A table of the page.
fn of_page(table: &page::Table) -> Table {
    let row = |line: &Line, is_sum| {
        let cells = std::iter::once(line.name.clone()).chain(line.cells.iter().cloned());
        Row { cells: cells.collect(), bar: None, is_sum }
    };
    let heads: Vec<(&str, bool)> =
        table.columns.iter().map(|column| (column.word.as_str(), column.figures)).collect();
    let mut set = Table::new(&heads);
    set.rows.extend(table.lines.iter().map(|line| row(line, false)));
    set.rows.extend(table.sums.iter().map(|line| row(line, true)));
    set
}

/// A table under its heading and what there is to know before reading it.
fn under(sheets: &mut Sheets, title: &str, set: Type, says: &str, table: &Table) {
    let lines =
        if says.is_empty() { 0 } else { Type::SOFT.face.lines(Type::SOFT.size, says, sheets.width()).len() };
    let follows = table.begins_with(sheets.width()) + lines as f32 * Type::SOFT.leading();
    sheets.heading(title, set, follows);
    if !says.is_empty() {
        sheets.paragraph(Type::SOFT, says);
    }
    table.set(sheets);
}

/// The silences of all machines.
fn quiet(sheets: &mut Sheets, report: &MonthReport) {
    let zone = TimeZone::get(&report.zone).unwrap_or(TimeZone::UTC);
    let silences = silences(&report.devices, &zone);
    let mut table = Table::new(&[
        ("Machine", false),
        ("From", false),
        ("To", false),
        ("Without figures for", false),
        ("Why", false),
    ]);
    for row in silences {
        table.push(vec![row.machine, row.from.text, row.to.text, row.span, row.why]);
    }
    if table.rows.is_empty() {
        sheets.heading("Silences", HEADING, Type::BODY.leading());
        sheets.paragraph(Type::SOFT, "Every machine answered all the time.");
    } else {
        under(sheets, "Silences", HEADING, "", &table);
    }
}

fn machine_by_machine(sheets: &mut Sheets, report: &MonthReport) {
    let supplies = || report.devices.iter().flat_map(|device| &device.supplies);
    let (has_spread, has_unseen) =
        (supplies().any(|supply| supply.spread > 0.0), supplies().any(|supply| supply.unseen > 0.0));
    sheets.heading("Machine by machine", HEADING, 90.0);
    for block in blocks(&report.devices) {
        machine(sheets, &block, has_spread, has_unseen);
    }
    sheets.skip(6.0);
    let mut note = |has: bool, text: &str| {
        if has {
            sheets.paragraph(Type::SMALL, text);
        }
    };
    note(has_spread, "Spread: used while the machine did not answer, and shared among those days.");
    note(
        has_unseen,
        "Unseen: what may have gone around a swap that nobody saw, at most; not counted as used.",
    );
    note(
        true,
        "Worth: by the price of the part that was last issued to the supply, else of the only one in the catalogue that \
         fits; a dash where that is not known.",
    );
}

fn machine(sheets: &mut Sheets, block: &DeviceBlock, has_spread: bool, has_unseen: bool) {
    let mut columns = vec![("Supply", false), ("", false), ("Used", true)];
    columns.extend(has_spread.then_some(("of it spread", true)));
    columns.extend(has_unseen.then_some(("unseen, at most", true)));
    columns.extend([("Worth", true), ("Swaps", true), ("Left in units taken out", true), ("Worth", true)]);
    let mut table = Table::new(&columns);
    for row in &block.supplies {
        let mut cells = vec![row.label.clone(), row.ink.code.clone(), row.used.clone()];
        cells.extend(has_spread.then(|| row.spread.clone()));
        cells.extend(has_unseen.then(|| row.unseen.clone()));
        cells.extend([row.cost.clone(), row.swaps.clone(), row.left.clone(), row.left_cost.clone()]);
        table.push(cells);
    }
    under(sheets, &block.name, MACHINE, &format!("{}.", block.about), &table);
}

fn last_notes(sheets: &mut Sheets, statement: &Statement) {
    sheets.skip(6.0);
    if let Some(closing) = &statement.closing {
        let text = format!("The SHA-256 of the JSON file of this closed month is {}.", closing.sha256);
        sheets.paragraph(Type::SMALL, &text);
    }
    if sheets.is_respelt() {
        sheets.paragraph(
            Type::SMALL,
            "Some names are written with letters that the faces of this file lack, and are spelt here with others; as they \
             are they stand on the page, in the other files, and in what is copied from this one.",
        );
    }
}
