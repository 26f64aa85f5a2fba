//! Files that a page asks for: reports, pictures, tables. Each is there whole or not at all, and none is ever replaced.

use crate::cli::command::export::{Format, What, tables, whole_file};
use crate::cli::command::list::{drawn, write_wire};
use crate::cli::command::report::{FormatWord, bytes_of, chart_report, report_of};
use crate::cli::command::series::overlaid;
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::desk::{Answer, FileKind, FileOf, FileWish};
use crate::export::Placed;
use crate::report::picture::{ChartPoint, Picture, chart, png};
use crate::report::{Chart, Paper, Subject};
use crate::store::{Reader, Selection};
use crate::work::{Procedure, RunId, trends};
use std::io::Write;
use std::path::{Path, PathBuf};

/// So many series at the beginning set the lines of a control chart.
const FIRST: usize = 20;

/// Writes the file and says where it is.
pub(super) fn write(settings: &Settings, reader: &Reader, wish: &FileWish) -> Result<Answer, Fault> {
    let path = place(wish)?;
    let what = match wish.kind {
        FileKind::Pdf | FileKind::PdfLetter | FileKind::Html | FileKind::Text => {
            let (id, bytes) = report(settings, reader, wish)?;
            put(&path, &bytes)?;
            format!("report {id}")
        }
        FileKind::Svg | FileKind::Png => {
            let svg = picture(settings, reader, &wish.of)?.svg().map_err(Fault::misuse)?;
            let bytes = match wish.kind {
                FileKind::Png => png(&svg).map_err(Fault::misuse)?,
                _ => svg.svg.into_bytes(),
            };
            put(&path, &bytes)?;
            format!("picture of {}", wish.of.words())
        }
        FileKind::Wire => {
            let FileOf::Run(run) = wish.of else { return Err(no_such_file(wish)) };
            let chunks = write_wire(reader, &reader.run(run)?, &path)?;
            format!("what the instrument sent ({chunks} chunks)")
        }
        FileKind::Whole => {
            let runs = runs(reader, wish)?;
            let rows = whole_file(settings, Some(&runs), Placed::begin(&path, false)?)?;
            format!("all of {} ({rows} rows)", wish.of.words())
        }
        kind => {
            let format = match kind {
                FileKind::Spreadsheet => (Format::Xlsx, None),
                FileKind::Results => (Format::Csv, Some(What::Results)),
                FileKind::Portions => (Format::Csv, Some(What::Portions)),
                FileKind::Points => (Format::Csv, Some(What::Points)),
                FileKind::ResultColumns => (Format::Parquet, Some(What::Results)),
                FileKind::PointColumns => (Format::Parquet, Some(What::Points)),
                _ => (Format::Jsonl, None),
            };
            tables(reader, &runs(reader, wish)?, format, Placed::begin(&path, false)?, |_| {})?;
            format!("tables of {}", wish.of.words())
        }
    };
    Ok(Answer::Written(format!("written to {}: {what}", path.display())))
}

/// The place of the file; its folder is made where it is missing.
fn place(wish: &FileWish) -> Result<PathBuf, Fault> {
    let folder = match wish.folder.strip_prefix("~/") {
        Some(rest) => std::env::home_dir().unwrap_or_default().join(rest),
        None => PathBuf::from(&wish.folder),
    };
    std::fs::create_dir_all(&folder)
        .map_err(|e| Fault::misuse(format!("the folder {} cannot be made: {e}", folder.display())))?;
    let folder = std::path::absolute(&folder).unwrap_or(folder);
    let path = folder.join(&wish.name);
    if !path.exists() {
        return Ok(path);
    }
    let (stem, ending) = wish.name.rsplit_once('.').unwrap_or((&wish.name, ""));
    let free =
        (2..1_000).map(|n| format!("{stem}-{n}")).find(|n| !folder.join(format!("{n}.{ending}")).exists());
    let free = free.map_or_else(String::new, |name| format!("; {name} is free"));
    Err(Fault::misuse(format!("nothing is written{free}: {} is there already and stays", path.display())))
}

fn no_such_file(wish: &FileWish) -> Fault {
    Fault::misuse(format!("there is no {} of {}", wish.kind.words(), wish.of.words()))
}

/// Writes a file whole or not at all.
fn put(path: &Path, bytes: &[u8]) -> Result<(), Fault> {
    let placed = Placed::begin(path, false)?;
    let mut file = placed.open()?;
    let fail = |e: std::io::Error| Fault::misuse(format!("{} cannot be written: {e}", path.display()));
    file.write_all(bytes).and_then(|()| file.flush()).map_err(fail)?;
    drop(file);
    Ok(placed.place()?)
}

/// The runs of a file of tables.
fn runs(reader: &Reader, wish: &FileWish) -> Result<Vec<RunId>, Fault> {
    match &wish.of {
        FileOf::Run(run) => Ok(vec![*run]),
        FileOf::Runs(runs) => Ok(runs.clone()),
        FileOf::Series(series) => {
            Ok(reader.select(&Selection { series: Some(series.clone()), ..Selection::default() })?)
        }
        _ => Err(no_such_file(wish)),
    }
}

/// A report: its name and its bytes.
fn report(settings: &Settings, reader: &Reader, wish: &FileWish) -> Result<(String, Vec<u8>), Fault> {
    let (format, paper) = match wish.kind {
        FileKind::Pdf => (FormatWord::Pdf, Paper::A4),
        FileKind::PdfLetter => (FormatWord::Pdf, Paper::Letter),
        FileKind::Html => (FormatWord::Html, Paper::A4),
        _ => (FormatWord::Text, Paper::A4),
    };
    let carries = format != FormatWord::Text;
    let (gathered, evidence) = match &wish.of {
        FileOf::Run(run) => report_of(settings, reader, &Subject::Run(*run), carries)?,
        FileOf::Series(series) => report_of(settings, reader, &Subject::Series(series.clone()), carries)?,
        of => {
            let chart = chart_named(of).transpose()?.ok_or_else(|| no_such_file(wish))?;
            let (gathered, evidence, _) = chart_report(settings, reader, &chart, carries)?;
            (gathered, evidence)
        }
    };
    let attachments = evidence.map(|evidence| evidence.attachments).unwrap_or_default();
    let bytes = bytes_of(&gathered.document, &attachments, format, paper)?;
    Ok((gathered.document.id, bytes))
}

/// The chart that reports know by this; none where there is none.
fn chart_named(of: &FileOf) -> Option<Result<Chart, Fault>> {
    Some(match of {
        FileOf::Control(_, text) => Procedure::read("of the control", text)
            .map(|procedure| Chart::Control { procedure: Box::new(procedure), first: FIRST, s: None })
            .map_err(|text| Fault { text, exit: Exit::Definition }),
        FileOf::Electrode(name) => Ok(Chart::Electrode(name.clone())),
        FileOf::Titrant(lot) => Ok(Chart::Titrant(lot.clone())),
        _ => return None,
    })
}

fn picture(settings: &Settings, reader: &Reader, of: &FileOf) -> Result<Picture, Fault> {
    match of {
        FileOf::Run(run) => drawn(&reader.run(*run)?),
        FileOf::Series(series) => overlaid(reader, series, &reader.series(series)?, None),
        FileOf::Trend(title, group) => {
            let all = trends(&reader.fits(super::looks::LISTED)?);
            let trend =
                all.iter().find(|t| super::looks::trend_title(t) == *title && t.group.words() == *group);
            let trend = trend.ok_or_else(|| Fault::misuse(format!("there is no {title} any more")))?;
            let points: Vec<ChartPoint> =
                trend.values.iter().map(|(_, value)| ChartPoint { value: *value, told: false }).collect();
            chart(title, &trend.unit, &points, Vec::new()).map_err(Fault::misuse)
        }
        of => {
            let chart = chart_named(of)
                .transpose()?
                .ok_or_else(|| Fault::misuse(format!("there is no picture of {}", of.words())))?;
            let (_, _, pictures) = chart_report(settings, reader, &chart, false)?;
            pictures.into_iter().next().ok_or_else(|| Fault::misuse("there is no picture"))
        }
    }
}
