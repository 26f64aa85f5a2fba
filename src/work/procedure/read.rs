//! From the file to a procedure: every part is checked, every mistake is told with its place.

use super::form::{
    AcceptWord, BlankForm, CompareWord, ConstantForm, FindForm, HalfWord, LimitsForm, MediumWord,
    ProcedureForm, ResultForm, RoundingForm, Text, UncertaintyForm, procedure_form,
};
use super::{
    Asked, Blank, BlankWord, Constant, ConstantKind, ConstantValue, DueStep, Electrode, Find, Freshness,
    Limits, OverdueWord, Procedure, Reagent, ResultRule, ShapeWord, Solution, Uncertainty, WhenWord, known,
};
use crate::chemistry::formula_mass::{AtomicWeights, Composition};
use crate::detector::{Level, Medium};
use crate::form::{Diagnostic, Mistakes, nearest};
use crate::reading::{Quantity, Unit as SignalUnit};
use crate::results::{self, Dimension, Formula, Unit};
use crate::work::written::quantity;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

/// Reads a procedure; see [`Procedure::parse`].
pub(super) fn procedure(file: &str, text: &str) -> Result<Procedure, Vec<Diagnostic>> {
    let mut mistakes = Mistakes::new(file, text);
    let Some(form) = procedure_form().read::<ProcedureForm>(text, &["title", "id"], &mut mistakes) else {
        return Err(mistakes.into_sorted());
    };
    let procedure = Reader { mistakes: &mut mistakes, names: BTreeMap::new() }.procedure(form);
    if mistakes.is_empty() { Ok(procedure) } else { Err(mistakes.into_sorted()) }
}

struct Reader<'a, 'm> {
    mistakes: &'m mut Mistakes<'a>,
    /// Names declared so far, with what declared them.
    names: BTreeMap<String, &'static str>,
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

    /// An amount of titrant: mL or g.
    fn titrant(&mut self, text: &Text) -> Option<f64> {
        let measure = self.measure(text, "0.5 mL")?;
        let dimension = measure.dimension();
        if dimension == Dimension::VOLUME || dimension == Dimension::MASS {
            return Some(measure.coherent());
        }
        let message = format!("\"{}\" is no amount of titrant", text.get_ref());
        self.error("dimension", text.span(), message, "write it in mL or g, such as \"0.5 mL\"");
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

    fn find(&mut self, form: &FindForm) -> Find {
        self.declare(form.name.get_ref(), form.name.span(), "an end-point");
        let window = form.window.as_ref().and_then(|[from, to]| {
            let window = self.titrant(from).zip(self.titrant(to))?;
            if window.0 >= window.1 {
                let message = "the window is empty".to_owned();
                self.error("empty-range", from.span(), message, "write the smaller amount first");
                return None;
            }
            Some(window)
        });
        let signal = form.signal.as_ref().and_then(|text| {
            let known = Quantity::parse(text.get_ref());
            if known.is_none() {
                let message = format!("\"{}\" is no signal", text.get_ref());
                let names: Vec<&str> = Quantity::ALL.into_iter().map(Quantity::name).collect();
                let remedy = match nearest(text.get_ref(), names.iter().copied()) {
                    Some(near) => format!("did you mean \"{near}\"?"),
                    None => format!("known are: {}", names.join(", ")),
                };
                self.error("signal", text.span(), message, &remedy);
            }
            known
        });
        let level = form.level.as_ref().and_then(|text| self.level(text, form));
        if form.shape == Some(ShapeWord::Level) && form.level.is_none() {
            let message = "a level is looked for, and it is not said which".to_owned();
            self.error("level", form.name.span(), message, "add `level = \"8.2 pH\"`");
        }
        Find {
            name: form.name.get_ref().clone(),
            shape: form.shape,
            signal,
            window,
            warn_before: form.warn_before.as_ref().and_then(|text| self.titrant(text)),
            level,
            model: form.model.clone(),
            may_be_missing: form.may_be_missing,
        }
    }

    fn level(&mut self, text: &Text, form: &FindForm) -> Option<Level> {
        let (number, unit) = split_number(text.get_ref().trim());
        let value = number.parse::<f64>().ok().filter(|v| v.is_finite());
        let (Some(value), Some(unit)) = (value, SignalUnit::parse(unit)) else {
            let message = format!("\"{}\" is no level of a signal", text.get_ref());
            self.error(
                "level",
                text.span(),
                message,
                "write a number and a unit, such as \"8.2 pH\" or \"250 mV\"",
            );
            return None;
        };
        let stay_s =
            form.stay.as_ref().and_then(|stay| self.coherent(stay, Dimension::TIME, "10 s")).unwrap_or(0.0);
        let signal = unit.to_canonical(value);
        let u_signal = form.u_level.map_or(0.0, |u| (unit.to_canonical(value + u) - signal).abs());
        Some(Level { signal, u_signal, stay_s })
    }

    fn blank(&mut self, form: Option<&BlankForm>) -> Blank {
        let Some(form) = form else {
            return Blank { rule: BlankWord::None, fixed: None, last: 1, within_s: None, most: None };
        };
        let value = form.value.as_ref().and_then(|text| self.titrant(text));
        let u = form.u.as_ref().and_then(|text| self.titrant(text));
        if form.rule == BlankWord::Fixed && form.value.is_none() {
            let message = "the blank is fixed, and its value is not said".to_owned();
            self.error("missing-key", 0..0, message, "add `value = \"0.02 mL\"` to [blank]");
        }
        Blank {
            rule: form.rule,
            fixed: value.map(|value| (value, u)),
            last: form.last.map_or(3, |n| n as usize),
            within_s: form.within.as_ref().and_then(|text| self.coherent(text, Dimension::TIME, "7 d")),
            most: form.most.as_ref().and_then(|text| self.titrant(text)),
        }
    }

    fn constant(&mut self, form: &ConstantForm) -> Option<Constant> {
        self.declare(form.name.get_ref(), form.name.span(), "a constant");
        let value = match (&form.value, &form.molar_mass, &form.purity_of) {
            (Some(text), None, None) => ConstantValue::Written(self.measure(text, "25 mL")?),
            (None, Some(formula), None) => {
                if let Err(wrong) = molar_mass(formula.get_ref()) {
                    self.error("formula", formula.span(), wrong, "write it as KHC8H4O4 or Na2CO3");
                    return None;
                }
                ConstantValue::MolarMass(formula.get_ref().clone())
            }
            (None, None, Some(standard)) => ConstantValue::PurityOf(standard.get_ref().clone()),
            _ => {
                let message =
                    format!("`{}` needs one of `value`, `molar_mass`, `purity_of`", form.name.get_ref());
                self.error("missing-key", form.name.span(), message, "write exactly one of them");
                return None;
            }
        };
        let u = match (&form.u, &form.within) {
            (Some(u), None) => self.measure(u, "0.01 mL"),
            (None, Some(within)) => self.measure(within, "0.03 mL").map(|mut half| {
                half.value /= form.distribution.map_or(3.0_f64.sqrt(), super::DistributionWord::divisor);
                half
            }),
            (None, None) => None,
            (Some(u), Some(_)) => {
                let message = "`u` and `within` say the same thing twice".to_owned();
                self.error("declared-twice", u.span(), message, "keep one of them");
                None
            }
        };
        if let (Some(u), ConstantValue::Written(value)) = (&u, &value)
            && u.unit.dimension() != value.unit.dimension()
        {
            let message = format!("{} is {}, its uncertainty {}", form.name.get_ref(), value.unit, u.unit);
            self.error("dimension", form.name.span(), message, "state both in one unit");
        }
        Some(Constant {
            name: form.name.get_ref().clone(),
            what: form.what.clone(),
            value,
            u,
            distribution: form
                .within
                .as_ref()
                .map(|_| form.distribution.unwrap_or(super::DistributionWord::Rectangular)),
            kind: form.kind.unwrap_or(ConstantKind::Other),
            source: form.source.clone(),
        })
    }

    fn uncertainty(&mut self, form: &UncertaintyForm) -> Uncertainty {
        let per_kelvin = Dimension::ONE / Dimension::TEMPERATURE;
        Uncertainty {
            repeatability: form.repeatability.as_ref().and_then(|text| self.fraction(text)),
            temperature_within_k: form
                .temperature_within
                .as_ref()
                .and_then(|text| self.coherent(text, Dimension::TEMPERATURE, "3 K")),
            expansion_per_k: form
                .expansion
                .as_ref()
                .and_then(|text| self.coherent(text, per_kelvin, "2.1e-4 1/K")),
            volume_to_20_degc: form.volume_to_20_degc,
            coverage: form.coverage_percent.unwrap_or(95.0) / 100.0,
        }
    }

    fn results(&mut self, procedure: &Procedure, forms: &[ResultForm]) -> Vec<ResultRule> {
        // A name whose own unit is wrong was told; formulae that use it are not checked.
        let mut unclear = BTreeSet::new();
        let mut known = BTreeMap::new();
        for name in procedure.known(false) {
            match name.dimension {
                Some(dimension) => drop(known.insert(name.name, dimension)),
                None => drop(unclear.insert(name.name)),
            }
        }
        let mut rules = Vec::new();
        for form in forms {
            let unit = self.unit(&form.unit);
            let formula = self.formula(form, &known, &unclear, unit.as_ref());
            let rounding = form.rounding.as_ref().map_or(
                Some(results::Rounding { tie: results::Tie::HalfUp, to: results::To::Uncertainty(2) }),
                |rounding| self.rounding(rounding, unit.as_ref()),
            );
            if let Some(symbol) = &form.symbol {
                self.declare(symbol.get_ref(), symbol.span(), "a result");
                match &unit {
                    Some(unit) => drop(known.insert(symbol.get_ref().clone(), unit.dimension())),
                    None => drop(unclear.insert(symbol.get_ref().clone())),
                }
            }
            if let (Some(unit), Some(formula), Some(rounding)) = (unit, formula, rounding) {
                rules.push(ResultRule {
                    name: form.name.get_ref().clone(),
                    symbol: form.symbol.as_ref().map(|s| s.get_ref().clone()),
                    formula,
                    unit,
                    rounding,
                });
            }
        }
        rules
    }

    fn formula(
        &mut self,
        form: &ResultForm,
        known: &BTreeMap<String, Dimension>,
        unclear: &BTreeSet<String>,
        unit: Option<&Unit>,
    ) -> Option<Formula> {
        let text = &form.formula;
        let told = Formula::parse(text.get_ref()).and_then(|formula| {
            let checkable = formula.names().iter().all(|name| !unclear.contains(*name));
            if checkable {
                match unit {
                    Some(unit) => formula.check_unit(known, unit)?,
                    None => drop(formula.check(known)?),
                }
            }
            Ok(formula)
        });
        told.map_err(|wrong| {
            let length = wrong.span.end.saturating_sub(wrong.span.start);
            let place = self.mistakes.within(&text.span(), text.get_ref(), wrong.span.start, length);
            let code = procedure_form().code("formula");
            self.mistakes.error(code, place, message_of(&wrong), Some(wrong.remedy()));
        })
        .ok()
    }

    fn rounding(&mut self, form: &RoundingForm, unit: Option<&Unit>) -> Option<results::Rounding> {
        let half = match form.rule {
            HalfWord::HalfUp => "half-up",
            HalfWord::HalfEven => "half-even",
        };
        // Tried on a value, so that a step in another kind of unit is told now and not after the titration.
        let rule = results::Rounding::parse(half, form.to.get_ref()).and_then(|rule| {
            rule.apply(1.0, Some(0.1), unit.unwrap_or(&Unit::one()))?;
            Ok(rule)
        });
        rule.map_err(|wrong| {
            let remedy = "write \"uncertainty\", \"3 digits\", or a step in the unit of the result";
            self.error("rounding", form.to.span(), wrong.to_string(), remedy);
        })
        .ok()
    }

    /// `unit`: that of the first result, once it is known.
    fn limits(&mut self, form: &LimitsForm, unit: Option<&Unit>) -> Limits {
        let planned = form.replicates.planned;
        let result = form.result.as_ref().zip(unit).map(|(limits, unit)| {
            let mut limit = |text: Option<&Text>| text.and_then(|text| self.limit(text, unit));
            results::Limits {
                from: limit(limits.from.as_ref()),
                to: limit(limits.to.as_ref()),
                compare: match limits.compare {
                    CompareWord::Rounded => results::Compare::Rounded,
                    CompareWord::Full => results::Compare::Full,
                },
                decision: match limits.rule {
                    AcceptWord::Simple => results::Decision::Simple,
                    AcceptWord::GuardBand => results::Decision::GuardBand,
                },
            }
        });
        let burette_use =
            form.burette_use.as_ref().and_then(|used| self.fraction(&used.from).zip(self.fraction(&used.to)));
        Limits {
            planned,
            most: form.replicates.most.unwrap_or(planned).max(planned),
            needed: form.replicates.needed.unwrap_or(planned),
            add_when: form.replicates.add_when,
            rsd_max: form.rsd_max.as_ref().and_then(|text| self.fraction(text)),
            range_max: form.range_max.as_ref().and_then(|text| self.fraction(text)),
            result,
            burette_use,
            from_nominal_max: form.from_nominal_max.as_ref().and_then(|text| self.fraction(text)),
        }
    }

    /// A limit of the first result.
    fn limit(&mut self, text: &Text, unit: &Unit) -> Option<results::Quantity> {
        let quantity = self.measure(text, &format!("5 {unit}"))?;
        if quantity.dimension() == unit.dimension() {
            return Some(quantity);
        }
        let message = format!("\"{}\" is no limit of a result in {unit}", text.get_ref());
        self.error("dimension", text.span(), message, &format!("state it in {unit}"));
        None
    }

    fn standardisation(&mut self, procedure: &Procedure, first: Option<&ResultForm>) {
        let Some(reagent) = procedure.reagent.as_ref().filter(|r| r.is_standardised_here) else { return };
        let Some(first) = first else {
            let message = "a standardisation without a result gives no factor".to_owned();
            self.error(
                "no-result",
                0..0,
                message,
                "add a [[result]] that computes the strength of the titrant",
            );
            return;
        };
        let rule = procedure.results.first();
        if let (Some(nominal), Some(rule)) = (&reagent.nominal, rule)
            && nominal.unit.dimension() != rule.unit.dimension()
        {
            let message = format!("the first result is in {}, the strength in {}", rule.unit, nominal.unit);
            self.error("dimension", first.unit.span(), message, "the first result must be the strength");
        }
        if rule.is_some_and(|rule| rule.formula.names().contains(reagent.name.as_str())) {
            let message = format!("`{}` is found here, and its formula uses it", reagent.name);
            self.error("formula", first.formula.span(), message, "compute it from the standard alone");
        }
    }

    /// "1 mL is equivalent to x mg" must agree with strength and molar mass, to the digits that are written.
    fn equivalent(&mut self, reagent: &Reagent, equivalent: &toml::Spanned<super::form::EquivalentForm>) {
        let (form, span) = (equivalent.get_ref(), equivalent.span());
        let text = Text::new(span.clone(), form.mass.clone());
        let Some(stated) = self.coherent(&text, Dimension::MASS, "6.005 mg") else { return };
        let mass = match molar_mass(&form.of) {
            Ok(mass) => mass,
            Err(wrong) => {
                self.error("formula", span, wrong, "write the formula of what is determined");
                return;
            }
        };
        let Some(nominal) =
            reagent.nominal.as_ref().filter(|n| n.unit.dimension() == Dimension::CONCENTRATION)
        else {
            let message = "an equivalent needs a nominal strength in mol/L".to_owned();
            self.error("equivalent", span, message, "add `nominal = \"0.1 mol/L\"`");
            return;
        };
        let expected = nominal.coherent() * mass * form.ratio.unwrap_or(1.0);
        if ((stated - expected) / expected).abs() > 2e-3 {
            let message = format!(
                "1 mL of {nominal} is equivalent to {:.4} mg of {}, not to {}",
                expected * 1e3,
                form.of,
                form.mass
            );
            self.error("equivalent", span, message, "check mass, formula and `ratio`");
        }
    }
}

fn steps(prepare: Vec<super::form::StepForm>, care: Vec<super::form::StepForm>) -> Vec<DueStep> {
    let of = |usual: WhenWord| {
        move |step: super::form::StepForm| DueStep {
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

/// What is wrong with a formula, without the remedy that a diagnostic tells apart.
fn message_of(wrong: &results::FormulaError) -> String {
    let whole = wrong.to_string();
    let remedy = format!("; {}", wrong.remedy());
    whole.strip_suffix(&remedy).unwrap_or(&whole).to_owned()
}

/// Molar mass in g/mol, or what is wrong with the formula.
fn molar_mass(formula: &str) -> Result<f64, String> {
    let composition = Composition::parse(formula).map_err(|wrong| wrong.to_string())?;
    composition.mass(&AtomicWeights::current()).map(|mass| mass.value).map_err(|wrong| wrong.to_string())
}

/// The number at the beginning of a text, and the rest.
fn split_number(text: &str) -> (&str, &str) {
    text.split_once(char::is_whitespace).map_or_else(
        || {
            let end = text
                .char_indices()
                .find(|(_, c)| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+' | 'e' | 'E')))
                .map_or(text.len(), |(at, _)| at);
            text.split_at(end)
        },
        |(number, unit)| (number, unit.trim()),
    )
}
