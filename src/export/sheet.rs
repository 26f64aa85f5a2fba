//! All tables as one spreadsheet, a sheet for each; numbers are numbers, moments are dates.

use super::{Error, Kind, Placed, Sink, TABLES, Table, Value};
use crate::reading::visible;
use rust_xlsxwriter::{Format, Workbook};

/// Rows of a sheet, the heading among them: the limit of the file format.
pub(super) const SHEET_ROWS: u32 = 1_048_576;

/// Characters of a cell: the limit of the file format is 32 767.
const CELL_CHARACTERS: usize = 32_700;

/// Seconds of a day, and days from the format's day 0 to 1970.
const DAY_S: f64 = 86_400.0;
const DAYS_TO_1970: f64 = 25_569.0;

/// Writes a spreadsheet; the rows of each sheet wait in a file of their own.
pub struct SheetSink {
    book: Workbook,
    placed: Placed,
    only: Option<&'static Table>,
    sheets: Vec<Open>,
    heading: Format,
    date: Format,
    most_rows: u32,
}

struct Open {
    table: &'static Table,
    /// Place of the sheet in the book.
    at: usize,
    /// Sheets of this table so far.
    nth: u32,
    /// The next row.
    row: u32,
}

impl SheetSink {
    /// Begins a spreadsheet of one table, or of all.
    ///
    /// # Errors
    /// When the files of its sheets cannot be made.
    pub fn new(placed: Placed, only: Option<&'static Table>) -> Result<Self, Error> {
        Self::with_rows(placed, only, SHEET_ROWS)
    }

    /// As [`Self::new`], with so many rows in a sheet at most.
    pub(super) fn with_rows(placed: Placed, only: Option<&'static Table>, most_rows: u32) -> Result<Self, Error> {
        let mut sink = Self {
            book: Workbook::new(),
            placed,
            only,
            sheets: Vec::new(),
            heading: Format::new().set_bold(),
            date: Format::new().set_num_format("yyyy-mm-dd hh:mm:ss"),
            most_rows,
        };
        for table in TABLES.into_iter().filter(|table| only.is_none_or(|only| only == *table)) {
            let at = sink.sheet(table, 1)?;
            sink.sheets.push(Open { table, at, nth: 1, row: 1 });
        }
        Ok(sink)
    }

    /// A further sheet of a table, with its headings; gives its place.
    fn sheet(&mut self, table: &Table, nth: u32) -> Result<usize, Error> {
        let at = self.book.worksheets().len();
        let sheet = self.book.add_worksheet_with_constant_memory()?;
        sheet.set_name(if nth == 1 { table.name.to_owned() } else { format!("{} {nth}", table.name) })?;
        sheet.set_freeze_panes(1, 0)?;
        for (column, n) in table.columns.iter().zip(0..) {
            let width = if column.kind == Kind::Time { 19.0 } else { 14.0 };
            sheet.set_column_width(n, width)?;
            sheet.write_string_with_format(0, n, column.heading(), &self.heading)?;
        }
        Ok(at)
    }
}

/// A text as a cell holds it: what an eye would not see made visible, no longer than a cell may be.
fn cell(text: &str) -> String {
    let mut shown = visible(text);
    if let Some((at, _)) = shown.char_indices().nth(CELL_CHARACTERS / 2).filter(|_| shown.encode_utf16().count() > CELL_CHARACTERS) {
        let all = shown.chars().count();
        shown.truncate(at);
        shown += &format!(" ... (cut here, {all} characters)");
    }
    shown
}

impl Sink for SheetSink {
    fn takes(&self, table: &Table) -> bool {
        self.only.is_none_or(|only| only == table)
    }

    fn row(&mut self, table: &'static Table, values: &[Value<'_>]) -> Result<(), Error> {
        let Some(open) = self.sheets.iter().position(|open| open.table == table) else { return Ok(()) };
        if self.sheets[open].row >= self.most_rows {
            let nth = self.sheets[open].nth + 1;
            let at = self.sheet(table, nth)?;
            self.sheets[open] = Open { table, at, nth, row: 1 };
        }
        let Open { at, row, .. } = self.sheets[open];
        let sheet = self.book.worksheet_from_index(at)?;
        for (value, column) in values.iter().zip(0..) {
            match value {
                Value::Nothing => {}
                Value::Text(text) => {
                    sheet.write_string(row, column, cell(text))?;
                }
                Value::Integer(n) => {
                    sheet.write_number(row, column, *n as f64)?;
                }
                Value::Number(x) => {
                    sheet.write_number(row, column, *x)?;
                }
                Value::Time(utc_us) => {
                    let days = *utc_us as f64 * 1e-6 / DAY_S + DAYS_TO_1970;
                    sheet.write_number_with_format(row, column, days, &self.date)?;
                }
            }
        }
        self.sheets[open].row += 1;
        Ok(())
    }

    fn finish(mut self: Box<Self>) -> Result<(), Error> {
        self.book.save(self.placed.part())?;
        self.placed.place()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::export::POINTS;

    #[test]
    fn a_table_longer_than_a_sheet_goes_on_in_a_further_one() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("long.xlsx");
        let placed = Placed::begin(&path, false).unwrap();
        let mut sink = SheetSink::with_rows(placed, Some(&POINTS), 4).unwrap();
        for n in 0..7 {
            sink.row(&POINTS, &[Value::Nothing, Value::Integer(n)]).unwrap();
        }
        assert_eq!(sink.book.worksheets().len(), 3);
        let names: Vec<String> = sink.book.worksheets().iter().map(rust_xlsxwriter::Worksheet::name).collect();
        assert_eq!(names, ["points", "points 2", "points 3"]);
        Box::new(sink).finish().unwrap();
        assert!(path.exists());
    }

    #[test]
    fn a_text_longer_than_a_cell_is_cut_and_says_so() {
        assert!(cell(&"\u{1F9EA}".repeat(40_000)).ends_with("(cut here, 40000 characters)"));
        assert_eq!(cell("a\u{1b}[2J"), "a<ESC>[2J");
        assert_eq!(cell(&"x".repeat(10_000)).len(), 10_000);
    }
}
