//! What is typed for a portion on the command line: values, equipment and lots; and what the record adds.

use super::{Fault, Settings};
use crate::store::Reader;
use crate::work::result::PortionFacts;
use crate::work::{Procedure, Stock};
use clap::Args;
use std::collections::BTreeMap;

/// Values of a portion, and what is used for it.
#[derive(Debug, Clone, Default, Args)]
pub struct TypedArgs {
    /// A value by its name in the formulae, as m=5.0231 (in the unit of the procedure), m="5023.1 mg", or
    /// V="18.64 mL +- 0.013" with its standard uncertainty; m=balance takes it from the balance of the bench, at rest; may be repeated
    #[arg(long = "value", value_name = "NAME=VALUE", value_parser = pair)]
    pub values: Vec<(String, String)>,
    /// Equipment or a lot, by kind or by name in formulae, as titrant="NaOH lot 7"; may be repeated
    #[arg(long = "use", value_name = "KIND=NAME", value_parser = pair)]
    pub uses: Vec<(String, String)>,
}

/// `NAME=VALUE` as typed.
///
/// # Errors
/// In words, when there is no `=` or nothing before it.
fn pair(text: &str) -> Result<(String, String), String> {
    match text.split_once('=') {
        Some((name, value)) if !name.trim().is_empty() && !value.trim().is_empty() => {
            Ok((name.trim().to_owned(), value.trim().to_owned()))
        }
        _ => Err(format!("\"{text}\" is not NAME=VALUE")),
    }
}

impl TypedArgs {
    /// The facts of a portion that is not in a record, as of now.
    #[must_use]
    pub fn facts(&self, procedure: &Procedure) -> PortionFacts {
        let mut facts = PortionFacts {
            values: self.values.iter().cloned().collect(),
            uses: self.uses.iter().cloned().collect(),
            utc_us: jiff::Timestamp::now().as_microsecond(),
            by_mass: procedure.is_by_mass(),
            ..PortionFacts::default()
        };
        procedure.name_the_mass(&mut facts.values);
        facts
    }
}

/// Refuses values and things that the procedure does not know, before anything is done with the others.
///
/// # Errors
/// Misuse, with every mistake.
pub fn check(
    procedure: &Procedure,
    values: &BTreeMap<String, String>,
    uses: &BTreeMap<String, String>,
) -> Result<(), Fault> {
    let mut wrong = procedure.wrong_values(values);
    wrong.extend(procedure.wrong_uses(uses));
    if wrong.is_empty() { Ok(()) } else { Err(Fault::misuse(wrong.join("; "))) }
}

/// What the record knows beside runs; nothing where there is no record yet.
///
/// # Errors
/// When the record cannot be read.
pub fn stock(settings: &Settings) -> Result<Stock, Fault> {
    if !settings.record.exists() {
        return Ok(Stock::default());
    }
    Ok(Reader::open(&settings.record)?.stock()?)
}

/// A moment in UTC, for lists.
#[must_use]
pub fn utc(utc_us: i64) -> String {
    jiff::Timestamp::from_microsecond(utc_us).map(|t| t.to_string()).unwrap_or_default()
}
