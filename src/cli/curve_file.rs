//! Curves in files: CSV with units in the heading.

mod columns;
mod heading;

pub use columns::Columns;

use super::Fault;
use crate::reading::{Curve, Point};
use heading::Places;
use std::io::Read;
use std::path::Path;

/// Reads a curve, point by point, from a file (`-`: standard input).
///
/// A line whose titrant or signal cell is empty is a line without a point; it is kept as a point that is no number,
/// so that the points count the data lines of the file.
///
/// # Errors
/// A file that cannot be read, a heading that is not understood, a cell that is no number: each says where and how to
/// mend it.
pub fn read(path: &Path, columns: &Columns) -> Result<Curve, Fault> {
    let name = path.display().to_string();
    let source: Box<dyn Read> = if path.as_os_str() == "-" {
        Box::new(std::io::stdin())
    } else {
        Box::new(std::fs::File::open(path).map_err(|e| cannot_open(&name, &e))?)
    };
    parse(source, &name, columns)
}

/// The same from any reader; `name` is for messages.
///
/// # Errors
/// As `read`.
pub fn parse(source: impl Read, name: &str, columns: &Columns) -> Result<Curve, Fault> {
    let mut source = std::io::BufReader::with_capacity(1 << 16, source);
    let start = peek(&mut source, name)?;
    let delimiter = heading::delimiter(&start);
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .flexible(true)
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_reader(source);
    let header = reader.byte_headers().map_err(|e| broken(name, &e))?.clone();
    if header.is_empty() || header.iter().all(<[u8]>::is_empty) {
        return Err(Fault::misuse(format!(
            "{name} is empty: a curve file is CSV with a heading such as volume_mL,signal_pH and one line a point"
        )));
    }
    let titles: Vec<String> = header.iter().map(heading::title).collect();
    let places = Places::find(&titles, columns).map_err(|e| Fault::misuse(format!("{name}: {e}")))?;
    let mut curve = Curve { head: places.head, points: Vec::new() };
    let mut record = csv::ByteRecord::new();
    while reader.read_byte_record(&mut record).map_err(|e| broken(name, &e))? {
        let line = record.position().map_or(0, csv::Position::line);
        let row = Row { name, line, titles: &titles, record: &record, comma: delimiter != b',' };
        curve.points.push(row.point(&places)?);
    }
    Ok(curve)
}

/// One line of the file.
struct Row<'a> {
    name: &'a str,
    line: u64,
    titles: &'a [String],
    record: &'a csv::ByteRecord,
    /// Whether a comma is a decimal sign.
    comma: bool,
}

impl Row<'_> {
    fn point(&self, places: &Places) -> Result<Point, Fault> {
        let needed = places.titrant.max(places.signal);
        if self.record.len() <= needed {
            return Err(Fault::misuse(format!(
                "{}, line {}: {} cells where the heading has {}; complete the line or delete it",
                self.name,
                self.line,
                self.record.len(),
                self.titles.len()
            )));
        }
        Ok(Point {
            titrant: self.number(places.titrant)?.unwrap_or(f64::NAN),
            signal: self.number(places.signal)?.unwrap_or(f64::NAN),
            temperature_c: places.temperature.map_or(Ok(None), |i| self.number(i))?,
            t_s: places.time.map_or(Ok(None), |i| self.number(i))?,
        })
    }

    fn number(&self, column: usize) -> Result<Option<f64>, Fault> {
        let Some(cell) = self.record.get(column).filter(|c| !c.is_empty()) else { return Ok(None) };
        let text = String::from_utf8_lossy(cell);
        let plain = if self.comma { text.replace(',', ".") } else { text.clone().into_owned() };
        match plain.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(Some(value)),
            _ => Err(Fault::misuse(format!(
                "{}, line {}, column {} ({}): \"{}\" is not a number; correct the cell, or leave it empty if there was no reading",
                self.name,
                self.line,
                column + 1,
                self.titles.get(column).map_or("", String::as_str),
                heading::shown(&text)
            ))),
        }
    }
}

/// The beginning of the file without taking it.
fn peek<R: Read>(source: &mut std::io::BufReader<R>, name: &str) -> Result<Vec<u8>, Fault> {
    use std::io::BufRead;
    source.fill_buf().map(<[u8]>::to_vec).map_err(|e| Fault::misuse(format!("{name} cannot be read: {e}")))
}

fn cannot_open(name: &str, error: &std::io::Error) -> Fault {
    let mend = match error.kind() {
        std::io::ErrorKind::NotFound => "check the spelling and the folder",
        std::io::ErrorKind::PermissionDenied => "ask its owner for permission to read it",
        _ => "check that it is a file",
    };
    Fault::misuse(format!("{name} cannot be opened: {error}; {mend}"))
}

fn broken(name: &str, error: &csv::Error) -> Fault {
    let place = error.position().map_or(String::new(), |p| format!(", line {}", p.line()));
    Fault::misuse(format!("{name}{place} cannot be read as CSV: {error}; check that it is the right file"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::{Quantity, Titrant, Unit};

    fn curve(text: &str) -> Result<Curve, Fault> {
        parse(text.as_bytes(), "c.csv", &Columns::default())
    }

    #[test]
    fn units_stand_in_the_heading() {
        let read = curve("t_s,volume_mL,signal_mS_cm,temperature_C\n0,0.0,3.1,25\n5,0.2,3.0,\n").unwrap();
        assert_eq!(read.head.signal, Some((Quantity::Conductance, Unit::MillisiemensPerCm)));
        assert_eq!(read.head.titrant, Titrant::Volume);
        assert_eq!(read.points.len(), 2);
        assert_eq!(read.points[0].temperature_c, Some(25.0));
        assert_eq!(read.points[1].temperature_c, None);
        assert_eq!(read.points[1].t_s, Some(5.0));
    }

    #[test]
    fn plain_names_by_mass_with_decimal_commas_are_read() {
        let read = curve("\u{feff}mass_g;pH\r\n0,00;8,07\r\n0,05;7,93\r\n").unwrap();
        assert_eq!(read.head.titrant, Titrant::Mass);
        assert_eq!(read.head.signal, Some((Quantity::Ph, Unit::Ph)));
        assert!((read.points[1].signal - 7.93).abs() < 1e-12);
    }

    #[test]
    fn a_line_without_a_reading_keeps_the_count() {
        let read = curve("volume_mL,pH\n0,3.5\n,3.4\n0.5,3.7\n").unwrap();
        assert_eq!(read.points.len(), 3);
        assert!(read.points[1].titrant.is_nan());
    }

    #[test]
    fn a_word_among_numbers_is_named_with_line_and_column() {
        let text = curve("volume_mL,pH\n0,3.5\n0.1,over\n").unwrap_err().text;
        assert!(text.contains("line 3") && text.contains("column 2 (pH)") && text.contains("over"), "{text}");
    }

    #[test]
    fn a_heading_that_is_not_understood_says_how_to_name_columns() {
        let text = curve("burette,reading\n0,3.5\n").unwrap_err().text;
        assert!(text.contains("--columns") && text.contains("burette"), "{text}");
    }

    #[test]
    fn two_signals_must_be_chosen_between() {
        let text = curve("volume_mL,E_mV,pH\n0,241,2.9\n").unwrap_err().text;
        assert!(text.contains("E_mV") && text.contains("pH") && text.contains("--columns"), "{text}");
        let columns = Columns::parse(&["signal_pH=pH".to_owned()]).unwrap();
        let read = parse("volume_mL,E_mV,pH\n0,241,2.9\n".as_bytes(), "c", &columns).unwrap();
        assert!((read.points[0].signal - 2.9).abs() < 1e-12);
    }
}
