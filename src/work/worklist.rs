//! A worklist: which portions are to be titrated, one a line, as a script or a spreadsheet writes it.
//!
//! CSV with a heading. `sample` and `procedure` are needed; `as` says what the portion is (`sample` when nothing is
//! said), `titrant` names a lot, `position` the place on a sample changer. Every other column is a value of the
//! portion by its name in the procedure, with its unit in brackets where it differs: `m [mg]`; `mass` stands for the
//! only mass that is asked.

use super::Role;
use std::collections::{BTreeMap, BTreeSet};

/// Most lines that are read: a worklist of a day, not a data base.
const MOST_LINES: usize = 10_000;

/// One portion of a worklist.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WorklistRow {
    /// Line in the file, from 1.
    pub line: u64,
    /// The sample.
    pub sample: String,
    /// The procedure: a name that ships, or a file.
    pub procedure: String,
    /// What the portion is.
    pub role: Role,
    /// The lot of the titrant, where it is named.
    pub titrant: Option<String>,
    /// The place on a sample changer.
    pub position: Option<u32>,
    /// Values by their names, with unit where the heading gives one.
    pub values: BTreeMap<String, String>,
}

/// Reads a worklist.
///
/// # Errors
/// A heading that cannot be used, else every line that is wrong, each with what would be right.
pub fn read_worklist(text: &str) -> Result<Vec<WorklistRow>, String> {
    let separator = separator(text);
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .delimiter(separator)
        .comment(Some(b'#'))
        .flexible(true)
        .from_reader(text.trim_start_matches('\u{feff}').as_bytes());
    let heading = reader.headers().map_err(|e| format!("the heading cannot be read: {e}"))?.clone();
    let place = |name: &str| heading.iter().position(|h| h.eq_ignore_ascii_case(name));
    let needed = |name: &str| {
        place(name).ok_or_else(|| {
            format!(
                "line 1: there is no column `{name}`; the heading must name at least sample and procedure"
            )
        })
    };
    let (sample, procedure) = (needed("sample")?, needed("procedure")?);
    let (role, titrant, position) = (place("as"), place("titrant"), place("position"));
    let own = [Some(sample), Some(procedure), role, titrant, position];
    let mut seen = BTreeSet::new();
    for name in &heading {
        if !seen.insert(name.to_lowercase()) {
            return Err(format!("line 1: the column `{name}` is there twice"));
        }
    }
    let mut rows = Vec::new();
    let mut wrong = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|e| format!("the worklist cannot be read: {e}"))?;
        let line = record.position().map_or(0, csv::Position::line);
        if rows.len() == MOST_LINES {
            return Err(format!("line {line}: a worklist has at most {MOST_LINES} portions"));
        }
        if record.len() != heading.len() {
            let (cells, columns) = (record.len(), heading.len());
            let hint = if cells > columns && separator == b',' {
                "; with decimal commas write ; between the cells"
            } else {
                ""
            };
            wrong.push(format!("line {line}: {cells} cells under a heading of {columns}{hint}"));
            continue;
        }
        let cell = |at: Option<usize>| at.and_then(|at| record.get(at)).filter(|text| !text.is_empty());
        let mut needed = |at: usize, name: &str| {
            let text = cell(Some(at));
            if text.is_none() {
                wrong.push(format!("line {line}: `{name}` is empty"));
            }
            text.map(str::to_owned)
        };
        let (sample, procedure) = (needed(sample, "sample"), needed(procedure, "procedure"));
        let role = match cell(role).map(|word| (word, Role::parse(word))) {
            None => Role::Sample,
            Some((_, Some(role))) => role,
            Some((word, None)) => {
                wrong.push(format!(
                    "line {line}: \"{word}\" is none of sample, standardisation, blank, control"
                ));
                continue;
            }
        };
        let position = match cell(position).map(|text| (text, text.parse())) {
            None => None,
            Some((_, Ok(position))) => Some(position),
            Some((text, Err(_))) => {
                wrong.push(format!("line {line}: \"{text}\" is no position"));
                continue;
            }
        };
        let values = heading
            .iter()
            .zip(&record)
            .enumerate()
            .filter(|(at, (_, cell))| !own.contains(&Some(*at)) && !cell.is_empty())
            .map(|(_, (heading, cell))| value(heading, cell, separator))
            .collect();
        if let (Some(sample), Some(procedure)) = (sample, procedure) {
            let titrant = cell(titrant).map(str::to_owned);
            rows.push(WorklistRow { line, sample, procedure, role, titrant, position, values });
        }
    }
    if wrong.is_empty() { Ok(rows) } else { Err(wrong.join("\n")) }
}

/// Comma, semicolon or tab: the one that the heading has most of.
fn separator(text: &str) -> u8 {
    let heading = text.lines().find(|line| !line.starts_with('#')).unwrap_or_default();
    let count = |sign: char| heading.matches(sign).count();
    match [(count(','), b','), (count(';'), b';'), (count('\t'), b'\t')].into_iter().max_by_key(|(n, _)| *n) {
        Some((n, sign)) if n > 0 => sign,
        _ => b',',
    }
}

/// `m [mg]` and `5023` give `m` and `5023 mg`. Where commas do not part the cells, they are decimal commas.
fn value(heading: &str, cell: &str, separator: u8) -> (String, String) {
    let bare = cell.bytes().all(|b| b.is_ascii_digit() || b == b',') && cell.matches(',').count() == 1;
    let cell = if separator != b',' && bare { cell.replace(',', ".") } else { cell.to_owned() };
    match heading.strip_suffix(']').and_then(|h| h.split_once('[')) {
        Some((name, unit)) if !cell.contains(char::is_whitespace) => {
            (name.trim().to_owned(), format!("{cell} {}", unit.trim()))
        }
        Some((name, _)) => (name.trim().to_owned(), cell),
        None => (heading.to_owned(), cell),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_in_the_heading_reach_the_values() {
        let text = "sample,procedure,m [mg]\nA1,vinegar-acidity,5023.1\nA1,vinegar-acidity,5.1 g\n";
        let rows = read_worklist(text).unwrap();
        assert_eq!(rows[0].values["m"], "5023.1 mg");
        assert_eq!(rows[1].values["m"], "5.1 g");
        assert_eq!((rows[1].line, rows[1].role), (3, Role::Sample));
    }

    #[test]
    fn a_semicolon_list_with_roles_and_positions_is_read() {
        let text = "\u{feff}Sample;Procedure;as;position;titrant\nB;x;blank;3;lot 7\n# a remark\nC;x;;;\n";
        let rows = read_worklist(text).unwrap();
        assert_eq!((rows[0].role, rows[0].position), (Role::Blank, Some(3)));
        assert_eq!(rows[0].titrant.as_deref(), Some("lot 7"));
        assert_eq!(rows[1].sample, "C");
    }

    #[test]
    fn mistakes_are_told_with_their_line() {
        assert!(read_worklist("sample,mass\nA,1\n").unwrap_err().contains("`procedure`"));
        let wrong = read_worklist("sample,procedure,as\nA,p,sample\nB,p,test\n").unwrap_err();
        assert!(wrong.contains("line 3") && wrong.contains("test"), "{wrong}");
        assert!(read_worklist("sample,procedure\n,p\n").unwrap_err().contains("line 2"));
        // Every line that is wrong is told at once.
        let many = read_worklist("sample,procedure,m\nA,p,1,5\nB,,2\nC,p\nD,p,3\n").unwrap_err();
        let lines: Vec<&str> = many.lines().collect();
        assert_eq!(lines.len(), 3, "{many}");
        assert!(lines[0].contains("line 2: 4 cells") && lines[0].contains("decimal commas"), "{many}");
        assert!(lines[1].contains("line 3: `procedure`") && lines[2].contains("line 4: 2 cells"), "{many}");
    }

    #[test]
    fn decimal_commas_are_understood_where_semicolons_part_the_cells() {
        let rows = read_worklist("sample;procedure;m [mg];n\nA;p;5023,1;1,2,3\n").unwrap();
        assert_eq!(rows[0].values["m"], "5023.1 mg");
        assert_eq!(rows[0].values["n"], "1,2,3", "no number, and told as none later");
    }
}
