//! `dropwise list` and `dropwise show`: what is in the record.

use crate::cli::outcome::portion_lines;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::detector::{EndPoint, evaluate};
use crate::reading::Curve;
use crate::report::picture::{self, Picture};
use crate::source::capture::{CaptureHeader, CaptureWriter, Captured};
use crate::store::{Reader, RunRow, StoredRun};
use crate::work::Procedure;
use clap::Args;
use serde_json::json;
use std::path::PathBuf;

/// Arguments of `list`.
#[derive(Debug, Args)]
pub struct ListArgs {
    /// At most so many runs, the newest first
    #[arg(long, default_value_t = 50)]
    most: usize,
    /// One JSON object a line and a run
    #[arg(long)]
    json: bool,
}

/// Arguments of `show`.
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// The number of the run, as `dropwise list` shows it
    run: i64,
    /// One JSON object
    #[arg(long)]
    json: bool,
    /// Two reckonings of the run side by side, with what changed and by how much
    #[arg(long, value_name = "A,B", value_delimiter = ',', num_args = 1, conflicts_with = "wire")]
    compare: Vec<i64>,
    /// Write what the instrument sent to a capture file, which `dropwise replay` plays again
    #[arg(long, value_name = "FILE")]
    wire: Option<PathBuf>,
    /// Draw the curve with its fit, its steepness and the residuals to a file, SVG or PNG by its ending
    #[arg(long, value_name = "FILE", conflicts_with_all = ["wire", "compare"])]
    picture: Option<PathBuf>,
}

fn unwritable(e: std::io::Error) -> Fault {
    Fault { text: format!("the output cannot be written: {e}"), exit: Exit::OwnFault }
}

/// Time of day of the place, to the second.
pub(super) fn local_time(utc_us: i64) -> String {
    jiff::Timestamp::from_microsecond(utc_us).map_or_else(
        |_| "at an unknown time".to_owned(),
        |t| t.to_zoned_datetime(jiff::tz::TimeZone::system()).strftime("%Y-%m-%d %H:%M:%S").to_string(),
    )
}

impl ListArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let runs = Reader::open(&settings.record)?.runs(self.most)?;
        for run in &runs {
            let text = if self.json { list_json(run) } else { list_text(run) };
            output.line(&text).map_err(unwritable)?;
        }
        if runs.is_empty() && !self.json {
            output.line("no runs yet").map_err(unwritable)?;
        }
        Ok(Exit::Done)
    }
}

fn fate(run: &RunRow) -> String {
    match (&run.set_aside, &run.ended) {
        (Some(reason), _) => format!("set aside: {reason}"),
        (None, Some(why)) => why.clone(),
        (None, None) => "cut off, or still going on".to_owned(),
    }
}

fn list_text(run: &RunRow) -> String {
    let unit = run.titrant.unit().symbol();
    let end_points: Vec<String> = run.end_points.iter().map(|(v, _)| format!("{v:.3} {unit}")).collect();
    let end_points = if end_points.is_empty() { "no end-point".to_owned() } else { end_points.join(", ") };
    visible(&format!(
        "{:>5}  {}  {}  {}  {}/{}  {}  {}  {}",
        run.run,
        local_time(run.started_utc_us),
        run.title,
        if run.sample.is_empty() { "-" } else { &run.sample },
        run.portion,
        run.portions,
        run.origin.word(),
        end_points,
        fate(run)
    ))
}

fn list_json(run: &RunRow) -> String {
    let started = jiff::Timestamp::from_microsecond(run.started_utc_us).map(|t| t.to_string()).ok();
    let suffix = run.titrant.unit().symbol();
    json!({
        "run": run.run,
        "started": started,
        "title": run.title,
        "sample": run.sample,
        "portion": run.portion,
        "portions": run.portions,
        "origin": run.origin.word(),
        format!("end_points_{suffix}"): run.end_points.iter().map(|(v, _)| v).collect::<Vec<_>>(),
        "ended": run.ended,
        "set_aside": run.set_aside,
    })
    .to_string()
}

impl ShowArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the record cannot be read, holds no such run, or the capture cannot be written.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let reader = Reader::open(&settings.record)?;
        let run = reader.run(self.run)?;
        if !self.compare.is_empty() {
            let text = super::compare::compare(&reader, &run, &self.compare, self.json)?;
            output.line(&text).map_err(unwritable)?;
            return Ok(Exit::Done);
        }
        if let Some(path) = &self.picture {
            drawn(&run)?.svg().and_then(|drawn| picture::write(path, &drawn)).map_err(Fault::misuse)?;
            output.line(&format!("picture written to {}", path.display())).map_err(unwritable)?;
            return Ok(Exit::Done);
        }
        if let Some(path) = &self.wire {
            let chunks = write_wire(&reader, &run, path)?;
            output.line(&format!("{chunks} chunks written to {}", path.display())).map_err(unwritable)?;
            return Ok(Exit::Done);
        }
        let text = if self.json {
            let mut object = serde_json::to_value(&run).map_err(|e| unwritable(e.into()))?;
            let result = reader.result(self.run)?.map(|kept| kept.it);
            let choice = reader.choice_of_reckoning(self.run)?;
            object["choice"] = serde_json::to_value(&choice).map_err(|e| unwritable(e.into()))?;
            object["result"] = serde_json::to_value(&result).map_err(|e| unwritable(e.into()))?;
            object.to_string()
        } else {
            let mut text = show_text(&run);
            if let Some(kept) = reader.result(self.run)? {
                for line in portion_lines(&kept.it) {
                    text += &format!("\n{}", visible(&line));
                }
            }
            let all = reader.reckonings(self.run)?;
            for (n, (id, found)) in all.iter().enumerate().filter(|_| all.len() > 1) {
                let reported = run.reckoning == Some(*id);
                text += &reckoned_again(*id, found, run.row.titrant.unit().symbol(), n == 0, reported);
            }
            if let Some(choice) = reader.choice_of_reckoning(self.run)? {
                text += &format!(
                    "\nchosen     {} by {}: {}",
                    local_time(choice.utc_us),
                    visible(&choice.who),
                    visible(&choice.why)
                );
            }
            text
        };
        output.line(&text).map_err(unwritable)?;
        Ok(Exit::Done)
    }
}

fn show_text(run: &StoredRun) -> String {
    let unit = run.row.titrant.unit().symbol();
    let signal = run.head.curve.signal.map_or("", |(_, unit)| unit.symbol());
    let mut lines = vec![
        format!("run        {}  {}", run.row.run, run.row.title),
        format!("sample     {}  portion {} of {}", run.row.sample, run.row.portion, run.row.portions),
        format!("started    {}  by {}", local_time(run.row.started_utc_us), run.who),
        format!("ended      {}", fate(&run.row)),
        format!("origin     {}", run.row.origin.word()),
    ];
    if !run.row.origin.is_real() {
        lines
            .push(format!("           {}: not the result of a sample", run.row.origin.word().to_uppercase()));
    }
    for line in &run.lines {
        lines.push(format!("instrument {} at {}", line.instrument, line.port));
        lines.push(format!("profile    sha256 {}", line.profile_hash));
    }
    lines.extend(run.head.plan.mass_g.map(|mass| format!("mass       {mass} g")));
    lines.extend(run.head.plan.values.iter().map(|(name, text)| format!("typed      {name} = {text}")));
    lines.extend(run.head.plan.weighed.as_ref().map(|words| format!("weighed    {words}")));
    lines.push(format!("points     {}", run.points.len()));
    for change in &run.changes {
        lines.push(format!(
            "watch      {} at {:.4} {unit}  ({})",
            change.state.word(),
            change.titrant,
            change.because
        ));
    }
    for finding in &run.findings {
        let u = finding.u.map_or_else(|| "not known".to_owned(), |u| format!("{u:.4} {unit}"));
        let at = finding.signal.map_or_else(String::new, |s| format!("  at {s:.3} {signal}"));
        lines.push(format!(
            "end-point  {:.4} {unit}  standard uncertainty {u}{at}  ({})",
            finding.titrant, finding.method
        ));
    }
    lines.extend(run.warnings.iter().map(|w| format!("warning    {w}")));
    lines.extend(run.notes.iter().map(|(t, text)| format!("note       {t:.1} s  {text}")));
    lines.iter().map(|line| visible(line)).collect::<Vec<_>>().join("\n")
}

/// A line for each evaluation, where there are several.
fn reckoned_again(id: i64, found: &[EndPoint], unit: &str, first: bool, reported: bool) -> String {
    let volumes: Vec<String> = found.iter().map(|e| format!("{:.4} {unit}", e.titrant)).collect();
    let volumes = if volumes.is_empty() { "no end-point".to_owned() } else { volumes.join(", ") };
    let word = if first { "first" } else { "again" };
    let mark = if reported { "  REPORTED" } else { "" };
    format!("\nreckoned   {word} (reckoning {id}): {volumes}{mark}")
}

/// The curve of a stored run; its end-points are those of the record, the fit is made again.
///
/// # Errors
/// When its procedure cannot be read, or there is nothing to draw.
pub(in crate::cli) fn drawn(run: &StoredRun) -> Result<Picture, Fault> {
    let curve = Curve { head: run.head.curve, points: run.points.clone() };
    let looks = match run.head.plan.procedure.as_str() {
        "" => Vec::new(),
        text => Procedure::read("of the run", text)
            .map_err(|text| Fault { text, exit: Exit::Definition })?
            .looks(),
    };
    let mut evaluation = evaluate(&curve, &looks.into_iter().next().unwrap_or_default());
    evaluation.end_points.clone_from(&run.findings);
    picture::curve(&format!("run {} {}", run.row.run, run.row.sample), &curve, &evaluation, true)
        .map_err(Fault::misuse)
}

/// The wire of the first instrument of a run as a capture file; an existing file is not overwritten.
///
/// # Errors
/// When the record cannot be read, or the file is there or cannot be written.
pub(in crate::cli) fn write_wire(
    reader: &Reader,
    run: &StoredRun,
    path: &std::path::Path,
) -> Result<usize, Fault> {
    let fail = |e: std::io::Error| {
        Fault::misuse(format!("the capture {} cannot be written: {e}; name a new file", path.display()))
    };
    let file = std::fs::File::create_new(path).map_err(fail)?;
    let Some(line) = run.lines.first() else { return Ok(0) };
    let header = CaptureHeader {
        title: Some(format!("run {} of {}", run.row.run, line.instrument)),
        port: Some(line.port.clone()),
        started: jiff::Timestamp::from_microsecond(run.row.started_utc_us).ok(),
        ..CaptureHeader::default()
    };
    let mut writer = CaptureWriter::new(std::io::BufWriter::new(file), &header).map_err(fail)?;
    let mut chunks = 0;
    let mut failure = None;
    reader.wire(line.line_id, |chunk| {
        let what = if chunk.incoming { Captured::In(chunk.bytes) } else { Captured::Out(chunk.bytes) };
        match writer.write(chunk.at.seconds(), &what) {
            Ok(()) => chunks += 1,
            Err(e) => failure = Some(e),
        }
    })?;
    failure.map_or(Ok(chunks), |e| Err(fail(e)))
}
