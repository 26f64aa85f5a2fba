//! Steps of preparation and care: which there are for a portion, what was said about each, and the document that says so.

use super::procedure::{DueStep, Procedure, WhenWord};
use super::{Document, Kept, Origin, Role, RunPlan, kind};
use serde::{Deserialize, Serialize};

/// A step as it was done or skipped.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StepRecord {
    /// The series.
    pub series: String,
    /// The sample and which portion of it, for a step of each portion.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub portion: Option<(String, u32)>,
    /// What is to be done, as the procedure has it.
    pub step: String,
    /// When it is due.
    pub when: WhenWord,
    /// It was done; else it was skipped.
    pub done: bool,
    /// Why it was skipped, or something to say.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub why: String,
}

/// A step of a portion, and what was said about it.
#[derive(Debug, Clone, PartialEq)]
pub struct StepLine {
    /// The step.
    pub step: DueStep,
    /// What was said last; `None`: nothing.
    pub said: Option<Kept<StepRecord>>,
}

impl WhenWord {
    /// All, in their order.
    pub const ALL: [Self; 4] =
        [Self::BeforeSeries, Self::BeforePortion, Self::AfterPortion, Self::AfterSeries];

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::BeforeSeries => "before the series",
            Self::BeforePortion => "before the portion",
            Self::AfterPortion => "after the portion",
            Self::AfterSeries => "after the series",
        }
    }

    /// Whether it is due for each portion.
    #[must_use]
    pub const fn is_of_each_portion(self) -> bool {
        matches!(self, Self::BeforePortion | Self::AfterPortion)
    }
}

impl StepRecord {
    /// What somebody says about a step of a portion.
    ///
    /// # Errors
    /// In words, when a step is skipped without a reason.
    pub fn said(step: &DueStep, plan: &RunPlan, done: bool, why: &str) -> Result<Self, String> {
        if !done && why.trim().is_empty() {
            return Err(format!("a step is skipped only with a reason: {}", step.text));
        }
        let portion = step.when.is_of_each_portion().then(|| portion_of(plan));
        Ok(Self {
            series: plan.series.clone(),
            portion,
            step: step.text.clone(),
            when: step.when,
            done,
            why: why.trim().to_owned(),
        })
    }

    fn is_of(&self, step: &DueStep, plan: &RunPlan) -> bool {
        let same = self.series == plan.series && self.step == step.text && self.when == step.when;
        same && (!step.when.is_of_each_portion() || self.portion == Some(portion_of(plan)))
    }

    /// The record as the recorder takes it.
    ///
    /// # Errors
    /// In words, when it cannot be written as JSON.
    pub fn document(&self) -> Result<Document, String> {
        let of = self.portion.as_ref().map_or_else(String::new, |(sample, n)| format!(" / {sample} {n}"));
        Ok(Document {
            kind: kind::STEP.to_owned(),
            name: format!("{}{of} / {} / {}", self.series, self.when.words(), self.step),
            body: serde_json::to_string(self).map_err(|e| e.to_string())?,
            origin: Origin::Keyed,
            verb: if self.done { "do" } else { "skip" }.to_owned(),
            why: self.why.clone(),
        })
    }
}

/// The portion as its steps name it: blanks and controls are told apart from samples of the same name.
fn portion_of(plan: &RunPlan) -> (String, u32) {
    let name = match plan.role {
        Role::Sample => plan.sample.clone(),
        role => format!("{} {}", role.word(), plan.sample).trim().to_owned(),
    };
    (name, plan.portion)
}

/// The steps of a portion in the order in which they are due, each with what was said about it last.
#[must_use]
pub fn steps_of(procedure: &Procedure, plan: &RunPlan, kept: &[Kept<StepRecord>]) -> Vec<StepLine> {
    let line = |step: &DueStep| StepLine {
        step: step.clone(),
        said: kept.iter().rfind(|kept| kept.it.is_of(step, plan)).cloned(),
    };
    WhenWord::ALL.into_iter().flat_map(|when| procedure.due(when).map(line)).collect()
}

/// The steps that come before a portion and about which nothing was said.
pub(super) fn open_before(lines: &[StepLine]) -> impl Iterator<Item = &DueStep> {
    let before = |when| matches!(when, WhenWord::BeforeSeries | WhenWord::BeforePortion);
    lines.iter().filter(move |line| line.said.is_none() && before(line.step.when)).map(|line| &line.step)
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "title = \"a\"\nid = \"a\"\n[[prepare]]\ntext = \"flush the tubing\"\n\
        [[prepare]]\ntext = \"rinse\"\nwhen = \"before-portion\"\n[[care]]\ntext = \"store it wet\"\n";

    fn plan(portion: u32) -> RunPlan {
        RunPlan { series: "s".to_owned(), sample: "jar".to_owned(), portion, ..RunPlan::default() }
    }

    #[test]
    fn a_step_of_the_series_is_said_once_and_one_of_each_portion_anew() {
        let procedure = Procedure::read("a", TEXT).unwrap();
        let say = |step: usize, portion| {
            let it = StepRecord::said(&procedure.steps[step], &plan(portion), true, "").unwrap();
            Kept { datum: 1, utc_us: 0, who: "rosa".to_owned(), it }
        };
        let kept = [say(0, 1), say(1, 1)];
        let open = |portion| {
            open_before(&steps_of(&procedure, &plan(portion), &kept))
                .map(|s| s.text.clone())
                .collect::<Vec<_>>()
        };
        assert!(open(1).is_empty());
        assert_eq!(open(2), ["rinse"]);
    }

    #[test]
    fn skipping_wants_a_reason() {
        let procedure = Procedure::read("a", TEXT).unwrap();
        assert!(StepRecord::said(&procedure.steps[0], &plan(1), false, " ").is_err());
        let skipped = StepRecord::said(&procedure.steps[2], &plan(1), false, "goes on tomorrow").unwrap();
        let document = skipped.document().unwrap();
        assert_eq!(
            (document.verb.as_str(), document.name.as_str()),
            ("skip", "s / after the series / store it wet")
        );
    }
}
