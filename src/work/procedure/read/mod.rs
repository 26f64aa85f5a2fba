//! From the file to a procedure: every part is checked, every mistake is told with its place.

mod constant;
mod find;
mod judged;
mod reaction;

use super::form::{MediumWord, ProcedureForm, StepForm, Text, procedure_form};
use super::{
    AmountWord, Asked, DueStep, Electrode, Freshness, Limits, OverdueWord, Procedure, Reagent, Solution,
    WhenWord, known,
};
use crate::chemistry::formula_mass::{AtomicWeights, Composition};
use crate::detector::Medium;
use crate::form::{Diagnostic, Mistakes};
use crate::results::{self, Dimension, Unit};
use crate::work::written::quantity;
use std::collections::BTreeMap;
use std::ops::Range;

/// Reads a procedure; see [`Procedure::parse`].
pub(super) fn procedure(file: &str, text: &str) -> Result<Procedure, Vec<Diagnostic>> {
    let mut mistakes = Mistakes::new(file, text);
    let Some(form) = procedure_form().read::<ProcedureForm>(text, &["title", "id"], &mut mistakes) else {
        return Err(mistakes.into_sorted());
    };
    let amount = form.reagent.as_ref().map_or(AmountWord::Volume, |reagent| reagent.dispensed_by);
    let procedure = Reader { mistakes: &mut mistakes, names: BTreeMap::new(), amount }.procedure(form);
    if mistakes.is_empty() { Ok(procedure) } else { Err(mistakes.into_sorted()) }
}

struct Reader<'a, 'm> {
    mistakes: &'m mut Mistakes<'a>,
    /// Names declared so far, with what declared them.
    names: BTreeMap<String, &'static str>,
    /// How the titrant is measured.
    amount: AmountWord,
}

impl Reader<'_, '_> {
    fn procedure(mut self, form: ProcedureForm) -> Procedure {
        self.id(&form.id);
        let reagent = form.reagent.map(|r| {
            let name = r.name.as_ref().map_or_else(|| "c".to_owned(), |name| name.get_ref().clone());
            let span = r.name.as_ref().map_or(0..0, Text::span);
            self.declare(&name, span, "the strength of the titrant");
            let reagent = Reagent {
                titrant: r.titrant,
                name,
                nominal: self.maybe(r.nominal.as_ref(), None),
                needs: self.freshness(r.needs.as_ref(), "standardised", r.when_overdue),
                is_standardised_here: r.is_standardised_here,
                dispensed_by: r.dispensed_by,
            };
            (reagent, r.equivalent)
        });
        let solutions = form
            .solution
            .iter()
            .map(|s| {
                self.declare(s.name.get_ref(), s.name.span(), "the strength of a solution");
                Solution {
                    name: s.name.get_ref().clone(),
                    what: s.what.clone(),
                    nominal: self.maybe(s.nominal.as_ref(), None),
                    needs: self.freshness(s.needs.as_ref(), "standardised", s.when_overdue),
                }
            })
            .collect();
        let electrode = form.electrode.map(|e| Electrode {
            kind: e.kind,
            needs: self.freshness(e.needs.as_ref(), "checked", e.when_overdue),
            signal: e.signal,
        });
        let asked = form.portion.iter().filter_map(|(name, asked)| {
            self.declare(name.get_ref(), name.span(), "a value of the portion");
            let unit = self.unit(&asked.unit)?;
            if let (Some(from), Some(to)) = (asked.from, asked.to)
                && from > to
            {
                self.error("empty-range", name.span(), "`from` is above `to`".to_owned(), "exchange them");
            }
            Some(Asked {
                name: name.get_ref().clone(),
                what: asked.what.clone(),
                unit,
                from: asked.from,
                to: asked.to,
                how: asked.how.unwrap_or_default(),
                usual: asked.usual,
            })
        });
        let asked = asked.collect();
        let finds = form.find.iter().map(|find| self.find(find)).collect::<Vec<_>>();
        let blank = self.blank(form.blank.as_ref());
        let constants = form.constant.iter().filter_map(|constant| self.constant(constant)).collect();
        let uncertainty = self.uncertainty(&form.uncertainty);
        let reaction = form.reaction.as_ref().and_then(|reaction| self.reaction(reaction));
        let mut procedure = Procedure {
            title: form.title.into_inner(),
            id: form.id.into_inner(),
            revision: form.revision,
            follows: form.follows,
            second_person: form.second_person,
            reagent: reagent.as_ref().map(|(reagent, _)| reagent.clone()),
            solutions,
            vessel_ml: form
                .vessel
                .volume
                .as_ref()
                .and_then(|t| self.coherent(t, Dimension::VOLUME, "100 mL")),
            medium: match form.vessel.medium {
                None | Some(MediumWord::Water | MediumWord::Mixed) => Medium::Aqueous,
                Some(MediumWord::NonAqueous) => Medium::NonAqueous,
            },
            reaction,
            reaction_source: form.reaction.and_then(|reaction| reaction.into_inner().source),
            electrode,
            asked,
            finds,
            blank,
            constants,
            results: Vec::new(),
            uncertainty,
            limits: Limits::default(),
            steps: steps(form.prepare, form.care),
            cautions: form.caution.into_iter().map(|caution| caution.text).collect(),
        };
        procedure.results = self.results(&procedure, &form.result);
        let first = procedure.results.first().map(|rule| rule.unit.clone());
        procedure.limits = self.limits(&form.limits, first.as_ref());
        self.standardisation(&procedure, form.result.first());
        if let Some((reagent, Some(equivalent))) = reagent {
            self.equivalent(&reagent, &equivalent);
        }
        procedure
    }

    fn error(&mut self, what: &'static str, span: Range<usize>, message: String, remedy: &str) {
        self.mistakes.error(procedure_form().code(what), span, message, Some(remedy.to_owned()));
    }

    fn id(&mut self, id: &Text) {
        let good = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if !id.get_ref().is_empty() && !id.get_ref().chars().all(good) {
            let message = format!("`id` cannot be {:?}", id.get_ref());
            self.error("bad-id", id.span(), message, "use small letters, digits and hyphens");
        }
    }

    fn declare(&mut self, name: &str, span: Range<usize>, what: &'static str) {
        let mut letters = name.chars();
        let good = letters.next().is_some_and(char::is_alphabetic)
            && letters.all(|c| c.is_alphanumeric() || c == '_');
        if !good {
            let message = format!("\"{name}\" cannot be a name in a formula");
            self.error("bad-name", span, message, "begin with a letter; go on with letters, digits and _");
        } else if name == known::RUN_TIME {
            let message = format!("\"{name}\" is the duration of the run");
            self.error("bad-name", span, message, "choose another name");
        } else if let Some(other) = self.names.insert(name.to_owned(), what) {
            let message = format!("\"{name}\" is declared twice: as {other}, and here as {what}");
            self.error("declared-twice", span, message, "give one of them another name");
        }
    }

    fn unit(&mut self, text: &Text) -> Option<Unit> {
        match Unit::parse(text.get_ref()) {
            Ok(unit) => Some(unit),
            Err(wrong) => {
                let message = format!("'{}' is not a unit: {}", wrong.text, wrong.why);
                self.error("unit", text.span(), message, &wrong.remedy);
                None
            }
        }
    }

    fn measure(&mut self, text: &Text, like: &str) -> Option<results::Quantity> {
        quantity(text, like, procedure_form(), self.mistakes)
    }

    fn maybe(&mut self, text: Option<&Text>, dimension: Option<Dimension>) -> Option<results::Quantity> {
        let text = text?;
        let measure = self.measure(text, "0.1 mol/L")?;
        if let Some(dimension) = dimension
            && measure.dimension() != dimension
        {
            let message = format!("\"{}\" is no {dimension}", text.get_ref());
            self.error("dimension", text.span(), message, &format!("write it in a unit such as {dimension}"));
            return None;
        }
        Some(measure)
    }

    /// In coherent units, with a dimension that must fit.
    fn coherent(&mut self, text: &Text, dimension: Dimension, like: &str) -> Option<f64> {
        let measure = self.measure(text, like)?;
        if measure.dimension() == dimension {
            // A difference of temperatures is meant wherever one is asked for.
            return Some(measure.value * measure.unit.scale());
        }
        let message = format!("\"{}\" is measured in {}, not in {dimension}", text.get_ref(), measure.unit);
        self.error("dimension", text.span(), message, &format!("write it as \"{like}\""));
        None
    }

    /// An amount of titrant in mL, or in g where it is dispensed by mass.
    fn titrant(&mut self, text: &Text) -> Option<f64> {
        let (dimension, unit, by) = match self.amount {
            AmountWord::Volume => (Dimension::VOLUME, "mL", "volume"),
            AmountWord::Mass => (Dimension::MASS, "g", "mass"),
        };
        let measure = self.measure(text, &format!("0.5 {unit}"))?;
        if measure.dimension() == dimension {
            return Some(measure.coherent());
        }
        let message = format!("\"{}\" is no amount of titrant: it is dispensed by {by}", text.get_ref());
        let remedy = format!("write it as \"0.5 {unit}\", or say `dispensed_by` in [reagent]");
        self.error("dimension", text.span(), message, &remedy);
        None
    }

    /// A fraction: "0.3 %", "0.003".
    fn fraction(&mut self, text: &Text) -> Option<f64> {
        self.coherent(text, Dimension::ONE, "0.3 %")
    }

    fn freshness(&mut self, text: Option<&Text>, verb: &str, when_overdue: OverdueWord) -> Freshness {
        let within_s = text.and_then(|text| {
            let wanted = format!("write it as \"{verb} within 7 d\"");
            let rest = text.get_ref().trim().strip_prefix(verb).map(str::trim_start);
            let Some(span) = rest.and_then(|rest| rest.strip_prefix("within ")) else {
                let message = format!("\"{}\" is not understood", text.get_ref());
                self.error("freshness", text.span(), message, &wanted);
                return None;
            };
            let time = Text::new(text.span(), span.to_owned());
            self.coherent(&time, Dimension::TIME, "7 d")
        });
        Freshness { within_s, when_overdue }
    }
}

fn steps(prepare: Vec<StepForm>, care: Vec<StepForm>) -> Vec<DueStep> {
    let of = |usual: WhenWord| {
        move |step: StepForm| DueStep {
            text: step.text,
            when: step.when.unwrap_or(usual),
            source: step.source,
        }
    };
    prepare
        .into_iter()
        .map(of(WhenWord::BeforeSeries))
        .chain(care.into_iter().map(of(WhenWord::AfterSeries)))
        .collect()
}

/// Molar mass in g/mol, or what is wrong with the formula.
fn molar_mass(formula: &str) -> Result<f64, String> {
    let composition = Composition::parse(formula).map_err(|wrong| wrong.to_string())?;
    composition.mass(&AtomicWeights::current()).map(|mass| mass.value).map_err(|wrong| wrong.to_string())
}
