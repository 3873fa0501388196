//! A paper as plain data: what stands on it, in reading order. How it looks is the writer's
//! matter, and there is one writer for each form.

use chart::{Chart, Picture, Size};

/// A paper: a title, particulars, and sections under headings.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Paper {
    /// The language of its words, by BCP 47.
    pub(crate) language: String,
    /// What stands on top.
    pub(crate) title: String,
    /// The name by which a window or a reader shows it.
    pub(crate) name: String,
    /// A line under the title; empty for none.
    pub(crate) subtitle: String,
    /// What it is about, as label and value.
    pub(crate) facts: Vec<(String, String)>,
    /// The sections.
    pub(crate) sections: Vec<Section>,
}

/// What stands under one heading.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Section {
    pub(crate) heading: String,
    /// Whether it is to stand on one page, where a page is long enough.
    pub(crate) together: bool,
    pub(crate) blocks: Vec<Block>,
}

/// One piece of a section.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Block {
    /// A sentence or several.
    Text(String),
    /// A person's words, with their own line breaks.
    Notes(String),
    /// The mark on the volume, large enough to be read across a car.
    VolumeMark {
        /// What stands above the number.
        words: String,
        step: u32,
        /// A remark under it; empty for none.
        remark: String,
    },
    /// Labels with values.
    Facts(Vec<(String, String)>),
    List(Vec<String>),
    Table(Table),
    Chart {
        chart: Box<Chart>,
        caption: String,
    },
    /// A picture, in pixels at full size.
    Picture(Box<Picture>, Size),
}

/// A table. Each row has a cell for each column.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Table {
    /// Empty for none.
    pub(crate) caption: String,
    pub(crate) columns: Vec<Column>,
    pub(crate) rows: Vec<Vec<Cell>>,
}

/// A column; without any title in a table, the table has no head.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Column {
    pub(crate) title: String,
    pub(crate) kind: ColumnKind,
}

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum ColumnKind {
    /// A box to be ticked; the cell says what a tick means.
    TickBox,
    /// What the row is about.
    Label,
    Text,
    /// A number to be read.
    Number,
    /// A word to be typed or chosen, large.
    Entry,
    /// A number to be typed, large.
    EntryNumber,
    /// A reason, in small type.
    Reason,
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Cell {
    pub(crate) text: String,
    /// Whether it must not be overlooked.
    pub(crate) strong: bool,
}

impl Section {
    pub(crate) fn new(heading: &str, blocks: Vec<Block>) -> Self {
        Self { heading: heading.to_owned(), together: false, blocks }
    }

    /// A section with a list; none without items.
    pub(crate) fn list<T: Into<String>>(heading: &str, items: impl IntoIterator<Item = T>) -> Option<Self> {
        let items: Vec<String> = items.into_iter().map(Into::into).collect();
        (!items.is_empty()).then(|| Self::new(heading, vec![Block::List(items)]))
    }
}

impl Table {
    pub(crate) fn new<const N: usize>(columns: [(&str, ColumnKind); N]) -> Self {
        Self::with(&columns)
    }

    pub(crate) fn with(columns: &[(&str, ColumnKind)]) -> Self {
        let columns = columns.iter().map(|&(title, kind)| Column { title: title.to_owned(), kind });
        Self { caption: String::new(), columns: columns.collect(), rows: Vec::new() }
    }

    pub(crate) fn row<const N: usize>(&mut self, cells: [String; N]) {
        self.rows.push(cells.map(Cell::from).to_vec());
    }

    /// Whether it has a head.
    pub(crate) fn has_head(&self) -> bool {
        self.columns.iter().any(|column| !column.title.is_empty())
    }
}

impl From<String> for Cell {
    fn from(text: String) -> Self {
        Self { text, strong: false }
    }
}
