//! `dropwise series`: series in the record, what they come to, and the acceptance of a result.

use crate::cli::enter::enter;
use crate::cli::outcome::series_lines;
use crate::cli::output::Output;
use crate::cli::typed::utc;
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::reading::Curve;
use crate::report::picture::{self, Overlaid, Picture, overlay};
use crate::store::{Reader, StoredPortion};
use crate::work::result::{NextStep, SeriesPortion, SeriesResult, judge};
use crate::work::{Document, Origin, Procedure, Role, acceptance, kind};
use clap::Args;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Arguments of `series`.
#[derive(Debug, Args)]
pub struct SeriesArgs {
    /// The series; without one all are listed
    series: Option<String>,
    /// Accept what this sample came to, once the series passes; simulated runs are accepted as practice only
    #[arg(long, value_name = "SAMPLE", requires = "series")]
    accept: Option<String>,
    /// Something to say about it
    #[arg(long, default_value = "")]
    reason: String,
    /// Draw the curves of the series over each other to a file, SVG or PNG by its ending; --sample chooses a sample
    #[arg(long, value_name = "FILE", requires = "series", conflicts_with = "accept")]
    picture: Option<PathBuf>,
    /// With --picture: only this sample
    #[arg(long, requires = "picture")]
    sample: Option<String>,
    /// One JSON object a line
    #[arg(long)]
    json: bool,
}

/// Series that are listed.
const LISTED: usize = 100;

impl SeriesArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the record cannot be read or there is no such series.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let reader = Reader::open(&settings.record)?;
        let Some(series) = &self.series else { return self.list(&reader, output) };
        let portions = reader.series(series)?;
        if portions.is_empty() {
            let known: Vec<String> = reader.series_list(5)?.into_iter().map(|row| row.series).collect();
            return Err(Fault::misuse(format!(
                "there is no series \"{series}\"; the latest are: {}",
                known.join(", ")
            )));
        }
        if let Some(path) = &self.picture {
            overlaid(&reader, series, &portions, self.sample.as_deref())?
                .svg()
                .and_then(|drawn| picture::write(path, &drawn))
                .map_err(Fault::misuse)?;
            output.line(&format!("picture written to {}", path.display()))?;
            return Ok(Exit::Done);
        }
        let mut exit = Exit::Done;
        for ((role, sample), group) in groups(&portions) {
            if role == Role::Blank {
                self.blanks(&group, output)?;
                continue;
            }
            let (_, result) = judged(&group)?;
            if matches!(result.next, NextStep::Failed { .. }) || result.findings.iter().any(|f| !f.passes) {
                exit = Exit::OutsideLimits;
            }
            self.tell(series, role, &sample, &group, &result, output)?;
        }
        match &self.accept {
            Some(sample) => self.accept(series, sample, &portions, settings, output),
            None => Ok(exit),
        }
    }

    fn list(&self, reader: &Reader, output: &mut Output) -> Result<Exit, Fault> {
        let rows = reader.series_list(LISTED)?;
        for row in &rows {
            let started = utc(row.started_utc_us);
            if self.json {
                let object = serde_json::json!({
                    "series": row.series, "title": row.title, "runs": row.runs, "started": started,
                });
                output.line(&object.to_string())?;
            } else {
                output.line(&visible(&format!(
                    "{started}  {}  {} runs  {}",
                    row.series, row.runs, row.title
                )))?;
            }
        }
        if rows.is_empty() && !self.json {
            output.line("no series yet")?;
        }
        Ok(Exit::Done)
    }

    fn blanks(&self, group: &[StoredPortion], output: &mut Output) -> Result<(), Fault> {
        for portion in group {
            let p = &portion.portion;
            let fate = p.set_aside.as_ref().map_or_else(String::new, |why| format!("  set aside: {why}"));
            if self.json {
                let object =
                    serde_json::json!({ "role": "blank", "run": p.run, "missing": p.result.missing });
                output.line(&object.to_string())?;
            } else {
                let missing = p.result.missing.join("; ");
                output.line(&visible(&format!("blank    run {}  {missing}{fate}", p.run)))?;
            }
        }
        Ok(())
    }

    fn tell(
        &self,
        series: &str,
        role: Role,
        sample: &str,
        group: &[StoredPortion],
        result: &SeriesResult,
        output: &mut Output,
    ) -> Result<(), Fault> {
        if self.json {
            let portions: Vec<&SeriesPortion> = group.iter().map(|p| &p.portion).collect();
            let object = serde_json::json!({
                "series": series, "role": role, "sample": sample, "origin": origin_of(group).word(),
                "portions": portions, "result": result,
            });
            output.line(&object.to_string())?;
            return Ok(());
        }
        let name = if sample.is_empty() { "not named" } else { sample };
        let origin = origin_of(group);
        let mark =
            if origin.is_real() { "" } else { "  NOT REAL: cannot be accepted as the result of a sample" };
        output.line(&visible(&format!("{} {name}  origin {}{mark}", role.word(), origin.word())))?;
        for portion in group {
            output.line(&visible(&portion_line(portion)))?;
        }
        for line in series_lines(result) {
            output.line(&visible(&line))?;
        }
        output.line("")?;
        Ok(())
    }

    fn accept(
        &self,
        series: &str,
        sample: &str,
        portions: &[StoredPortion],
        settings: &Settings,
        output: &mut Output,
    ) -> Result<Exit, Fault> {
        let outside = |text: String| Fault { text, exit: Exit::OutsideLimits };
        let group: Vec<StoredPortion> = portions
            .iter()
            .filter(|p| p.portion.role != Role::Blank && p.sample == sample)
            .cloned()
            .collect();
        if group.is_empty() {
            return Err(Fault::misuse(format!("the series has no sample \"{sample}\"")));
        }
        let (_, result) = judged(&group)?;
        let document =
            acceptance(series, sample, origin_of(&group), &result, &self.reason).map_err(outside)?;
        let words = accepted_words(series, sample, &document);
        enter(settings, document)?;
        output.line(&visible(&words))?;
        Ok(Exit::Done)
    }
}

/// What is said of an acceptance.
pub(in crate::cli) fn accepted_words(series: &str, sample: &str, document: &Document) -> String {
    let practice = if document.kind == kind::PRACTISED {
        ", as practice: SIMULATED, never the result of a sample"
    } else {
        ""
    };
    format!("accepted {sample} in {series}{practice}")
}

/// The curves of a series over each other; of one sample where it is named.
///
/// # Errors
/// When a run cannot be read, or there is nothing to draw.
pub(in crate::cli) fn overlaid(
    reader: &Reader,
    series: &str,
    portions: &[StoredPortion],
    sample: Option<&str>,
) -> Result<Picture, Fault> {
    let mut curves = Vec::new();
    for portion in portions.iter().filter(|p| sample.is_none_or(|s| p.sample == s)) {
        let run = reader.run(portion.portion.run)?;
        let aside = if portion.portion.set_aside.is_some() { " (set aside)" } else { "" };
        let name = match portion.portion.role {
            Role::Blank => "blank".to_owned(),
            _ => portion.sample.clone(),
        };
        let curve = Curve { head: run.head.curve, points: run.points };
        curves.push((format!("{name}, run {}{aside}", run.row.run), curve, run.findings));
    }
    let curves: Vec<Overlaid<'_>> =
        curves.iter().map(|(name, curve, ends)| Overlaid { name, curve, end_points: ends }).collect();
    overlay(&format!("series {series}"), &curves).map_err(Fault::misuse)
}

fn portion_line(portion: &StoredPortion) -> String {
    let p = &portion.portion;
    let value = p.result.results.first().map_or_else(
        || p.result.missing.first().map_or_else(|| "no result".to_owned(), |why| format!("no result: {why}")),
        |first| format!("{} {}", first.told, first.unit),
    );
    let fate = match (&p.set_aside, p.going_on) {
        (Some(why), _) => format!("  set aside: {why}"),
        (None, true) => "  goes on".to_owned(),
        (None, false) => String::new(),
    };
    format!("portion  {}  run {}  {value}{fate}", p.portion, p.run)
}

/// The portions of a series by what they are for and by sample.
pub(in crate::cli) fn groups(portions: &[StoredPortion]) -> BTreeMap<(Role, String), Vec<StoredPortion>> {
    let mut groups: BTreeMap<(Role, String), Vec<StoredPortion>> = BTreeMap::new();
    for portion in portions {
        groups.entry((portion.portion.role, portion.sample.clone())).or_default().push(portion.clone());
    }
    groups
}

/// The origin of a group: the first that is not real, else that of the first run.
pub(in crate::cli) fn origin_of(group: &[StoredPortion]) -> Origin {
    let unreal = group.iter().map(|p| p.origin).find(|origin| !origin.is_real());
    unreal.or_else(|| group.first().map(|p| p.origin)).unwrap_or(Origin::Imported)
}

/// The procedure of a group, and what its portions come to.
///
/// # Errors
/// When the procedure or a stored result cannot be read.
pub(in crate::cli) fn judged(group: &[StoredPortion]) -> Result<(Procedure, SeriesResult), Fault> {
    let definition = |text: String| Fault { text, exit: Exit::Definition };
    // The latest portion's procedure: a series is worked by one, and a change shows in its revision.
    let text = group.last().map_or("", |p| p.head.plan.procedure.as_str());
    let procedure = Procedure::read("of the series", text).map_err(definition)?;
    let portions: Vec<SeriesPortion> = group.iter().map(|p| p.portion.clone()).collect();
    let result = judge(&procedure, &portions).map_err(definition)?;
    Ok((procedure, result))
}
