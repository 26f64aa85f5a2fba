//! End-points: what was found or told, the burette, the temperature.

use super::measured::weighing;
use super::typed::typed_titrant;
use super::{Gathering, InputSource, WATER_EXPANSION_PER_K, distribution, match_finds};
use crate::results::{Distribution, Kind};
use crate::work::EquipmentKind;
use crate::work::procedure::{Find, ShapeWord};

impl<'a> Gathering<'a> {
    pub(super) fn finds(&mut self) {
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
        match typed_titrant(text, self.titrant_unit()) {
            Ok((quantity, None)) => self.find(find, quantity, find.u_told, from),
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
        let mut sources: Vec<InputSource> = self.by_electrode(find, titrant).into_iter().collect();
        // What the procedure states of its level stands for a check; where there is one, it counts and the other does not.
        let stated = if sources.is_empty() { 0.0 } else { self.u_of_level(find, titrant) };
        let u = u.map(|u| (u * u - stated * stated).max(0.0).sqrt());
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
            value = self.at_20_degc(corrected, &mut sources);
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
        if let (Some(u), Some(capacity)) = (b.u, b.value.filter(|_| b.in_proportion)) {
            // One error for all volumes of this burette: it cancels where two of them are divided.
            let name = format!("calibration of burette {}", b.name);
            let from = b.certificate.clone().unwrap_or_default();
            sources.push(InputSource {
                distribution: distribution(b.distribution),
                ..InputSource::shared(name, Kind::CalibrationOfVolume, u / capacity, "1", from)
            });
        } else if let Some(u) = b.u {
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
        if let Some((checked, _)) = b.corrections.last().filter(|(at, _)| titrant > *at) {
            self.out.warnings.push(format!(
                "burette {} was checked up to {checked} mL, {} lies beyond: check it there too",
                b.name, find.name
            ));
        }
        titrant + correction(&b.corrections, titrant)
    }

    fn at_20_degc(&mut self, volume_ml: f64, sources: &mut Vec<InputSource>) -> f64 {
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
}

/// What a burette delivers more than it shows, between the volumes of its check by a straight line.
pub(super) fn correction(table: &[(f64, f64)], volume_ml: f64) -> f64 {
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
