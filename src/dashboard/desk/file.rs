//! Files that a person takes out of the record: what they are of, what is in them, where they go.

use crate::work::RunId;

/// What a file is of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FileOf {
    /// One run.
    Run(RunId),
    /// Several runs.
    Runs(Vec<RunId>),
    /// A series.
    Series(String),
    /// The control chart of a procedure: its title and its text.
    Control(String, String),
    /// The trend of what fits found: the title of its chart, and the runs that are compared in words.
    Trend(String, String),
    /// The trend of an electrode over its checks.
    Electrode(String),
    /// The trend of a lot of titrant over its factors.
    Titrant(String),
}

impl FileOf {
    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Run(run) => format!("run {run}"),
            Self::Runs(runs) => format!("{} runs", runs.len()),
            Self::Series(name) => format!("series {name}"),
            Self::Control(title, _) => format!("control chart of {title}"),
            Self::Trend(title, _) => title.clone(),
            Self::Electrode(name) => format!("electrode {name}"),
            Self::Titrant(lot) => format!("titrant {lot}"),
        }
    }

    /// A name for the file, without its ending: letters, digits and hyphens.
    #[must_use]
    pub fn stem(&self) -> String {
        let mut stem = String::new();
        for c in self.words().chars().take(60) {
            match c {
                c if c.is_alphanumeric() => stem.push(c),
                _ if stem.ends_with('-') => {}
                _ => stem.push('-'),
            }
        }
        stem.trim_matches('-').to_owned()
    }
}

/// What is in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FileKind {
    /// A report for print and archive, 210 mm by 297 mm.
    Pdf,
    /// The same, 8.5 in by 11 in.
    PdfLetter,
    /// A report as one page for a browser.
    Html,
    /// A report as plain lines.
    Text,
    /// A picture of lines.
    Svg,
    /// A picture of pixels.
    Png,
    /// Results, portions and points, a sheet each.
    Spreadsheet,
    /// A row for each result.
    Results,
    /// A row for each portion.
    Portions,
    /// A row for each point.
    Points,
    /// All rows, an object a line.
    Objects,
    /// Results by columns.
    ResultColumns,
    /// Points by columns.
    PointColumns,
    /// Everything that belongs to the runs, for an import.
    Whole,
    /// What the instrument sent.
    Wire,
}

impl FileKind {
    /// All, in the order of choosing.
    pub const ALL: [Self; 15] = [
        Self::Pdf,
        Self::PdfLetter,
        Self::Html,
        Self::Text,
        Self::Svg,
        Self::Png,
        Self::Spreadsheet,
        Self::Results,
        Self::Portions,
        Self::Points,
        Self::Objects,
        Self::ResultColumns,
        Self::PointColumns,
        Self::Whole,
        Self::Wire,
    ];

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Pdf => "report, PDF on A4",
            Self::PdfLetter => "report, PDF on letter paper",
            Self::Html => "report, HTML page",
            Self::Text => "report, plain text",
            Self::Svg => "picture, SVG",
            Self::Png => "picture, PNG",
            Self::Spreadsheet => "tables, spreadsheet XLSX",
            Self::Results => "table of results, CSV",
            Self::Portions => "table of portions, CSV",
            Self::Points => "table of points, CSV",
            Self::Objects => "tables, JSON Lines",
            Self::ResultColumns => "table of results, Parquet",
            Self::PointColumns => "table of points, Parquet",
            Self::Whole => "all that belongs to it, for import",
            Self::Wire => "what the instrument sent, capture",
        }
    }

    /// The ending of the name of such a file.
    #[must_use]
    pub const fn ending(self) -> &'static str {
        match self {
            Self::Pdf | Self::PdfLetter => "pdf",
            Self::Html => "html",
            Self::Text => "txt",
            Self::Svg => "svg",
            Self::Png => "png",
            Self::Spreadsheet => "xlsx",
            Self::Results | Self::Portions | Self::Points => "csv",
            Self::Objects | Self::Whole => "jsonl",
            Self::ResultColumns | Self::PointColumns => "parquet",
            Self::Wire => "capture",
        }
    }

    /// Whether there is such a file of this.
    #[must_use]
    pub const fn fits(self, of: &FileOf) -> bool {
        let is_report = matches!(self, Self::Pdf | Self::PdfLetter | Self::Html | Self::Text);
        let is_picture = matches!(self, Self::Svg | Self::Png);
        match of {
            FileOf::Run(_) => true,
            FileOf::Series(_) => !matches!(self, Self::Wire),
            FileOf::Runs(_) => !(is_report || is_picture || matches!(self, Self::Wire)),
            FileOf::Control(..) | FileOf::Electrode(_) | FileOf::Titrant(_) => is_report || is_picture,
            FileOf::Trend(..) => is_picture,
        }
    }
}

/// A file to be written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileWish {
    /// What it is of.
    pub of: FileOf,
    /// What is in it.
    pub kind: FileKind,
    /// The folder; made where it is missing.
    pub folder: String,
    /// The name with its ending; a file that is there is not replaced.
    pub name: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_for_a_file_holds_nothing_that_leads_elsewhere() {
        assert_eq!(FileOf::Run(12).stem(), "run-12");
        assert_eq!(FileOf::Series("../x/ monday 2".to_owned()).stem(), "series-x-monday-2");
        assert_eq!(FileOf::Titrant("\u{202e}lot\\7".to_owned()).stem(), "titrant-lot-7");
    }

    #[test]
    fn everything_has_a_file_and_no_list_has_a_report() {
        let all = [
            FileOf::Run(1),
            FileOf::Runs(vec![1]),
            FileOf::Series("s".to_owned()),
            FileOf::Control("p".to_owned(), String::new()),
            FileOf::Trend("t".to_owned(), String::new()),
            FileOf::Electrode("e".to_owned()),
            FileOf::Titrant("t".to_owned()),
        ];
        assert!(all.iter().all(|of| FileKind::ALL.iter().any(|kind| kind.fits(of))));
        assert!(!FileKind::Pdf.fits(&all[1]) && FileKind::Whole.fits(&all[1]));
    }
}
