//! Control charts, and trends of electrodes and titrants: what they show, and what they rest on.

mod control;
mod electrode;
mod titrant;

pub use control::{ControlPoint, Controlled, controlled};

use super::basis::Basis;
use super::portion::Portion;
use super::words::{brief, moment, person};
use super::{Error, Gathered, Subject};
use crate::report::picture::{Picture, Rule};
use crate::report::{Document, Header, Stated};
use crate::results::control as rules;
use crate::store::{Excerpt, Reader};
use crate::work::{EquipmentKind, Procedure, Role};
use sha2::{Digest, Sha256};

/// A chart as it is asked for.
#[derive(Debug, Clone)]
pub enum Chart {
    /// The control samples of a procedure.
    Control {
        /// The procedure.
        procedure: Box<Procedure>,
        /// So many series at the beginning set the lines.
        first: usize,
        /// Standard deviation from validation, in the unit of the result.
        s: Option<f64>,
    },
    /// The checks of an electrode, by its name.
    Electrode(String),
    /// The factors of a titrant, by its lot.
    Titrant(String),
}

impl Chart {
    fn subject(&self) -> Subject {
        match self {
            Self::Control { procedure, first, s } => Subject::Control {
                title: procedure.title.clone(),
                procedure: procedure.id.clone(),
                first: *first,
                s: *s,
            },
            Self::Electrode(name) => Subject::Electrode(name.clone()),
            Self::Titrant(lot) => Subject::Titrant(lot.clone()),
        }
    }

    fn name(&self) -> String {
        match self {
            Self::Control { procedure, .. } => format!("control {}", procedure.id),
            Self::Electrode(name) => format!("electrode {name}"),
            Self::Titrant(lot) => format!("titrant {lot}"),
        }
    }
}

/// The report on a chart with its pictures, and what it rests on.
///
/// # Errors
/// When the record cannot be read, or has nothing to show.
pub fn chart_of(
    reader: &Reader,
    what: &Chart,
    header: Header,
    (made_utc_us, who): (i64, &str),
) -> Result<(Gathered, Vec<Picture>), Error> {
    reader.hold()?;
    let anchor = super::anchor_of(reader)?;
    let mut document = Document { made_utc_us, header, anchor: anchor.to_string(), ..Document::default() };
    let digest = Sha256::digest(format!("{} {} {made_utc_us}", what.name(), document.anchor).as_bytes());
    let hash: String = digest.iter().take(6).map(|byte| format!("{byte:02x}")).collect();
    let day = jiff::Timestamp::from_microsecond(made_utc_us).unwrap_or_default();
    document.id = format!("C-{}-{hash}", day.strftime("%Y%m%d"));
    let made = format!("{} by {}", moment(made_utc_us, 0), person(who));
    let pictures = match what {
        Chart::Control { procedure, first, s } => {
            control::document(reader, &mut document, procedure, (*first, *s), &made)?
        }
        Chart::Electrode(name) => electrode::document(reader, &mut document, name, &made)?,
        Chart::Titrant(lot) => titrant::document(reader, &mut document, lot, &made)?,
    };
    document.heading(1, "Anchor, and how to verify this chart");
    document.words(anchor.to_string());
    document.words(
        "The runs and documents that the chart rests on are attached to this file, with the rows of the ledger up to this \
         anchor. `dropwise record verify FILE` reads them back, computes the numbers again, and tells whether they are \
         what is printed here; no record is needed. `dropwise record verify --anchor FILE` tells whether the record still \
         holds what this anchor stands for.",
    );
    let subject = what.subject();
    let excerpt = excerpt(reader, &subject)?;
    let ledger = reader.ledger_excerpt(&excerpt, &anchor)?;
    let stated = stated(reader, &subject)?;
    let who = who.to_owned();
    Ok((Gathered { document, subject, stated, excerpt, anchor, ledger, who, outside: false }, pictures))
}

/// The numbers of a chart, computed again from what the record keeps; of a run or a series none.
pub(super) fn stated(reader: &Reader, subject: &Subject) -> Result<Vec<Stated>, Error> {
    match subject {
        Subject::Control { title, procedure, first, s } => {
            control::stated(reader, (title, procedure), *first, *s)
        }
        Subject::Electrode(name) => Ok(electrode::stated(&reader.stock()?, name)),
        Subject::Titrant(lot) => Ok(titrant::stated(&reader.stock()?, lot)),
        Subject::Run(_) | Subject::Series(_) => Ok(Vec::new()),
    }
}

/// What a chart rests on: the runs of control samples with all that entered them; of trends the documents.
fn excerpt(reader: &Reader, subject: &Subject) -> Result<Excerpt, Error> {
    let stock = reader.stock()?;
    let mut excerpt = Excerpt::default();
    match subject {
        Subject::Control { title, procedure, .. } => {
            let runs = control::runs(reader, title)?;
            let portions: Vec<Portion> =
                runs.iter().map(|run| Portion::read(reader, *run)).collect::<Result<_, _>>()?;
            excerpt = Basis::of(reader, &portions)?.excerpt(reader, &portions)?;
            excerpt.datums.extend(control::material(&stock, procedure).map(|kept| kept.datum));
        }
        Subject::Electrode(name) => {
            let checks = stock.checks.iter().filter(|kept| kept.it.electrode == *name);
            excerpt.datums.extend(checks.map(|kept| kept.datum));
            excerpt.datums.extend(stock.named(EquipmentKind::Electrode, name).map(|kept| kept.datum));
        }
        Subject::Titrant(lot) => {
            let factors = stock.factors.iter().filter(|kept| kept.it.lot == *lot);
            excerpt.datums.extend(factors.map(|kept| kept.datum));
            excerpt.datums.extend(stock.named(EquipmentKind::Titrant, lot).map(|kept| kept.datum));
        }
        Subject::Run(_) | Subject::Series(_) => {}
    }
    Ok(excerpt)
}

/// A number of a chart as reports state numbers: what it is of and what it is; value, standard uncertainty, as printed.
fn stated_number(
    role: Role,
    (sample, name): (&str, &str),
    (value, u, told): (f64, f64, String),
    unit: &str,
    counted: usize,
) -> Stated {
    Stated {
        role,
        sample: sample.to_owned(),
        run: None,
        name: name.to_owned(),
        unit: unit.to_owned(),
        value,
        u,
        k: 1.0,
        coverage: 0.0,
        told: told.clone(),
        told_expanded: String::new(),
        line: told,
        counted,
        started: counted,
    }
}

fn rule(at: f64, words: &str, dashes: usize) -> Rule {
    Rule { at, half_width: 0.0, words: format!("{words} {}", brief(at)), dashes }
}

fn show(document: &mut Document, picture: &Picture, caption: &str) -> Result<(), Error> {
    document.figure(picture.svg()?, caption);
    Ok(())
}

/// Lasting changes in words.
fn changes(document: &mut Document, of: &str, values: &[f64], smallest_s: f64) {
    let learn = rules::FEWEST_TO_LEARN;
    if values.len() <= learn {
        document.words(format!(
            "A lasting change of {of} can be told from {} values on; there are {}.",
            learn + 1,
            values.len()
        ));
        return;
    }
    match rules::change(values, learn, smallest_s) {
        Some(change) => document.words(format!(
            "A lasting change of {of}: since value {} the level has {}, certain at value {}.",
            change.since + 1,
            change.words(),
            change.at + 1
        )),
        None => document.words(format!(
            "No lasting change of {of} (two-sided cumulative sum, centre and scatter from the first {learn} values)."
        )),
    }
}
