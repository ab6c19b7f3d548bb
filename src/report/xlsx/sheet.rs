//! A sheet as rows of typed cells, and how it is written and printed.

use jiff::civil::DateTime;
use rust_xlsxwriter::{
    Chart, ChartType, ExcelDateTime, Format, FormatAlign, FormatBorder, Formula, Worksheet, XlsxError,
};

use crate::domain::part::Price;
use crate::report::Paper;

/// How a number is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Amount,
    Count,
    Share,
    /// With so many digits behind the point.
    Money(u32),
}

/// A cell.
#[derive(Debug, Clone)]
pub(super) enum Cell {
    Empty,
    Text(String),
    Title(String),
    Head(String),
    Number(f64, Kind),
    Moment(DateTime),
    /// A formula without its equals sign, and what it comes to.
    Sum(String, f64, Kind),
}

impl Cell {
    pub(super) fn text(text: impl Into<String>) -> Self {
        Self::Text(text.into())
    }

    pub(super) fn count(count: impl Into<f64>) -> Self {
        Self::Number(count.into(), Kind::Count)
    }

    pub(super) fn units(units: i64) -> Self {
        Self::Number(units as f64, Kind::Count)
    }

    pub(super) fn money(price: Option<Price>) -> Self {
        price.map_or(Self::Empty, |price| Self::Number(major(price), Kind::Money(price.currency.digits())))
    }
}

/// Money in its major unit, as spreadsheets count it.
pub(super) fn major(price: Price) -> f64 {
    price.minor as f64 / 10_f64.powi(i32::try_from(price.currency.digits()).unwrap_or(0))
}

/// The formats of cells, made once.
pub(super) struct Formats {
    plain: Format,
    title: Format,
    head: Format,
    amount: Format,
    count: Format,
    share: Format,
    money: [Format; 4],
    moment: Format,
}

impl Formats {
    pub(super) fn new() -> Self {
        let money = |digits: &str| Format::new().set_num_format(format!("#,##0{digits}"));
        Self {
            plain: Format::new(),
            title: Format::new().set_bold().set_font_size(14),
            head: Format::new()
                .set_bold()
                .set_text_wrap()
                .set_align(FormatAlign::Bottom)
                .set_border_bottom(FormatBorder::Thin),
            amount: Format::new().set_num_format("#,##0.0"),
            count: Format::new().set_num_format("0"),
            share: Format::new().set_num_format("0.0%"),
            money: [money(""), money(".0"), money(".00"), money(".000")],
            moment: Format::new().set_num_format("yyyy-mm-dd hh:mm"),
        }
    }

    fn of(&self, kind: Kind) -> &Format {
        match kind {
            Kind::Amount => &self.amount,
            Kind::Count => &self.count,
            Kind::Share => &self.share,
            Kind::Money(digits) => self.money.get(digits as usize).unwrap_or(&self.plain),
        }
    }
}

/// A chart of one column against another, beside the rows.
pub(super) struct Picture {
    pub(super) title: String,
    /// Rows, counted from one.
    pub(super) rows: (usize, usize),
    /// Columns of the names and of the figures, counted from nought.
    pub(super) columns: (u16, u16),
    /// Where its upper left corner is: row, counted from one, and column.
    pub(super) at: (usize, u16),
}

/// A sheet.
pub(super) struct Grid {
    pub(super) name: &'static str,
    pub(super) rows: Vec<Vec<Cell>>,
    /// How wide each column is, in letters; the last width goes for the rest.
    pub(super) widths: Vec<f64>,
    /// Whether the first row stays in sight, is repeated on every page, and filters what is below it.
    pub(super) is_list: bool,
    pub(super) picture: Option<Picture>,
}

impl Grid {
    /// A sheet whose first row is headings.
    pub(super) fn list(name: &'static str, heads: impl IntoIterator<Item = String>, widths: &[f64]) -> Self {
        let heads = heads.into_iter().map(Cell::Head).collect();
        Self { name, rows: vec![heads], widths: widths.to_vec(), is_list: true, picture: None }
    }

    /// Whether there is nothing below the headings.
    pub(super) fn is_bare(&self) -> bool {
        self.is_list && self.rows.len() < 2 && self.name != "Supplies" && self.name != "Machines"
    }

    pub(super) fn write(
        &self,
        sheet: &mut Worksheet,
        formats: &Formats,
        month: &str,
        paper: Paper,
    ) -> Result<(), XlsxError> {
        sheet.set_name(self.name)?;
        let columns = self.rows.iter().map(Vec::len).max().unwrap_or(1);
        for column in 0..columns {
            let width = self.widths.get(column).or(self.widths.last()).copied().unwrap_or(12.0);
            sheet.set_column_width(place(column), width)?;
        }
        for (row, cells) in self.rows.iter().enumerate() {
            for (column, cell) in cells.iter().enumerate() {
                write_cell(sheet, (u32::try_from(row).unwrap_or(u32::MAX), place(column)), cell, formats)?;
            }
        }
        if self.is_list {
            let last = u32::try_from(self.rows.len().saturating_sub(1)).unwrap_or(u32::MAX);
            sheet.set_freeze_panes(1, 1)?.set_repeat_rows(0, 0)?;
            sheet.autofilter(0, 0, last, place(columns.saturating_sub(1)))?;
        }
        if let Some(picture) = &self.picture {
            let row = u32::try_from(picture.at.0 - 1).unwrap_or(0);
            sheet.insert_chart(row, picture.at.1, &self.chart(picture))?;
        }
        // Scaled to the paper's width, on any number of pages.
        sheet.set_paper_size(paper.number()).set_landscape().set_print_fit_to_pages(1, 0);
        sheet.set_footer(format!("&L{month}, {}&RPage &P of &N", self.name));
        Ok(())
    }

    fn chart(&self, picture: &Picture) -> Chart {
        let (first, last) = (row(picture.rows.0), row(picture.rows.1));
        let (names, figures) = picture.columns;
        let mut chart = Chart::new(ChartType::Bar);
        chart
            .add_series()
            .set_categories((self.name, first, names, last, names))
            .set_values((self.name, first, figures, last, figures))
            .set_gap(40);
        chart.title().set_name(picture.title.as_str());
        chart.legend().set_hidden();
        // Bars are drawn from the bottom up; the first row belongs at the top.
        chart.x_axis().set_reverse();
        chart.set_alt_text(picture.title.as_str());
        let bars = picture.rows.1.saturating_sub(picture.rows.0) + 1;
        chart.set_width(560).set_height(u32::try_from(110 + 24 * bars.min(40)).unwrap_or(600));
        chart
    }
}

/// A row counted from one as the library counts it.
fn row(counted: usize) -> u32 {
    u32::try_from(counted.saturating_sub(1)).unwrap_or(u32::MAX)
}

fn place(column: usize) -> u16 {
    u16::try_from(column).unwrap_or(u16::MAX)
}

fn write_cell(
    sheet: &mut Worksheet,
    (row, column): (u32, u16),
    cell: &Cell,
    formats: &Formats,
) -> Result<(), XlsxError> {
    match cell {
        Cell::Empty => {}
        // Text is written as text: no name becomes a formula.
        Cell::Text(text) => drop(sheet.write_string_with_format(row, column, text, &formats.plain)?),
        Cell::Title(text) => drop(sheet.write_string_with_format(row, column, text, &formats.title)?),
        Cell::Head(text) => drop(sheet.write_string_with_format(row, column, text, &formats.head)?),
        Cell::Number(number, kind) => {
            sheet.write_number_with_format(row, column, *number, formats.of(*kind))?;
        }
        Cell::Moment(moment) => {
            let text = moment.strftime("%Y-%m-%dT%H:%M:%S").to_string();
            let moment = ExcelDateTime::parse_from_str(&text)?;
            sheet.write_datetime_with_format(row, column, &moment, &formats.moment)?;
        }
        Cell::Sum(formula, result, kind) => {
            let formula = Formula::new(format!("={formula}")).set_result(result.to_string());
            sheet.write_formula_with_format(row, column, formula, formats.of(*kind))?;
        }
    }
    Ok(())
}
