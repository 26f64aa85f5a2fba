//! `dropwise titrant` and `dropwise blank`: the strength of titrants, and what everything but the sample uses.

use super::run::RunArgs;
use super::series::{judged, origin_of};
use crate::cli::enter::enter;
use crate::cli::outcome::series_lines;
use crate::cli::output::Output;
use crate::cli::typed::utc;
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::store::Reader;
use crate::work::result::SeriesPortion;
use crate::work::{EquipmentKind, Role, factor_of};
use clap::{Args, Subcommand};

/// Commands about titrants.
#[derive(Debug, Subcommand)]
pub enum TitrantCommand {
    /// Titrate one portion of a primary standard with a lot of titrant
    Standardise {
        /// The lot, as it is entered in the equipment
        #[arg(long)]
        lot: String,
        /// The run.
        #[command(flatten)]
        run: Box<RunArgs>,
    },
    /// Accept the factor that a series of portions gave; it holds from now on
    Accept {
        /// The lot
        lot: String,
        /// The series
        #[arg(long)]
        series: String,
        /// Something to say about it
        #[arg(long, default_value = "")]
        reason: String,
    },
    /// List the factors of all lots, the latest last
    List {
        /// One JSON object a line
        #[arg(long)]
        json: bool,
    },
}

/// Arguments of `blank`.
#[derive(Debug, Args)]
pub struct BlankArgs {
    #[command(flatten)]
    run: Box<RunArgs>,
}

impl BlankArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// As `run`.
    pub fn run(mut self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        self.run.portion.becomes(Role::Blank, None);
        self.run.run(settings, output)
    }
}

impl TitrantCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// When the series does not pass, or the record cannot be used.
    pub fn run(self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        match self {
            Self::Standardise { lot, mut run } => {
                run.portion.becomes(Role::Standardisation, Some((EquipmentKind::Titrant.word(), &lot)));
                run.run(settings, output)
            }
            Self::Accept { lot, series, reason } => accept(&lot, &series, &reason, settings, output),
            Self::List { json } => list(json, settings, output),
        }
    }
}

fn accept(
    lot: &str,
    series: &str,
    reason: &str,
    settings: &Settings,
    output: &mut Output,
) -> Result<Exit, Fault> {
    let reader = Reader::open(&settings.record)?;
    let portions: Vec<_> = reader
        .series(series)?
        .into_iter()
        .filter(|p| {
            p.portion.role == Role::Standardisation
                && p.head.plan.uses.get(EquipmentKind::Titrant.word()).is_some_and(|used| used == lot)
        })
        .collect();
    if portions.is_empty() {
        return Err(Fault::misuse(format!(
            "the series \"{series}\" has no standardisation of the lot \"{lot}\""
        )));
    }
    let (procedure, result) = judged(&portions)?;
    for line in series_lines(&result) {
        output.line(&visible(&line))?;
    }
    let counted: Vec<SeriesPortion> = portions.iter().map(|p| p.portion.clone()).collect();
    let stock = reader.stock()?;
    let nominal = stock.named(EquipmentKind::Titrant, lot).and_then(|kept| kept.it.value);
    let origin = origin_of(&portions);
    let factor = factor_of(lot, (series, origin), &procedure, &counted, &result, nominal)
        .map_err(|text| Fault { text, exit: Exit::OutsideLimits })?;
    let document = factor.document(reason).map_err(|text| Fault { text, exit: Exit::OwnFault })?;
    enter(settings, document)?;
    let told = factor.factor.map_or_else(String::new, |f| format!(", factor {f:.5}"));
    output.line(&visible(&format!(
        "accepted {lot}: {:.6} {} ± {:.6} (u){told}",
        factor.value, factor.unit, factor.u
    )))?;
    Ok(Exit::Done)
}

fn list(json: bool, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
    let stock = Reader::open(&settings.record)?.stock()?;
    for kept in &stock.factors {
        let f = &kept.it;
        let when = utc(kept.utc_us);
        if json {
            let object =
                serde_json::json!({ "datum": kept.datum, "accepted": when, "by": kept.who, "factor": f });
            output.line(&object.to_string())?;
        } else {
            let told = f.factor.map_or_else(String::new, |f| format!("  factor {f:.5}"));
            output.line(&visible(&format!(
                "{when}  {}  {:.6} {} u {:.6}{told}  n = {}  series {}  {}",
                f.lot,
                f.value,
                f.unit,
                f.u,
                f.n,
                f.series,
                f.origin.word()
            )))?;
        }
    }
    if stock.factors.is_empty() && !json {
        output.line("no factor yet; titrate a primary standard with `dropwise titrant standardise`")?;
    }
    Ok(Exit::Done)
}
