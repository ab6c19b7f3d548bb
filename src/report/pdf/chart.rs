//! Columns side by side, from the same geometry as on the pages of the site.

use super::sheet::{Mark, Sheets, Tone, Type};
use crate::site::chart::columns::columns;

/// How high the plot is.
const HEIGHT: f32 = 96.0;
/// A column's place is no wider, however few there are.
const WIDEST: f32 = 96.0;

/// A column: its name, what it is worth, and that in words.
pub(super) struct Column {
    pub(super) name: String,
    pub(super) value: f64,
    pub(super) words: String,
    /// What the report is about; the others are only held beside it.
    pub(super) is_main: bool,
}

/// Sets columns on one scale from nothing, each with its value above and its name below.
pub(super) fn set(sheets: &mut Sheets, chart: &[Column]) {
    let (value, name) = (Type::SMALL.strong(), Type::SMALL);
    let above = value.leading();
    let whole = HEIGHT + above + 2.0 * name.leading();
    sheets.keep(whole);
    let width = sheets.width().min(WIDEST * chart.len() as f32);
    let (left, floor) = (sheets.left(), sheets.y() + above + HEIGHT);
    let (bars, _) = columns(&chart.iter().map(|column| column.value).collect::<Vec<_>>());
    for (bar, column) in bars.iter().zip(chart) {
        let at = |share: f64| share as f32;
        let high = HEIGHT * at(bar.height.value());
        let x = left + width * at(bar.x.value());
        let tone = if column.is_main { Tone::TEXT } else { Tone::BAR };
        let wide = width * at(bar.width.value());
        sheets.mark(Mark::Box { x, y: floor - high, width: wide, height: high, tone });
        let middle = left + width * at(bar.middle.value());
        sheets.text_around(middle, floor - high - 3.0, value, &column.words);
        sheets.text_around(middle, floor + name.leading(), name, &column.name);
    }
    sheets.mark(Mark::Rule { x: left, y: floor, width, weight: 0.8, tone: Tone::TEXT });
    sheets.advance(whole);
}
