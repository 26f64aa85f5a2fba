//! The document, as every form of a report shows it.
//!
//! Everything that comes from outside is made harmless here, once: controls, marks that reorder and marks without width
//! stand in words. A form only has to write what is special in its own format.

use super::picture::Drawn;
use crate::reading::visible;

/// A report.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Document {
    /// Names it on every page.
    pub id: String,
    /// When it was made, microseconds since 1970 UTC.
    pub made_utc_us: i64,
    /// What it is.
    pub title: String,
    /// What it is about.
    pub subtitle: String,
    /// What has to be said on every page, such as SIMULATED; empty: nothing.
    pub mark: String,
    /// The lab.
    pub header: Header,
    /// The anchor in one line, on every page.
    pub anchor: String,
    /// What it says, in order.
    pub blocks: Vec<Block>,
}

/// What the lab sets: its own lines and logo.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Header {
    /// Lines of text, the first one larger.
    pub lines: Vec<String>,
    /// The logo.
    pub logo: Option<Logo>,
}

/// A picture of the lab.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Logo {
    /// Its format.
    pub kind: LogoKind,
    /// The file as it is.
    pub bytes: Vec<u8>,
}

/// Formats of logos.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LogoKind {
    /// PNG.
    Png,
    /// JPEG.
    Jpeg,
}

/// One part of the document.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// A heading of the first or second order.
    Heading {
        /// 1 or 2.
        order: u8,
        /// The words.
        words: String,
    },
    /// A paragraph.
    Words(String),
    /// What is stated: the number, in a frame.
    Stated {
        /// What it is.
        what: String,
        /// Value, unit, uncertainty.
        line: String,
        /// What more has to be known of it.
        more: Vec<String>,
        /// What the limits say.
        standing: Option<Standing>,
    },
    /// Names and what stands for each.
    Pairs(Vec<(String, String)>),
    /// A table.
    Table(Table),
    /// A picture.
    Figure(Figure),
}

/// A verdict.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    /// Everything is as it should be.
    pub passes: bool,
    /// In words.
    pub words: String,
}

/// Where the cells of a column stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Align {
    /// Words.
    Left,
    /// Numbers.
    Right,
}

impl Align {
    /// Cells stand at the right end.
    #[must_use]
    pub const fn is_right(self) -> bool {
        matches!(self, Self::Right)
    }
}

/// A column of a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Column {
    /// Its heading.
    pub head: String,
    /// Where its cells stand.
    pub align: Align,
}

/// A table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Table {
    /// The columns.
    pub columns: Vec<Column>,
    /// Rows with a cell for each column.
    pub rows: Vec<Vec<String>>,
}

impl Table {
    /// Whether the cells of that column stand at its right end.
    #[must_use]
    pub fn is_right(&self, column: &usize) -> bool {
        self.columns.get(*column).is_some_and(|column| column.align.is_right())
    }
}

/// A picture with what it shows in words.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// The drawing.
    pub drawn: Drawn,
    /// What it shows.
    pub caption: String,
}

/// A file that goes with the report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Attachment {
    /// Its name.
    pub name: String,
    /// What it is, in words.
    pub what: String,
    /// Its media type.
    pub media: &'static str,
    /// Its contents.
    pub bytes: Vec<u8>,
}

impl Document {
    /// A heading.
    pub fn heading(&mut self, order: u8, words: impl AsRef<str>) {
        self.blocks.push(Block::Heading { order, words: visible(words.as_ref()) });
    }

    /// A paragraph; an empty one is left out.
    pub fn words(&mut self, words: impl AsRef<str>) {
        let words = visible(words.as_ref());
        if !words.is_empty() {
            self.blocks.push(Block::Words(words));
        }
    }

    /// The number in its frame.
    pub fn stated(&mut self, what: &str, line: &str, more: &[String], standing: Option<Standing>) {
        self.blocks.push(Block::Stated {
            what: visible(what),
            line: visible(line),
            more: more.iter().map(|words| visible(words)).collect(),
            standing: standing.map(|s| Standing { words: visible(&s.words), ..s }),
        });
    }

    /// Names with what stands for each; pairs without anything are left out.
    pub fn pairs(&mut self, pairs: impl IntoIterator<Item = (impl AsRef<str>, String)>) {
        let pairs: Vec<(String, String)> = pairs
            .into_iter()
            .filter(|(_, value)| !value.is_empty())
            .map(|(name, value)| (visible(name.as_ref()), visible(&value)))
            .collect();
        if !pairs.is_empty() {
            self.blocks.push(Block::Pairs(pairs));
        }
    }

    /// A table; headings that begin with `>` stand over numbers. One without rows is left out.
    pub fn table(&mut self, heads: &[&str], rows: Vec<Vec<String>>) {
        if rows.is_empty() {
            return;
        }
        let columns: Vec<Column> = heads
            .iter()
            .map(|head| match head.strip_prefix('>') {
                Some(head) => Column { head: visible(head), align: Align::Right },
                None => Column { head: visible(head), align: Align::Left },
            })
            .collect();
        let rows = rows
            .into_iter()
            .map(|row| {
                let mut cells: Vec<String> = row.iter().map(|cell| visible(cell)).collect();
                cells.resize(columns.len(), String::new());
                cells
            })
            .collect();
        self.blocks.push(Block::Table(Table { columns, rows }));
    }

    /// A picture.
    pub fn figure(&mut self, drawn: Drawn, caption: &str) {
        self.blocks.push(Block::Figure(Figure { drawn, caption: visible(caption) }));
    }
}
