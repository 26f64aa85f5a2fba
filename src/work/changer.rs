//! A sample changer: which portion of the worklist a mark in the line begins.

use super::RunPlan;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// A portion that waits for its beaker.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Queued {
    /// What is to be titrated and how.
    pub plan: RunPlan,
    /// Its place on the changer, where the worklist says so.
    #[serde(default)]
    pub position: Option<u32>,
}

/// What the line said when it began a run.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Beginning {
    /// The place on the changer.
    pub position: Option<u32>,
    /// The sample.
    pub sample: Option<String>,
}

/// The portion that begins: the next of the worklist, if it fits what the line said.
///
/// # Errors
/// In words, when it does not fit; the worklist stays as it is, nothing is guessed.
pub fn begins(queue: &mut VecDeque<Queued>, said: &Beginning) -> Result<RunPlan, String> {
    let Some(next) = queue.front() else {
        return Err("the line began a run, and the worklist is at its end: nothing was started".to_owned());
    };
    if let (Some(expected), Some(position)) = (next.position, said.position)
        && expected != position
    {
        return Err(format!(
            "the line began position {position}, the worklist expects position {expected} (sample \"{}\"): nothing was started",
            next.plan.sample
        ));
    }
    if let Some(sample) = &said.sample
        && *sample != next.plan.sample
    {
        return Err(format!(
            "the line began sample \"{sample}\", the worklist expects \"{}\": nothing was started",
            next.plan.sample
        ));
    }
    queue.pop_front().map(|queued| queued.plan).ok_or_else(|| "the worklist is empty".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn queue() -> VecDeque<Queued> {
        let one = |sample: &str, position| Queued {
            plan: RunPlan { sample: sample.to_owned(), ..RunPlan::default() },
            position,
        };
        [one("A", Some(1)), one("B", Some(2)), one("C", None)].into()
    }

    #[test]
    fn portions_begin_in_the_order_of_the_worklist() {
        let mut queue = queue();
        let at = |position| Beginning { position, sample: None };
        assert_eq!(begins(&mut queue, &at(Some(1))).unwrap().sample, "A");
        assert_eq!(begins(&mut queue, &at(None)).unwrap().sample, "B");
        assert_eq!(begins(&mut queue, &at(Some(9))).unwrap().sample, "C");
        assert!(begins(&mut queue, &at(None)).unwrap_err().contains("at its end"));
    }

    #[test]
    fn a_mark_that_does_not_fit_starts_nothing_and_keeps_the_worklist() {
        let mut queue = queue();
        let wrong = begins(&mut queue, &Beginning { position: Some(2), sample: None }).unwrap_err();
        assert!(wrong.contains("position 2") && wrong.contains("position 1"), "{wrong}");
        let wrong =
            begins(&mut queue, &Beginning { position: None, sample: Some("Z".to_owned()) }).unwrap_err();
        assert!(wrong.contains("\"Z\""), "{wrong}");
        assert_eq!(queue.len(), 3);
    }
}
