//! Tables of figures, all set alike.

/// A column's heading.
pub(crate) struct Column {
    pub(crate) word: String,
    /// Whether it holds figures, which stand at the right.
    pub(crate) figures: bool,
}

/// A row: what it is about, and a cell for each further column.
pub(crate) struct Line {
    pub(crate) name: String,
    pub(crate) href: Option<String>,
    pub(crate) cells: Vec<String>,
}

/// A table.
pub(crate) struct Table {
    /// What it is called for those who cannot see it.
    pub(crate) label: String,
    pub(crate) columns: Vec<Column>,
    pub(crate) lines: Vec<Line>,
    /// Sums, as a last row.
    pub(crate) sums: Option<Line>,
}

impl Table {
    /// An empty table; the first column is what the rows are about, words ending in `|` head words, others
    /// figures.
    pub(crate) fn new(label: impl Into<String>, columns: &[&str]) -> Self {
        let column = |(n, word): (usize, &&str)| match word.strip_suffix('|') {
            Some(word) => Column { word: word.to_owned(), figures: false },
            None => Column { word: (*word).to_owned(), figures: n > 0 },
        };
        Self {
            label: label.into(),
            columns: columns.iter().enumerate().map(column).collect(),
            lines: Vec::new(),
            sums: None,
        }
    }

    /// Further columns of figures.
    pub(crate) fn add_columns(&mut self, words: impl Iterator<Item = String>) {
        self.columns.extend(words.map(|word| Column { word, figures: true }));
    }

    pub(crate) fn push(&mut self, name: impl Into<String>, href: Option<String>, cells: Vec<String>) {
        self.lines.push(Line { name: name.into(), href, cells });
    }

    pub(crate) fn sum_up(&mut self, name: &str, cells: Vec<String>) {
        self.sums = Some(Line { name: name.to_owned(), href: None, cells });
    }

    /// Whether the cell at a place, counted behind the name, holds a figure.
    pub(crate) fn is_figure(&self, place: &usize) -> bool {
        self.columns.get(place + 1).is_some_and(|column| column.figures)
    }
}
