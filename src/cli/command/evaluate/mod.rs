//! `dropwise evaluate`: end-points of curves in files.

mod json;
mod text;

use crate::cli::bench::procedure_text;
use crate::cli::curve_file::{self, Columns};
use crate::cli::output::{Output, complain};
use crate::cli::{Exit, Fault, Settings};
use crate::detector::{self, Change, Evaluation, Given, Level, Shape, Watch};
use crate::reading::Curve;
use crate::report::picture;
use crate::work::Procedure;
use clap::{Args, ValueEnum};
use rayon::prelude::{IntoParallelRefIterator, ParallelIterator};
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// Arguments of `evaluate`.
#[derive(Debug, Args)]
pub struct Evaluate {
    /// Curve files: CSV with units in the heading, such as volume_mL,signal_pH (`-`: standard input)
    #[arg(required = true, value_name = "CURVE.csv")]
    curves: Vec<PathBuf>,
    /// One JSON object a line and a curve
    #[arg(long)]
    json: bool,
    /// What a procedure would know: one JSON object, or one object with an entry for each run
    #[arg(long, value_name = "FILE.json")]
    given: Option<PathBuf>,
    /// A procedure says what is known: a name that ships, or a procedure file
    #[arg(long, value_name = "PROCEDURE", conflicts_with = "given")]
    procedure: Option<String>,
    /// Which column is what, such as volume_mL=burette,signal_mV=3
    #[arg(long, value_name = "WHAT=COLUMN", value_delimiter = ',')]
    columns: Vec<String>,
    /// The kind of end-point to look for
    #[arg(long)]
    shape: Option<ShapeWord>,
    /// Accept end-points between these volumes (or masses) only
    #[arg(long, value_name = "FROM..TO", value_parser = window)]
    window: Option<(f64, f64)>,
    /// The fixed signal at which the end-point lies, in the unit of the file
    #[arg(long, value_name = "SIGNAL", allow_negative_numbers = true)]
    level: Option<f64>,
    /// Fit only models whose names begin so (--explain shows names)
    #[arg(long, value_name = "NAME")]
    model: Option<String>,
    /// Show the models that were tried and the estimates of classical methods
    #[arg(long)]
    explain: bool,
    /// Draw the curve, its steepness, the fit and the residuals to a file, SVG or PNG by its ending (one curve only)
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
}

/// Shapes as typed.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum ShapeWord {
    /// The signal jumps
    Jump,
    /// Straight branches meet
    Bend,
    /// The signal crosses a fixed level
    Level,
    /// The signal goes through an extreme
    Peak,
}

impl From<ShapeWord> for Shape {
    fn from(word: ShapeWord) -> Self {
        match word {
            ShapeWord::Jump => Self::Jump,
            ShapeWord::Bend => Self::Bend,
            ShapeWord::Level => Self::Level,
            ShapeWord::Peak => Self::Peak,
        }
    }
}

fn window(text: &str) -> Result<(f64, f64), String> {
    let parsed = text
        .split_once("..")
        .and_then(|(low, high)| Some((low.trim().parse::<f64>().ok()?, high.trim().parse::<f64>().ok()?)));
    match parsed {
        Some((low, high)) if low < high && low.is_finite() && high.is_finite() => Ok((low, high)),
        _ => Err("write it as FROM..TO with FROM below TO, for example 10.5..12".to_owned()),
    }
}

/// One evaluated curve.
struct Evaluated {
    name: String,
    curve: Curve,
    changes: Vec<Change>,
    evaluation: Evaluation,
}

/// What is known about the runs.
enum Known {
    Nothing,
    OfAll(Box<Given>),
    ByRun(HashMap<String, Given>),
}

impl Evaluate {
    /// Evaluates every file; prints in the order of the command line.
    ///
    /// # Errors
    /// Misuse of the command line; a file that cannot be read is reported, the others are evaluated all the same.
    pub fn run(self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let columns = Columns::parse(&self.columns).map_err(Fault::misuse)?;
        let known = match (&self.given, &self.procedure) {
            (Some(path), _) => read_given(path)?,
            (None, Some(name)) => {
                let text = procedure_text(Some(name), settings)?;
                let procedure =
                    Procedure::read(name, &text).map_err(|text| Fault { text, exit: Exit::Definition })?;
                Known::OfAll(Box::new(procedure.given()))
            }
            (None, None) => Known::Nothing,
        };
        if self.picture.is_some() && self.curves.len() != 1 {
            return Err(Fault::misuse("--picture draws one curve: name one file only"));
        }
        let mut exit = Exit::Done;
        // A few files for each thread at a time: results come in order and memory holds no more curves than that.
        for files in self.curves.chunks(8 * rayon::current_num_threads()) {
            let done: Vec<Result<Evaluated, Fault>> =
                files.par_iter().map(|file| self.evaluate(file, &columns, &known)).collect();
            for one in done {
                match one {
                    Ok(evaluated) => self.print(&evaluated, output)?,
                    Err(fault) => {
                        exit = exit.max(fault.exit);
                        output.flush().map_err(|e| cannot_write(&e))?;
                        complain(&format!("dropwise: {fault}"));
                    }
                }
            }
            if output.is_closed() {
                break;
            }
        }
        Ok(exit)
    }

    fn evaluate(&self, file: &Path, columns: &Columns, known: &Known) -> Result<Evaluated, Fault> {
        let curve = curve_file::read(file, columns)?;
        let name = file.file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
        let mut warnings = Vec::new();
        let given = self.given_for(&name, known, &mut warnings);
        let mut watch = Watch::new(curve.head, &given);
        let changes: Vec<Change> = curve.points.iter().flat_map(|point| watch.push(*point)).collect();
        let mut evaluation = detector::evaluate(&curve, &given);
        detector::confirm(&mut evaluation.end_points, &changes);
        warnings.append(&mut evaluation.warnings);
        evaluation.warnings = warnings;
        Ok(Evaluated { name, curve, changes, evaluation })
    }

    fn given_for(&self, name: &str, known: &Known, warnings: &mut Vec<String>) -> Given {
        let mut given = match known {
            Known::Nothing => Given::default(),
            Known::OfAll(given) => (**given).clone(),
            Known::ByRun(runs) => runs.get(name).cloned().unwrap_or_else(|| {
                warnings.push(format!("the file of --given says nothing about {name}"));
                Given::default()
            }),
        };
        if let Some(shape) = self.shape {
            given.shape = Some(shape.into());
        }
        if let Some(signal) = self.level {
            given.level = Some(Level { signal, u_signal: 0.0, stay_s: 0.0 });
            given.shape = given.shape.or(Some(Shape::Level));
        }
        if self.model.is_some() {
            given.model.clone_from(&self.model);
        }
        if let Some(window) = self.window {
            given.windows = vec![window];
        }
        given
    }

    fn print(&self, evaluated: &Evaluated, output: &mut Output) -> Result<(), Fault> {
        let Evaluated { name, curve, changes, evaluation } = evaluated;
        if let Some(path) = &self.picture {
            picture::curve(name, curve, evaluation, true)
                .and_then(|picture| picture.svg())
                .and_then(|drawn| picture::write(path, &drawn))
                .map_err(|why| Fault::misuse(format!("--picture: {why}")))?;
        }
        let text = if self.json {
            json::line(name, curve.head.titrant, changes, evaluation, self.explain)
        } else {
            text::report(name, curve, changes, evaluation, self.explain)
        };
        output.line(&text).map_err(|e| cannot_write(&e))
    }
}

fn cannot_write(error: &std::io::Error) -> Fault {
    Fault {
        text: format!("standard output cannot be written: {error}; is the disk full?"),
        exit: Exit::OwnFault,
    }
}

fn read_given(path: &Path) -> Result<Known, Fault> {
    let name = path.display();
    let text = std::fs::read_to_string(path)
        .map_err(|e| Fault::misuse(format!("--given {name} cannot be read: {e}; check the path")))?;
    let wrong = |e: serde_json::Error| {
        Fault::misuse(format!(
            "--given {name}: {e}; it holds one object such as {{\"titrant\": \"silver nitrate\", \"looked_for\": 1}}, or an object with one such entry for each run"
        ))
    };
    let value: serde_json::Value = serde_json::from_str(&text).map_err(wrong)?;
    let by_run =
        value.as_object().is_some_and(|o| !o.is_empty() && o.values().all(serde_json::Value::is_object));
    if by_run {
        serde_json::from_str(&text).map(Known::ByRun).map_err(wrong)
    } else {
        serde_json::from_str(&text).map(|given| Known::OfAll(Box::new(given))).map_err(wrong)
    }
}
