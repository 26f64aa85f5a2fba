//! From a run to the inputs of its result: end-points, what was typed, and what the record knows beside the run.

use super::portion::REPEATABILITY;
use super::{Input, InputSource};
use crate::detector::EndPoint;
use crate::results::{Distribution, Kind, Quantity, Unit};
use crate::work::procedure::{
    Asked, BlankWord, Constant, ConstantKind, ConstantValue, DistributionWord, Find, HowWord, Procedure,
    RUN_TIME, ShapeWord, blank_name,
};
use crate::work::{Equipment, EquipmentKind, Kept, Stock};
use std::collections::BTreeMap;

/// Expansion of dilute aqueous titrants near 20 degrees Celsius in 1/K (EURACHEM/CITAC guide CG 4, examples A2 and A3,
/// from memory; 2.07e-4 follows from the density equation of Tanaka et al., Metrologia 38 (2001) 301).
pub const WATER_EXPANSION_PER_K: f64 = 2.1e-4;

/// What is known of a portion beside the procedure.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PortionFacts {
    /// The run; 0 for one that is not in a record.
    pub run: i64,
    /// Its series.
    pub series: String,
    /// Values as typed, by their names: `5.0231 g`.
    pub values: BTreeMap<String, String>,
    /// Equipment and lots by kind or by the name in formulae.
    pub uses: BTreeMap<String, String>,
    /// End-points of the final evaluation, in their order.
    pub end_points: Vec<EndPoint>,
    /// The titrant is weighed.
    pub by_mass: bool,
    /// Duration in s.
    pub duration_s: Option<f64>,
    /// Temperature of the solution in degrees Celsius, if it was measured.
    pub temperature_c: Option<f64>,
    /// The data come from a real instrument or a person.
    pub real: bool,
    /// When the run began, microseconds since 1970 UTC.
    pub utc_us: i64,
}

/// The inputs of a result, and what is to be said about them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Assembled {
    /// What formulae may use.
    pub inputs: Vec<Input>,
    /// Things to know; the result stands.
    pub warnings: Vec<String>,
    /// Without these there is no result, in words.
    pub missing: Vec<String>,
}

impl Assembled {
    /// Gathers the inputs of a portion.
    #[must_use]
    pub fn of(procedure: &Procedure, facts: &PortionFacts, stock: &Stock) -> Self {
        let mut all = Gathering { procedure, facts, stock, out: Self::default() };
        all.finds();
        all.blanks();
        all.strengths();
        for asked in &procedure.asked {
            all.asked(asked);
        }
        for constant in &procedure.constants {
            all.constant(constant);
        }
        all.repeatability();
        let typed = facts.values.get(RUN_TIME).and_then(|text| typed_with_unit(text, "s").ok());
        let (seconds, from) = match typed {
            Some((quantity, _)) => (Some(quantity.coherent()), "keyed"),
            None => (facts.duration_s, "clock of the run"),
        };
        if let Some(seconds) = seconds {
            all.put(RUN_TIME, seconds, "s", from, None, Vec::new());
        }
        all.out
    }
}

struct Gathering<'a> {
    procedure: &'a Procedure,
    facts: &'a PortionFacts,
    stock: &'a Stock,
    out: Assembled,
}

/// Which of the end-points belongs to which find: those in its window, else in their order.
#[must_use]
pub fn match_finds<'e>(finds: &[&Find], end_points: &'e [EndPoint]) -> Vec<Option<&'e EndPoint>> {
    let mut free: Vec<&EndPoint> = end_points.iter().collect();
    free.sort_by(|a, b| a.titrant.total_cmp(&b.titrant));
    let mut matched: Vec<Option<&EndPoint>> = vec![None; finds.len()];
    for (slot, find) in matched.iter_mut().zip(finds) {
        if let Some((from, to)) = find.window
            && let Some(at) = free.iter().position(|e| (from..=to).contains(&e.titrant))
        {
            *slot = Some(free.remove(at));
        }
    }
    for (slot, find) in matched.iter_mut().zip(finds) {
        if slot.is_none() && find.window.is_none() && !free.is_empty() {
            *slot = Some(free.remove(0));
        }
    }
    matched
}

impl<'a> Gathering<'a> {
    /// Scatter of the whole determination, as validation or the analyst states it: a factor of 1.
    fn repeatability(&mut self) {
        let typed = self.facts.values.get(REPEATABILITY).map(|text| typed_with_unit(text, "1"));
        let stated = match typed {
            Some(Ok((quantity, _))) => Some(quantity.coherent()),
            Some(Err(why)) => {
                self.out.missing.push(format!("the repeatability: {why}"));
                None
            }
            None => self.procedure.uncertainty.repeatability,
        };
        if let Some(u) = stated {
            let name = "repeatability of the procedure";
            let own = InputSource::shared(name, Kind::Repeatability, u, "1", "validation, as stated");
            self.put(REPEATABILITY, 1.0, "1", "stated", None, vec![own.of_each_portion()]);
        }
    }

    fn put(
        &mut self,
        name: &str,
        value: f64,
        unit: &str,
        from: &str,
        datum: Option<i64>,
        sources: Vec<InputSource>,
    ) {
        self.out.inputs.push(Input {
            name: name.to_owned(),
            value,
            unit: unit.to_owned(),
            from: from.to_owned(),
            datum: datum.filter(|id| *id > 0),
            sources,
        });
    }

    /// A piece of equipment: named for this value, named for its kind, or the only one that fits.
    fn equipment(
        &self,
        kind: EquipmentKind,
        for_name: &str,
        fits: impl Fn(&Equipment) -> bool,
    ) -> Option<&'a Kept<Equipment>> {
        let named = self.facts.uses.get(for_name).or_else(|| self.facts.uses.get(kind.word()));
        match named {
            Some(name) => self.stock.named(kind, name),
            None => self.stock.only(kind, fits),
        }
    }

    fn titrant_unit(&self) -> &'static str {
        if self.facts.by_mass { "g" } else { "mL" }
    }

    fn finds(&mut self) {
        let procedure = self.procedure;
        let instrumental: Vec<&Find> = procedure.instrumental().collect();
        let matched = match_finds(&instrumental, &self.facts.end_points);
        for (find, end_point) in instrumental.iter().zip(matched) {
            match end_point {
                Some(end_point) => {
                    let from = format!("end-point of run {}, {}", self.facts.run, end_point.method);
                    self.find(find, end_point.titrant, end_point.u, &from);
                }
                // A person may tell what the curve does not show.
                None if self.facts.values.contains_key(&find.name) => self.told(find),
                None if !find.may_be_missing => {
                    let window =
                        find.window.map(|(a, b)| format!(" between {a} and {b} {}", self.titrant_unit()));
                    self.out.missing.push(format!(
                        "the end-point {} was not found{}",
                        find.name,
                        window.unwrap_or_default()
                    ));
                }
                None => {}
            }
        }
        let told = |find: &&Find| matches!(find.shape, Some(ShapeWord::Seen | ShapeWord::Printed));
        for find in procedure.finds.iter().filter(told) {
            self.told(find);
        }
    }

    /// An end-point that a person saw or the instrument printed.
    fn told(&mut self, find: &Find) {
        let Some(text) = self.facts.values.get(&find.name) else {
            self.out.missing.push(format!("the volume at the end-point {} was not told", find.name));
            return;
        };
        let from = match find.shape {
            Some(ShapeWord::Printed) => "printed by the instrument",
            _ => "seen and keyed",
        };
        match typed(text, self.titrant_unit()) {
            Ok((quantity, None)) => self.find(find, quantity, None, from),
            // Who states the uncertainty of a volume has the burette in it already.
            Ok((quantity, Some(u))) => {
                let unit = self.titrant_unit();
                let name = format!("volume {}", find.name);
                let own = InputSource::shared(name, Kind::CalibrationOfVolume, u, unit, "keyed");
                self.put(&find.name, quantity, unit, from, None, vec![own.of_each_portion()]);
            }
            Err(why) => self.out.missing.push(format!("the end-point {}: {why}", find.name)),
        }
    }

    /// One end-point, in mL or g: its own uncertainty, the burette, the temperature.
    fn find(&mut self, find: &Find, titrant: f64, u: Option<f64>, from: &str) {
        let unit = self.titrant_unit();
        let mut sources = Vec::new();
        match u {
            Some(u) => sources.push(
                InputSource::shared(format!("end-point {}", find.name), Kind::EndPoint, u, unit, from)
                    .of_each_portion(),
            ),
            None => {
                self.out.warnings.push(format!("the end-point {} has no uncertainty of its own", find.name))
            }
        }
        let mut value = titrant;
        if !self.facts.by_mass {
            let corrected = self.burette(find, titrant, &mut sources);
            value = self.to_20_degc(corrected, &mut sources);
        } else if let Some(balance) = self.equipment(EquipmentKind::Balance, &find.name, |_| true) {
            sources.extend(weighing(&balance.it, 2.0, &find.name));
        }
        self.put(&find.name, value, unit, from, None, sources);
    }

    fn burette(&mut self, find: &Find, titrant: f64, sources: &mut Vec<InputSource>) -> f64 {
        let Some(burette) = self.equipment(EquipmentKind::Burette, &find.name, |_| true) else {
            if self.stock.of(EquipmentKind::Burette).next().is_some() {
                self.out.warnings.push(
                    "which burette was used is not said: its calibration is not in the budget".to_owned(),
                );
            }
            return titrant;
        };
        let b = &burette.it;
        if let Some(u) = b.u {
            // Two end-points lie at different places of the burette: each has its own error of calibration.
            let name = format!("calibration of burette {} at {}", b.name, find.name);
            let from = b.certificate.clone().unwrap_or_default();
            sources.push(InputSource {
                distribution: distribution(b.distribution),
                ..InputSource::shared(name, Kind::CalibrationOfVolume, u, &b.unit, from)
            });
        }
        if let Some(s) = b.repeatability {
            let name = format!("delivery of burette {} at {}", b.name, find.name);
            sources.push(InputSource::shared(name, Kind::Repeatability, s, &b.unit, "").of_each_portion());
        }
        if let Some(capacity) = b.value {
            let used = titrant / capacity;
            if let Some((from, to)) = self.procedure.limits.burette_use
                && !(from..=to).contains(&used)
            {
                self.out.warnings.push(format!(
                    "{} used {:.0} % of the burette; the procedure asks for {:.0} to {:.0} %",
                    find.name,
                    used * 100.0,
                    from * 100.0,
                    to * 100.0
                ));
            }
        }
        titrant + correction(&b.corrections, titrant)
    }

    fn to_20_degc(&mut self, volume_ml: f64, sources: &mut Vec<InputSource>) -> f64 {
        let rules = &self.procedure.uncertainty;
        let lot = self.lot("", self.procedure.reagent.as_ref().map_or("", |r| r.titrant.as_str()));
        let expansion = lot
            .and_then(|lot| lot.it.expansion_per_k)
            .or(rules.expansion_per_k)
            .unwrap_or(WATER_EXPANSION_PER_K);
        let measured = self.facts.temperature_c.filter(|_| rules.volume_to_20_degc);
        if let Some(temperature_c) = measured {
            let thermometer = self.equipment(EquipmentKind::Thermometer, "", |_| true);
            if let Some(u) = thermometer.and_then(|t| t.it.u) {
                sources.push(InputSource {
                    derivative: Some(volume_ml * expansion),
                    ..InputSource::shared(
                        "temperature of the titrant",
                        Kind::Temperature,
                        u,
                        "K",
                        "thermometer",
                    )
                });
            }
            return volume_ml * (1.0 - expansion * (temperature_c - 20.0));
        }
        if let Some(within) = rules.temperature_within_k {
            sources.push(InputSource {
                distribution: Distribution::Rectangular,
                derivative: Some(volume_ml * expansion),
                ..InputSource::shared(
                    "temperature of the titrant",
                    Kind::Temperature,
                    within / 3.0_f64.sqrt(),
                    "K",
                    "stated by the procedure",
                )
            });
        }
        volume_ml
    }

    fn blanks(&mut self) {
        let (procedure, facts, stock) = (self.procedure, self.facts, self.stock);
        let rule = &procedure.blank;
        if rule.rule == BlankWord::None {
            return;
        }
        let unit = self.titrant_unit();
        for find in &procedure.finds {
            let name = blank_name(&find.name);
            if let Some(text) = facts.values.get(&name) {
                match typed(text, unit) {
                    Ok((value, u)) => self.blank(&name, value, u, "keyed", None),
                    Err(why) => self.out.missing.push(format!("the blank {name}: {why}")),
                }
                continue;
            }
            if rule.rule == BlankWord::Fixed {
                match rule.fixed {
                    Some((value, u)) => self.blank(&name, value, u, "fixed by the procedure", None),
                    None => self.out.missing.push(format!("the blank {name} has no value")),
                }
                continue;
            }
            let good = |kept: &&Kept<crate::work::BlankValue>| {
                let age_s = (facts.utc_us - kept.utc_us) as f64 / 1e6;
                kept.it.procedure == procedure.id
                    && kept.it.find == find.name
                    && !kept.it.set_aside
                    && (rule.rule != BlankWord::MeanOfSeries || kept.it.series == facts.series)
                    && rule.within_s.is_none_or(|within| age_s <= within)
            };
            let mut found: Vec<&Kept<crate::work::BlankValue>> = stock.blanks.iter().filter(good).collect();
            let take = match rule.rule {
                BlankWord::MeanOfLast => rule.last,
                BlankWord::LatestValid => 1,
                _ => found.len(),
            };
            let found = found.split_off(found.len().saturating_sub(take));
            self.mean_blank(&name, &found);
        }
    }

    fn mean_blank(&mut self, name: &str, found: &[&Kept<crate::work::BlankValue>]) {
        let n = found.len();
        if n == 0 {
            let where_from = match self.procedure.blank.rule {
                BlankWord::MeanOfSeries => "titrated in this series",
                _ => "of this procedure that is still good",
            };
            self.out.missing.push(format!("there is no blank {where_from} for {name}; titrate one"));
            return;
        }
        let mean = found.iter().map(|b| b.it.value).sum::<f64>() / n as f64;
        let own = found.iter().map(|b| b.it.u.unwrap_or(0.0).powi(2)).sum::<f64>().sqrt() / n as f64;
        let variance = found.iter().map(|b| (b.it.value - mean).powi(2)).sum::<f64>() / (n.max(2) - 1) as f64;
        let scatter = (variance / n as f64).sqrt();
        if let Some(most) = self.procedure.blank.most.filter(|most| mean > *most) {
            self.out.warnings.push(format!("{name} is {mean:.3}, the procedure allows at most {most}"));
        }
        let runs: Vec<String> = found.iter().map(|b| b.it.run.to_string()).collect();
        let from = format!("mean of {n}: run {}", runs.join(", "));
        let datum = found.last().map(|b| b.datum);
        if n > 1 && scatter > own {
            let source = InputSource {
                degrees: Some((n - 1) as f64),
                distribution: Distribution::Student,
                ..InputSource::shared(
                    format!("scatter of {name}"),
                    Kind::Blank,
                    scatter,
                    self.titrant_unit(),
                    &*from,
                )
            };
            self.blank_with(name, mean, vec![source], &from, datum);
        } else {
            self.blank(name, mean, Some(own), &from, datum);
        }
    }

    fn blank(&mut self, name: &str, value: f64, u: Option<f64>, from: &str, datum: Option<i64>) {
        let unit = self.titrant_unit();
        let sources = u.map(|u| InputSource::shared(format!("blank {name}"), Kind::Blank, u, unit, from));
        self.blank_with(name, value, sources.into_iter().collect(), from, datum);
    }

    fn blank_with(
        &mut self,
        name: &str,
        value: f64,
        sources: Vec<InputSource>,
        from: &str,
        datum: Option<i64>,
    ) {
        let unit = self.titrant_unit();
        self.put(name, value, unit, from, datum, sources);
    }

    fn lot(&self, for_name: &str, what: &str) -> Option<&'a Kept<Equipment>> {
        self.equipment(EquipmentKind::Titrant, for_name, |lot| lot.what.as_deref() == Some(what))
    }

    fn strengths(&mut self) {
        let procedure = self.procedure;
        let mut wanted = Vec::new();
        if let Some(r) = procedure.reagent.as_ref().filter(|r| !r.is_standardised_here) {
            wanted.push((&r.name, &r.titrant, r.nominal.as_ref()));
        }
        wanted.extend(procedure.solutions.iter().map(|s| (&s.name, &s.what, s.nominal.as_ref())));
        for (name, what, nominal) in wanted {
            self.strength(name, what, nominal);
        }
    }

    fn strength(&mut self, name: &str, what: &str, nominal: Option<&Quantity>) {
        if let Some(text) = self.facts.values.get(name) {
            let unit = nominal.map_or_else(|| "mol/L".to_owned(), |n| n.unit.to_string());
            match typed_with_unit(text, &unit) {
                Ok((quantity, u)) => {
                    let source = u.map(|u| {
                        InputSource::shared(
                            format!("strength {name}"),
                            Kind::Factor,
                            u,
                            &quantity.unit.to_string(),
                            "keyed",
                        )
                    });
                    self.put(
                        name,
                        quantity.value,
                        &quantity.unit.to_string(),
                        "keyed",
                        None,
                        source.into_iter().collect(),
                    );
                }
                Err(why) => self.out.missing.push(format!("the strength {name}: {why}")),
            }
            return;
        }
        let lot = self.lot(name, what);
        if let Some(lot) = lot
            && let Some(factor) = self.stock.factor(&lot.it.name, self.facts.utc_us, self.facts.real)
        {
            let f = &factor.it;
            let sources = f
                .sources
                .iter()
                .map(|source| match source.kind {
                    // What was true of the balance and the burette then need not be true of them now.
                    Kind::MolarMass | Kind::Standard => source.clone(),
                    _ => InputSource {
                        name: format!("factor of {}: {}", f.lot, source.name),
                        ..source.clone()
                    },
                })
                .collect();
            let from = format!("factor of {} by series {}, {} portions", f.lot, f.series, f.n);
            self.put(name, f.value, &f.unit, &from, Some(factor.datum), sources);
            return;
        }
        let Some(nominal) = lot
            .and_then(|lot| Some(Quantity::new(lot.it.value?, Unit::parse(&lot.it.unit).ok()?)))
            .or_else(|| nominal.cloned())
        else {
            self.out
                .missing
                .push(format!("the strength of {what} is not known: standardise it, or give {name}"));
            return;
        };
        self.out.warnings.push(format!(
            "{what} has no factor: its nominal strength {nominal} stands in for {name}, and the budget is incomplete"
        ));
        self.put(
            name,
            nominal.value,
            &nominal.unit.to_string(),
            "nominal, not standardised",
            None,
            Vec::new(),
        );
    }

    fn asked(&mut self, asked: &Asked) {
        let unit = asked.unit.to_string();
        let typed = match (self.facts.values.get(&asked.name), asked.usual) {
            (Some(text), _) => typed_with_unit(text, &unit),
            (None, Some(usual)) => Ok((Quantity::new(usual, asked.unit.clone()), None)),
            (None, None) => {
                self.out.missing.push(format!("{} ({}) was not given", asked.what, asked.name));
                return;
            }
        };
        let (quantity, u) = match typed {
            Ok(typed) => typed,
            Err(why) => {
                self.out.missing.push(format!("{} ({}): {why}", asked.what, asked.name));
                return;
            }
        };
        let Some(value) = quantity.in_unit(&asked.unit) else {
            self.out.missing.push(format!(
                "{} ({}) is measured in {unit}, not in {}",
                asked.what, asked.name, quantity.unit
            ));
            return;
        };
        let outside = asked.from.is_some_and(|from| value < from) || asked.to.is_some_and(|to| value > to);
        if outside {
            let bound = |b: Option<f64>| b.map_or_else(|| "any".to_owned(), |b| b.to_string());
            self.out.warnings.push(format!(
                "{} is {value} {unit}; the procedure asks for {} to {} {unit}",
                asked.what,
                bound(asked.from),
                bound(asked.to)
            ));
        }
        let sources = match u {
            Some(u) => {
                let kind = if asked.unit.dimension() == crate::results::Dimension::MASS {
                    Kind::CalibrationOfMass
                } else if asked.unit.dimension() == crate::results::Dimension::VOLUME {
                    Kind::CalibrationOfVolume
                } else {
                    Kind::Other
                };
                let own =
                    InputSource::shared(asked.what.clone(), kind, u, &quantity.unit.to_string(), "keyed");
                vec![own.of_each_portion()]
            }
            None => self.measured_by(asked, value),
        };
        self.put(&asked.name, value, &unit, "keyed", None, sources);
    }

    fn measured_by(&self, asked: &Asked, value: f64) -> Vec<InputSource> {
        let weighings = match asked.how {
            HowWord::OneReading => 1.0,
            HowWord::ByDifference | HowWord::BackWeighed => 2.0,
            HowWord::Pipette | HowWord::Flask => {
                let kind =
                    if asked.how == HowWord::Pipette { EquipmentKind::Pipette } else { EquipmentKind::Flask };
                let in_ml = asked.unit.to_coherent(value);
                let fits = |e: &Equipment| e.value.is_some_and(|v| (v - in_ml).abs() <= 1e-6 * in_ml.abs());
                return self.equipment(kind, &asked.name, fits).map(|e| volume(&e.it)).unwrap_or_default();
            }
            HowWord::Typed => return Vec::new(),
        };
        // Only a mass is weighed; one reading of anything else is what was typed.
        let is_mass = asked.unit.dimension() == crate::results::Dimension::MASS;
        self.equipment(EquipmentKind::Balance, &asked.name, |_| true)
            .filter(|_| is_mass)
            .map(|balance| weighing(&balance.it, weighings, &asked.name))
            .unwrap_or_default()
    }

    fn constant(&mut self, constant: &Constant) {
        if let Some(text) = self.facts.values.get(&constant.name) {
            // A value for this lot or this sample replaces the one of the procedure.
            let unit = match &constant.value {
                ConstantValue::Written(quantity) => quantity.unit.to_string(),
                ConstantValue::MolarMass(_) => "g/mol".to_owned(),
                ConstantValue::PurityOf(_) => "1".to_owned(),
            };
            match typed_with_unit(text, &unit) {
                Ok((quantity, u)) => {
                    let own = constant_source(constant, u, &quantity.unit.to_string(), "keyed");
                    self.put(&constant.name, quantity.value, &quantity.unit.to_string(), "keyed", None, own);
                }
                Err(why) => self.out.missing.push(format!("{}: {why}", constant.name)),
            }
            return;
        }
        let words = constant.source.clone().unwrap_or_else(|| "stated by the procedure".to_owned());
        match &constant.value {
            ConstantValue::Written(quantity) => {
                let unit = quantity.unit.to_string();
                let u = constant.u.as_ref().map(|u| u.value * u.unit.scale() / quantity.unit.scale());
                let own = constant_source(constant, u, &unit, &words);
                self.put(&constant.name, quantity.value, &unit, &words, None, own);
            }
            ConstantValue::MolarMass(formula) => self.molar_mass(constant, formula, &words),
            ConstantValue::PurityOf(standard) => {
                let lot = self.equipment(EquipmentKind::Standard, &constant.name, |lot| {
                    lot.what.as_deref() == Some(standard.as_str()) || lot.name == *standard
                });
                match lot {
                    Some(lot) if lot.it.value.is_some() => {
                        let name = format!("purity of {}", lot.it.name);
                        let source = lot.it.u.map(|u| InputSource {
                            distribution: distribution(lot.it.distribution),
                            ..InputSource::shared(
                                name,
                                Kind::Standard,
                                u,
                                &lot.it.unit,
                                lot.it.certificate.clone().unwrap_or_default(),
                            )
                        });
                        let (unit, from) = (lot.it.unit.clone(), format!("lot {}", lot.it.name));
                        self.put(
                            &constant.name,
                            lot.it.value.unwrap_or(1.0),
                            &unit,
                            &from,
                            Some(lot.datum),
                            source.into_iter().collect(),
                        );
                    }
                    _ => {
                        self.out.warnings.push(format!(
                            "no lot of {standard} is entered: its purity is taken as 1, and the budget is incomplete"
                        ));
                        self.put(&constant.name, 1.0, "1", "not entered", None, Vec::new());
                    }
                }
            }
        }
    }

    fn molar_mass(&mut self, constant: &Constant, formula: &str, words: &str) {
        use crate::chemistry::formula_mass::{AtomicWeights, Composition};
        let weights = AtomicWeights::current();
        let Ok(composition) = Composition::parse(formula) else {
            self.out.missing.push(format!("the formula {formula} of {} cannot be read", constant.name));
            return;
        };
        let Ok(mass) = composition.mass(&weights) else {
            self.out.missing.push(format!("{formula} has an element without an atomic weight"));
            return;
        };
        let sources = composition
            .elements()
            .filter_map(|(element, count)| {
                let weight = weights.get(element)?;
                Some(InputSource {
                    distribution: Distribution::Rectangular,
                    derivative: Some(count),
                    ..InputSource::shared(
                        format!("atomic weight of {element}"),
                        Kind::MolarMass,
                        weight.half_width / 3.0_f64.sqrt(),
                        "g/mol",
                        weights.source(),
                    )
                })
            })
            .collect();
        let from = if constant.source.is_some() { words.to_owned() } else { weights.source().to_owned() };
        self.put(&constant.name, mass.value, "g/mol", &from, None, sources);
    }
}

fn constant_source(constant: &Constant, u: Option<f64>, unit: &str, from: &str) -> Vec<InputSource> {
    let kind = match constant.kind {
        ConstantKind::Volume => Kind::CalibrationOfVolume,
        ConstantKind::Mass => Kind::CalibrationOfMass,
        ConstantKind::Purity => Kind::Standard,
        ConstantKind::Repeatability => Kind::Repeatability,
        ConstantKind::Other => Kind::Other,
    };
    let name = constant.what.clone().unwrap_or_else(|| constant.name.clone());
    u.map(|u| InputSource {
        distribution: distribution(constant.distribution),
        ..InputSource::shared(name, kind, u, unit, from)
    })
    .into_iter()
    .collect()
}

fn distribution(word: Option<DistributionWord>) -> Distribution {
    match word {
        Some(DistributionWord::Rectangular) => Distribution::Rectangular,
        Some(DistributionWord::Triangular) => Distribution::Triangular,
        Some(DistributionWord::NormalK2) | None => Distribution::Normal,
    }
}

/// Calibration and repeatability of a balance over so many weighings.
///
/// The calibration (linearity) counts once for each weighing, as in EURACHEM/CITAC guide CG 4, example A2: a tare and a
/// gross reading lie at different places of the scale.
fn weighing(balance: &Equipment, times: f64, of: &str) -> Vec<InputSource> {
    let mut sources = Vec::new();
    let from = balance.certificate.clone().unwrap_or_default();
    if let Some(u) = balance.u {
        let name = format!("calibration of balance {} for {of}", balance.name);
        sources.push(InputSource {
            distribution: distribution(balance.distribution),
            ..InputSource::shared(name, Kind::CalibrationOfMass, u * times.sqrt(), &balance.unit, from)
        });
    }
    if let Some(s) = balance.repeatability {
        let name = format!("weighing of {of}");
        let own = InputSource::shared(name, Kind::Repeatability, s * times.sqrt(), &balance.unit, "");
        sources.push(own.of_each_portion());
    }
    sources
}

/// Calibration and repeatability of a pipette or flask.
fn volume(piece: &Equipment) -> Vec<InputSource> {
    let mut sources = Vec::new();
    let name = format!("{} {}", piece.kind.word(), piece.name);
    if let Some(u) = piece.u {
        let from = piece.certificate.clone().unwrap_or_default();
        sources.push(InputSource {
            distribution: distribution(piece.distribution),
            ..InputSource::shared(
                format!("calibration of {name}"),
                Kind::CalibrationOfVolume,
                u,
                &piece.unit,
                from,
            )
        });
    }
    if let Some(s) = piece.repeatability {
        let own = InputSource::shared(format!("delivery of {name}"), Kind::Repeatability, s, &piece.unit, "");
        sources.push(own.of_each_portion());
    }
    sources
}

/// What a burette delivers more than it shows, between the volumes of its check by a straight line.
fn correction(table: &[(f64, f64)], volume_ml: f64) -> f64 {
    let mut below = (0.0, 0.0);
    for &(at, more) in table {
        if volume_ml <= at {
            let width = at - below.0;
            let share = if width > 0.0 { (volume_ml - below.0) / width } else { 1.0 };
            return below.1 + share * (more - below.1);
        }
        below = (at, more);
    }
    below.1
}

/// A typed amount of titrant, with its standard uncertainty if one was typed behind `+-`.
fn typed(text: &str, unit: &str) -> Result<(f64, Option<f64>), String> {
    let (quantity, u) = typed_with_unit(text, unit)?;
    let wanted = Unit::parse(unit).map_err(|wrong| wrong.to_string())?;
    let value = quantity.in_unit(&wanted).ok_or_else(|| format!("\"{text}\" is not measured in {unit}"))?;
    Ok((value, u.map(|u| u * quantity.unit.scale() / wanted.scale())))
}

/// A typed quantity: `5.0231 g`, `5.0231` in the usual unit, `18.64 mL +- 0.013` with its standard uncertainty.
///
/// # Errors
/// In words, with what would be right.
pub fn typed_with_unit(text: &str, usual: &str) -> Result<(Quantity, Option<f64>), String> {
    let (value, u) = text
        .split_once("+-")
        .or_else(|| text.split_once('±'))
        .map_or((text, None), |(value, u)| (value, Some(u)));
    let mut quantity = Quantity::parse(value).map_err(|wrong| wrong.to_string())?;
    if value.trim().parse::<f64>().is_ok() {
        quantity.unit = Unit::parse(usual).map_err(|wrong| wrong.to_string())?;
    }
    let u = u.map(|u| {
        let own = Quantity::parse(u).map_err(|wrong| wrong.to_string())?;
        let bare = u.trim().parse::<f64>().is_ok();
        let scaled = if bare { own.value } else { own.value * own.unit.scale() / quantity.unit.scale() };
        if !bare && own.dimension() != quantity.dimension() {
            return Err(format!("the uncertainty in \"{text}\" is in another kind of unit"));
        }
        if scaled < 0.0 {
            return Err(format!("the uncertainty in \"{text}\" is negative"));
        }
        Ok(scaled)
    });
    Ok((quantity, u.transpose()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn typed_values_carry_unit_and_uncertainty() {
        let (q, u) = typed_with_unit("18.64 mL +- 0.013", "mL").unwrap();
        assert_eq!((q.value, u), (18.64, Some(0.013)));
        let (q, u) = typed_with_unit("0.3888 ± 0.13 mg", "g").unwrap();
        assert_eq!(q.unit.to_string(), "g");
        assert!((u.unwrap() - 1.3e-4).abs() < 1e-12);
        assert!(typed_with_unit("5 g +- 1 mL", "g").is_err());
        assert!(typed_with_unit("5,2 g", "g").is_err());
        assert!((typed("12 uL", "mL").unwrap().0 - 0.012).abs() < 1e-12);
    }

    #[test]
    fn a_correction_lies_on_the_line_between_the_volumes_of_the_check() {
        let table = [(5.0, 0.004), (10.0, 0.010), (20.0, -0.002)];
        for (volume, expected) in [(0.0, 0.0), (2.5, 0.002), (7.5, 0.007), (15.0, 0.004), (25.0, -0.002)] {
            assert!((correction(&table, volume) - expected).abs() < 1e-12, "{volume}");
        }
        assert!(correction(&[], 3.0).abs() < 1e-12);
    }
}
