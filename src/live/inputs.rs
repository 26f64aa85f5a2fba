//! Do the inputs of a result still follow from its run and the documents in the record?

use super::outcome::facts;
use crate::store::{Error as StoreError, Reader};
use crate::work::result::Assembled;
use crate::work::{Procedure, RUN_TIME, RunId};

/// A value that entered a result and is not what its run and the documents in the record give.
#[derive(Debug, Clone, PartialEq)]
pub struct OtherInput {
    /// Its name in formulae.
    pub name: String,
    /// As it entered.
    pub entered: f64,
    /// As it comes out now; `None`: nothing does.
    pub now: Option<f64>,
    /// It was measured or typed for this run alone, so that no later document can have changed it.
    pub of_the_run: bool,
}

/// Assembles the inputs of a run's result again, from its end-points, what was typed, and the documents in the record
/// as they hold now; gives those that differ.
///
/// # Errors
/// What the record says.
pub fn inputs_again(reader: &Reader, run: RunId) -> Result<Vec<OtherInput>, StoreError> {
    let stored = reader.run(run)?;
    let Some(kept) = reader.result(run)? else { return Ok(Vec::new()) };
    let Ok(procedure) = Procedure::read("of the run", &stored.head.plan.procedure) else {
        return Ok(Vec::new());
    };
    let mut facts = facts(&stored.head, &stored.findings, None, &stored.points);
    procedure.name_the_mass(&mut facts.values);
    let again = Assembled::of(&procedure, &facts, &reader.stock()?);
    let mut others = Vec::new();
    for input in kept.it.inputs.iter().filter(|input| input.name != RUN_TIME) {
        let now = again.inputs.iter().find(|other| other.name == input.name && other.unit == input.unit);
        let now = now.map(|other| other.value);
        if now.is_some_and(|now| (now - input.value).abs() <= 1e-9 * input.value.abs().max(1e-12)) {
            continue;
        }
        others.push(OtherInput {
            name: input.name.clone(),
            entered: input.value,
            now,
            of_the_run: procedure.instrumental().any(|find| find.name == input.name)
                || procedure.asked(&input.name).is_some(),
        });
    }
    Ok(others)
}
