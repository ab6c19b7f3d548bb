//! Tables that break over pages, between rows, and say their headings again on each.

use super::face::Face;
use super::sheet::{Mark, Sheets, Tone, Type};
use crate::site::chart::Share;

/// Between two columns.
const GAP: f32 = 9.0;
/// What a column of bars takes up at least.
const BARS: f32 = 84.0;
/// A table of no more rows than this stays on one page.
const WHOLE: usize = 14;
/// The size of the letters, and smaller ones for tables that do not fit.
const SIZES: [f32; 4] = [8.0, 7.5, 7.0, 6.5];

/// A column's heading.
#[derive(Debug, Clone)]
pub(super) struct Column {
    pub(super) word: String,
    /// Figures stand at the right.
    pub(super) figures: bool,
}

/// A row: a cell a column.
#[derive(Debug, Clone, Default)]
pub(super) struct Row {
    pub(super) cells: Vec<String>,
    /// How long its bar is, where the table has bars.
    pub(super) bar: Option<Share>,
    /// A sum of the rows above.
    pub(super) is_sum: bool,
}

/// A table.
#[derive(Debug, Clone, Default)]
pub(super) struct Table {
    pub(super) columns: Vec<Column>,
    pub(super) rows: Vec<Row>,
    /// Bars stand behind so many columns, if there are bars.
    pub(super) bars_after: Option<usize>,
}

/// A table that has its measures.
struct Set<'a> {
    table: &'a Table,
    size: f32,
    widths: Vec<f32>,
    /// How long a whole bar is.
    bars: f32,
}

impl Table {
    pub(super) fn new(columns: &[(&str, bool)]) -> Self {
        let column = |(word, figures): &(&str, bool)| Column { word: (*word).to_owned(), figures: *figures };
        Self { columns: columns.iter().map(column).collect(), ..Self::default() }
    }

    pub(super) fn push(&mut self, cells: Vec<String>) {
        self.rows.push(Row { cells, ..Row::default() });
    }

    /// Sets the table; a row never breaks.
    pub(super) fn set(&self, sheets: &mut Sheets) {
        let set = self.measured(sheets.width());
        set.head(sheets);
        for row in &self.rows {
            if sheets.keep(set.height(row)) {
                set.head(sheets);
            }
            set.row(sheets, row);
        }
        sheets.advance(4.0);
    }

    /// How high its headings and its first rows are, or all rows of a short one: what a heading above it must not be
    /// parted from.
    pub(super) fn begins_with(&self, width: f32) -> f32 {
        let set = self.measured(width);
        let rows = if self.rows.len() <= WHOLE { WHOLE } else { 2 };
        set.head_height() + self.rows.iter().take(rows).map(|row| set.height(row)).sum::<f32>()
    }

    /// The largest letters with which no word breaks.
    fn measured(&self, width: f32) -> Set<'_> {
        let bars = if self.bars_after.is_some() { BARS + GAP } else { 0.0 };
        let room = width - bars - GAP * self.columns.len().saturating_sub(1) as f32;
        let least = |size: f32| self.needs(size, false).iter().map(|(least, _)| least).sum::<f32>();
        let size = SIZES.into_iter().find(|size| least(*size) <= room).unwrap_or(SIZES[SIZES.len() - 1]);
        // Headings break before cells do.
        let whole = self.needs(size, true);
        let fits = whole.iter().map(|(_, most)| most).sum::<f32>() <= room;
        let needs = if fits { whole } else { self.needs(size, false) };
        let widths = shared(&needs, room, fits && self.bars_after.is_some());
        let bars = width - widths.iter().sum::<f32>() - GAP * self.columns.len() as f32;
        Set { table: self, size, widths, bars }
    }

    /// For each column the width with which no word breaks, and the one with which no cell does, nor the heading if
    /// that is to stay whole.
    fn needs(&self, size: f32, whole_heading: bool) -> Vec<(f32, f32)> {
        let of_column = |(at, column): (usize, &Column)| {
            let cells = || self.rows.iter().filter_map(|row| row.cells.get(at));
            let word = |text: &String| Face::Strong.widest_word(size, text);
            let whole = |text: &String| Face::Strong.width(size, text);
            let least = cells().map(word).fold(word(&column.word), f32::max);
            let heading = if whole_heading { whole(&column.word) } else { 0.0 };
            (least, cells().map(whole).fold(least.max(heading), f32::max))
        };
        self.columns.iter().enumerate().map(of_column).collect()
    }
}

/// Shares the room among columns that need at least one width and want another: what is left over goes to the first,
/// or to the bars.
fn shared(needs: &[(f32, f32)], room: f32, to_bars: bool) -> Vec<f32> {
    let least: f32 = needs.iter().map(|need| need.0).sum();
    let most: f32 = needs.iter().map(|need| need.1).sum();
    if least > room {
        return needs.iter().map(|need| need.0 * room / least).collect();
    }
    if most > room {
        let part = (room - least) / (most - least);
        return needs.iter().map(|need| need.0 + (need.1 - need.0) * part).collect();
    }
    let mut widths: Vec<f32> = needs.iter().map(|need| need.1).collect();
    if let Some(first) = widths.first_mut().filter(|_| !to_bars) {
        *first += room - most;
    }
    widths
}

impl Set<'_> {
    fn plain(&self, tone: Tone) -> Type {
        Type { face: Face::Plain, size: self.size, tone }
    }

    /// Where each column begins, and the bars.
    fn places(&self, left: f32) -> (Vec<f32>, f32) {
        let (mut x, mut bars, mut places) = (left, left, Vec::new());
        for (at, width) in self.widths.iter().enumerate() {
            if self.table.bars_after == Some(at) {
                bars = x;
                x += self.bars + GAP;
            }
            places.push(x);
            x += width + GAP;
        }
        if self.table.bars_after == Some(self.widths.len()) {
            bars = x;
        }
        (places, bars)
    }

    fn lines(&self, face: Face, at: usize, text: &str) -> Vec<String> {
        // A hair more, or what was measured to fit would break for a rounding.
        face.lines(self.size, text, self.widths.get(at).copied().unwrap_or(0.0) + 0.05)
    }

    fn head_height(&self) -> f32 {
        let lines = |(at, column): (usize, &Column)| self.lines(Face::Plain, at, &column.word).len();
        let most = self.table.columns.iter().enumerate().map(lines).max().unwrap_or(1);
        most as f32 * self.size * 1.15 + 6.0
    }

    fn height(&self, row: &Row) -> f32 {
        let lines = |(at, cell): (usize, &String)| self.lines(Face::Strong, at, cell).len();
        let most = row.cells.iter().enumerate().map(lines).max().unwrap_or(1);
        most as f32 * self.size * 1.2 + 4.0
    }

    /// The headings, their last lines on one level.
    fn head(&self, sheets: &mut Sheets) {
        let (height, set) = (self.head_height(), self.plain(Tone::SOFT));
        sheets.keep(height);
        let floor = sheets.y() + height;
        let (places, _) = self.places(sheets.left());
        for (at, (column, x)) in self.table.columns.iter().zip(places).enumerate() {
            let lines = self.lines(Face::Plain, at, &column.word);
            for (n, line) in lines.iter().enumerate() {
                let y = floor - 5.0 - (lines.len() - 1 - n) as f32 * self.size * 1.15;
                self.cell(sheets, at, (x, y), set, line);
            }
        }
        let (x, width) = (sheets.left(), sheets.width());
        sheets.mark(Mark::Rule { x, y: floor, width, weight: 0.8, tone: Tone::TEXT });
        sheets.advance(height);
    }

    fn row(&self, sheets: &mut Sheets, row: &Row) {
        let (top, height) = (sheets.y(), self.height(row));
        let (places, bars) = self.places(sheets.left());
        if row.is_sum {
            let (x, width) = (sheets.left(), sheets.width());
            sheets.mark(Mark::Rule { x, y: top, width, weight: 0.8, tone: Tone::TEXT });
        }
        let face = if row.is_sum { Face::Strong } else { Face::Plain };
        let set = Type { face, ..self.plain(Tone::TEXT) };
        for (at, (cell, x)) in row.cells.iter().zip(places).enumerate() {
            for (n, line) in self.lines(Face::Strong, at, cell).iter().enumerate() {
                let y = top + 2.0 + self.size + n as f32 * self.size * 1.2;
                self.cell(sheets, at, (x, y), set, line);
            }
        }
        if let Some(share) = row.bar {
            let (width, high) = (self.bars * share.value() as f32, self.size - 1.0);
            sheets.mark(Mark::Box { x: bars, y: top + 3.0, width, height: high, tone: Tone::BAR });
        }
        let (x, width) = (sheets.left(), sheets.width());
        sheets.mark(Mark::Rule { x, y: top + height, width, weight: 0.4, tone: Tone::FAINT });
        sheets.advance(height);
    }

    fn cell(&self, sheets: &mut Sheets, at: usize, (x, y): (f32, f32), set: Type, line: &str) {
        let figures = self.table.columns.get(at).is_some_and(|column| column.figures);
        let width = self.widths.get(at).copied().unwrap_or(0.0);
        if figures { sheets.text_to(x + width, y, set, line) } else { sheets.text(x, y, set, line) }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::report::Paper;

    fn long(rows: usize) -> Table {
        let mut table = Table::new(&[("Machine", false), ("Ink used", true)]);
        for row in 0..rows {
            table.push(vec![format!("Bobbin {row}"), format!("{row}\u{a0}ml")]);
        }
        table
    }

    #[test]
    fn a_long_table_says_its_headings_on_every_page_and_loses_no_row() {
        let mut sheets = Sheets::new(Paper::A4);
        long(200).set(&mut sheets);
        assert!(sheets.pages.len() > 2);
        let on = |page: &Vec<Mark>, wanted: &str| {
            page.iter().filter(|mark| matches!(mark, Mark::Text { text, .. } if text == wanted)).count()
        };
        assert!(sheets.pages.iter().all(|page| on(page, "Ink used") == 1));
        for row in 0..200 {
            let name = format!("Bobbin {row}");
            assert_eq!(sheets.pages.iter().map(|page| on(page, &name)).sum::<usize>(), 1, "{name}");
        }
    }

    proptest! {
        #[test]
        fn nothing_is_set_outside_the_margins(
            words in proptest::collection::vec("[a-zA-Z0-9 ]{0,40}", 2..120),
            columns in 1..11usize,
            letter in any::<bool>(),
        ) {
            let heads: Vec<(&str, bool)> = (0..columns).map(|at| ("Worth of what was used", at > 0)).collect();
            let mut table = Table::new(&heads);
            words.chunks(columns).for_each(|cells| table.push(cells.to_vec()));
            let mut sheets = Sheets::new(if letter { Paper::Letter } else { Paper::A4 });
            table.set(&mut sheets);
            let (width, height) = sheets.size();
            for mark in sheets.pages.iter().flatten() {
                let (from, to, y) = match mark {
                    Mark::Text { x, y, set, text } => (*x, x + set.width(text), *y),
                    Mark::Box { x, y, width, .. } | Mark::Rule { x, y, width, .. } => (*x, x + width, *y),
                };
                prop_assert!(from >= 47.9 && to <= width - 47.9 && y >= 48.0 && y <= height - 48.0, "{mark:?}");
            }
        }
    }
}
