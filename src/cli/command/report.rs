//! `dropwise report`: what leaves the bench on paper, for runs, series, control samples, electrodes and titrants.

use crate::cli::attach::own_caller;
use crate::cli::bench::procedure;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::report::picture::{self, Picture};
use crate::report::{
    Attachment, Chart, Document, Evidence, Gathered, Paper, Subject, chart_of, gather, header, html, pdf,
    text,
};
use crate::store::Reader;
use clap::{Args, ValueEnum};
use std::path::{Path, PathBuf};

/// Arguments of `report`.
#[derive(Debug, Args)]
pub struct ReportArgs {
    /// A run by its number, or a series by its name
    #[arg(value_name = "RUN|SERIES", required_unless_present_any = ["series", "control", "electrode", "titrant"])]
    subject: Option<String>,
    /// A series, also one whose name is a number
    #[arg(long, value_name = "NAME", conflicts_with = "subject")]
    series: Option<String>,
    /// The control chart of a procedure
    #[arg(long, value_name = "PROCEDURE", conflicts_with_all = ["subject", "series"])]
    control: Option<String>,
    /// The trend of an electrode over its checks
    #[arg(long, value_name = "NAME", conflicts_with_all = ["subject", "series", "control"])]
    electrode: Option<String>,
    /// The trend of a titrant over its factors
    #[arg(long, value_name = "LOT", conflicts_with_all = ["subject", "series", "control", "electrode"])]
    titrant: Option<String>,
    /// With --control: so many series at the beginning set the lines
    #[arg(long, default_value_t = 20, requires = "control")]
    first: usize,
    /// With --control: standard deviation of the procedure in the unit of the result, from validation
    #[arg(long, value_name = "S", requires = "control")]
    s: Option<f64>,
    /// Write to this file, in the format that its ending says; without it text goes to the terminal
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// The format, where the ending does not say it
    #[arg(long)]
    format: Option<FormatWord>,
    /// The paper of a PDF
    #[arg(long, default_value = "a4")]
    paper: PaperWord,
    /// What is stated, as one JSON object
    #[arg(long)]
    json: bool,
}

/// Formats as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(in crate::cli) enum FormatWord {
    /// For print and archive; carries its evidence
    Pdf,
    /// One file for a browser; carries its evidence
    Html,
    /// Plain lines
    Text,
    /// The picture alone, of a chart
    Svg,
    /// The picture alone, of a chart
    Png,
}

/// Papers as typed.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum PaperWord {
    /// 210 mm by 297 mm
    A4,
    /// 8.5 in by 11 in
    Letter,
}

impl From<PaperWord> for Paper {
    fn from(word: PaperWord) -> Self {
        match word {
            PaperWord::A4 => Self::A4,
            PaperWord::Letter => Self::Letter,
        }
    }
}

impl From<crate::report::Error> for Fault {
    fn from(error: crate::report::Error) -> Self {
        match error {
            crate::report::Error::Record(error) => error.into(),
            crate::report::Error::Words(words) => Self::misuse(words),
        }
    }
}

/// When a report is said to be made: now, or at the time that SOURCE_DATE_EPOCH gives, so that the same record can
/// give the same bytes again.
fn made_utc_us() -> i64 {
    let given = std::env::var("SOURCE_DATE_EPOCH").ok().and_then(|text| text.parse::<i64>().ok());
    given.map_or_else(|| jiff::Timestamp::now().as_microsecond(), |s| s.saturating_mul(1_000_000))
}

/// The report on runs, with what it rests on where that is wanted.
pub(in crate::cli) fn report_of(
    settings: &Settings,
    reader: &Reader,
    subject: &Subject,
    with_evidence: bool,
) -> Result<(Gathered, Option<Evidence>), Fault> {
    let header = header(&settings.configuration).map_err(Fault::misuse)?;
    let who = own_caller(settings).who();
    let gathered = gather(reader, subject, header, (made_utc_us(), &who))?;
    let evidence = if with_evidence { Some(Evidence::of(reader, &gathered)?) } else { None };
    Ok((gathered, evidence))
}

/// The report on a chart, with what it rests on where that is wanted, and its pictures.
pub(in crate::cli) fn chart_report(
    settings: &Settings,
    reader: &Reader,
    chart: &Chart,
    with_evidence: bool,
) -> Result<(Gathered, Option<Evidence>, Vec<Picture>), Fault> {
    let header = header(&settings.configuration).map_err(Fault::misuse)?;
    let who = own_caller(settings).who();
    let (gathered, pictures) = chart_of(reader, chart, header, (made_utc_us(), &who))?;
    let evidence = if with_evidence { Some(Evidence::of(reader, &gathered)?) } else { None };
    Ok((gathered, evidence, pictures))
}

/// A report in one of its formats.
pub(in crate::cli) fn bytes_of(
    document: &Document,
    attachments: &[Attachment],
    format: FormatWord,
    paper: Paper,
) -> Result<Vec<u8>, Fault> {
    let own = |text: String| Fault { text, exit: Exit::OwnFault };
    Ok(match format {
        FormatWord::Pdf => pdf(document, attachments, paper).map_err(own)?,
        FormatWord::Html => html(document, attachments).map_err(own)?.into_bytes(),
        _ => text(document).into_bytes(),
    })
}

impl ReportArgs {
    /// Runs the command; exit code 1 when a result is outside its limits.
    ///
    /// # Errors
    /// When the record has no such thing, or the file cannot be written.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let format = self.format()?;
        let reader = Reader::open(&settings.record)?;
        let carries = self.json || matches!(format, FormatWord::Pdf | FormatWord::Html);
        if let Some(chart) = self.chart(settings)? {
            let (gathered, evidence, pictures) = chart_report(settings, &reader, &chart, carries)?;
            if let (FormatWord::Svg | FormatWord::Png, Some(path)) = (format, &self.output) {
                let Some(first) = pictures.first() else { return Err(Fault::misuse("there is no picture")) };
                let drawn = first.svg().map_err(Fault::misuse)?;
                picture::write(path, &drawn).map_err(Fault::misuse)?;
                output.line(&format!("picture written to {}", path.display()))?;
                return Ok(Exit::Done);
            }
            return self.given_out(&gathered, evidence, format, output);
        }
        if matches!(format, FormatWord::Svg | FormatWord::Png) {
            return Err(Fault::misuse(
                "pictures of runs and series are drawn with `dropwise show RUN --picture FILE` and `dropwise series NAME --picture FILE`",
            ));
        }
        let (gathered, evidence) = report_of(settings, &reader, &self.subject()?, carries)?;
        self.given_out(&gathered, evidence, format, output)
    }

    /// Writes a report with what it carries; the summary goes to standard output where that was asked for.
    fn given_out(
        &self,
        gathered: &Gathered,
        evidence: Option<Evidence>,
        format: FormatWord,
        output: &mut Output,
    ) -> Result<Exit, Fault> {
        if let Some(evidence) = evidence.as_ref().filter(|_| self.json) {
            let text = serde_json::to_string(&evidence.summary)
                .map_err(|e| Fault { text: e.to_string(), exit: Exit::OwnFault })?;
            output.line(&text)?;
        }
        let attachments = evidence.map(|evidence| evidence.attachments).unwrap_or_default();
        self.write(&gathered.document, &attachments, format, output)?;
        Ok(if gathered.outside { Exit::OutsideLimits } else { Exit::Done })
    }

    fn chart(&self, settings: &Settings) -> Result<Option<Chart>, Fault> {
        Ok(match (&self.control, &self.electrode, &self.titrant) {
            (Some(name), _, _) => {
                let (procedure, _) = procedure(name, settings)?;
                Some(Chart::Control { procedure: Box::new(procedure), first: self.first, s: self.s })
            }
            (None, Some(name), _) => Some(Chart::Electrode(name.clone())),
            (None, None, Some(lot)) => Some(Chart::Titrant(lot.clone())),
            (None, None, None) => None,
        })
    }

    fn subject(&self) -> Result<Subject, Fault> {
        match (&self.series, &self.subject) {
            (Some(series), _) => Ok(Subject::Series(series.clone())),
            (None, Some(text)) => {
                Ok(text.parse().map_or_else(|_| Subject::Series(text.clone()), Subject::Run))
            }
            (None, None) => Err(Fault::misuse("name a run or a series")),
        }
    }

    fn format(&self) -> Result<FormatWord, Fault> {
        if let Some(format) = self.format {
            if self.output.is_none() && format != FormatWord::Text {
                return Err(Fault::misuse("a PDF, a page or a picture needs a file: name it with -o FILE"));
            }
            return Ok(format);
        }
        let Some(path) = &self.output else { return Ok(FormatWord::Text) };
        match path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase).as_deref() {
            Some("pdf") => Ok(FormatWord::Pdf),
            Some("html" | "htm") => Ok(FormatWord::Html),
            Some("txt") => Ok(FormatWord::Text),
            Some("svg") => Ok(FormatWord::Svg),
            Some("png") => Ok(FormatWord::Png),
            _ => Err(Fault::misuse(format!(
                "{}: a report ends in .pdf, .html or .txt; or say what it is with --format",
                path.display()
            ))),
        }
    }

    fn write(
        &self,
        document: &Document,
        attachments: &[Attachment],
        format: FormatWord,
        output: &mut Output,
    ) -> Result<(), Fault> {
        let bytes = bytes_of(document, attachments, format, self.paper.into())?;
        match &self.output {
            None if self.json => {}
            None => output.line(String::from_utf8_lossy(&bytes).trim_end())?,
            Some(path) => {
                put(path, &bytes)?;
                if !self.json {
                    output.line(&format!("report {} written to {}", document.id, path.display()))?;
                }
            }
        }
        Ok(())
    }
}

/// Writes a file whole or not at all.
fn put(path: &Path, bytes: &[u8]) -> Result<(), Fault> {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(".part");
    let part = path.with_file_name(name);
    std::fs::write(&part, bytes).and_then(|()| std::fs::rename(&part, path)).map_err(|e| {
        Fault::misuse(format!(
            "{} cannot be written: {e}; check the folder and its permissions",
            path.display()
        ))
    })
}
