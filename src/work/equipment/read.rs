//! From an equipment file to its entries, every mistake told with its place.

use super::Equipment;
use super::form::{EquipmentForm, EquipmentKind, ItemForm, Text, equipment_form};
use crate::form::{Diagnostic, Mistakes};
use crate::results::{Dimension, Unit};
use crate::work::procedure::DistributionWord;
use crate::work::written::quantity;

/// Reads an equipment file.
///
/// # Errors
/// Every mistake of the file at once, in its order.
pub fn read_equipment(file: &str, text: &str) -> Result<Vec<Equipment>, Vec<Diagnostic>> {
    let mut mistakes = Mistakes::new(file, text);
    let Some(form) = equipment_form().read::<EquipmentForm>(text, &[], &mut mistakes) else {
        return Err(mistakes.into_sorted());
    };
    let lists = [
        (EquipmentKind::Burette, form.burette),
        (EquipmentKind::Pipette, form.pipette),
        (EquipmentKind::Flask, form.flask),
        (EquipmentKind::Balance, form.balance),
        (EquipmentKind::Thermometer, form.thermometer),
        (EquipmentKind::Buffer, form.buffer),
        (EquipmentKind::Standard, form.standard),
        (EquipmentKind::Titrant, form.titrant),
        (EquipmentKind::Electrode, form.electrode),
        (EquipmentKind::Control, form.control),
    ];
    let mut reader = Reader { mistakes: &mut mistakes };
    let mut all: Vec<Equipment> = Vec::new();
    for (kind, items) in lists {
        for item in &items {
            let entry = reader.entry(kind, item);
            if all.iter().any(|other| other.kind == kind && other.name == entry.name) {
                let message = format!("{} \"{}\" is in the file twice", kind.word(), entry.name);
                reader.error("declared-twice", &item.name, message, "give one of them another name");
            }
            all.push(entry);
        }
    }
    if mistakes.is_empty() { Ok(all) } else { Err(mistakes.into_sorted()) }
}

struct Reader<'a, 'm> {
    mistakes: &'m mut Mistakes<'a>,
}

impl Reader<'_, '_> {
    fn error(&mut self, what: &str, at: &Text, message: String, remedy: &str) {
        self.mistakes.error(equipment_form().code(what), at.span(), message, Some(remedy.to_owned()));
    }

    fn entry(&mut self, kind: EquipmentKind, item: &ItemForm) -> Equipment {
        if item.name.get_ref().trim().is_empty() {
            self.error("no-name", &item.name, "the name is empty".to_owned(), "write how people call it");
        }
        let like = example(kind);
        let value = item.value.as_ref().and_then(|text| self.measure(text, like));
        let unit = value.as_ref().map_or_else(|| usual_unit(kind), |(_, unit)| unit.clone());
        if let Some((_, unit)) = &value
            && let Some(wanted) = dimension(kind)
            && unit.dimension() != wanted
            && let Some(text) = &item.value
        {
            let message = format!("the value of a {} is not measured in {unit}", kind.word());
            self.error("dimension", text, message, &format!("write it as \"{like}\""));
        }
        let u = match (&item.u, &item.within) {
            (Some(u), None) => self.difference(u, &unit),
            (None, Some(half)) => self
                .difference(half, &unit)
                .map(|half| half / item.distribution.unwrap_or(DistributionWord::Rectangular).divisor()),
            (None, None) => None,
            (Some(u), Some(_)) => {
                let message = "`u` and `within` say the same thing twice".to_owned();
                self.error("declared-twice", u, message, "keep one of them");
                None
            }
        };
        let millilitre = volume_unit();
        Equipment {
            kind,
            name: item.name.get_ref().trim().to_owned(),
            identity: item.identity.clone(),
            what: item.what.clone(),
            value: value.map(|(value, _)| value),
            u,
            distribution: item
                .within
                .as_ref()
                .map(|_| item.distribution.unwrap_or(DistributionWord::Rectangular)),
            repeatability: item.repeatability.as_ref().and_then(|text| self.difference(text, &unit)),
            in_proportion: item.in_proportion,
            corrections: item
                .corrections
                .iter()
                .filter_map(|[at, more]| {
                    Some((self.difference(at, &millilitre)?, self.difference(more, &millilitre)?))
                })
                .collect(),
            unit: unit.to_string(),
            table: item.table.as_ref().map(|table| table.get_ref().clone()),
            procedure: item.procedure.clone(),
            expansion_per_k: item.expansion.as_ref().and_then(|text| {
                let per_kelvin = Dimension::ONE / Dimension::TEMPERATURE;
                let (value, unit) = self.measure(text, "2.1e-4 1/K")?;
                if unit.dimension() != per_kelvin {
                    let message = format!("\"{}\" is no expansion", text.get_ref());
                    self.error("dimension", text, message, "write it as \"2.1e-4 1/K\"");
                    return None;
                }
                Some(value * unit.scale())
            }),
            certificate: item.certificate.clone(),
            valid_from: item.valid_from.as_ref().and_then(|text| self.date(text)),
            valid_to: item.valid_to.as_ref().and_then(|text| self.date(text)),
            retired: item.retired,
        }
    }

    fn measure(&mut self, text: &Text, like: &str) -> Option<(f64, Unit)> {
        quantity(text, like, equipment_form(), self.mistakes).map(|q| (q.value, q.unit))
    }

    /// A difference in the unit of the value.
    fn difference(&mut self, text: &Text, unit: &Unit) -> Option<f64> {
        let (value, own) = self.measure(text, &format!("0.01 {unit}"))?;
        if own.dimension() == unit.dimension() {
            return Some(value * own.scale() / unit.scale());
        }
        let message = format!("\"{}\" is not measured in {unit}", text.get_ref());
        self.error("dimension", text, message, &format!("state it in {unit}"));
        None
    }

    fn date(&mut self, text: &Text) -> Option<jiff::civil::Date> {
        let date = text.get_ref().trim().parse().ok();
        if date.is_none() {
            let message = format!("\"{}\" is no date", text.get_ref());
            self.error("date", text, message, "write year, month and day, such as \"2027-01-31\"");
        }
        date
    }
}

fn example(kind: EquipmentKind) -> &'static str {
    match kind {
        EquipmentKind::Burette => "20 mL",
        EquipmentKind::Pipette => "25 mL",
        EquipmentKind::Flask => "100 mL",
        EquipmentKind::Balance => "220 g",
        EquipmentKind::Thermometer => "20 degC",
        EquipmentKind::Buffer => "7.00 pH",
        EquipmentKind::Standard => "0.9998",
        EquipmentKind::Titrant => "0.1 mol/L",
        EquipmentKind::Electrode => "7 pH",
        EquipmentKind::Control => "5.02 g/100 g",
    }
}

fn dimension(kind: EquipmentKind) -> Option<Dimension> {
    match kind {
        EquipmentKind::Burette | EquipmentKind::Pipette | EquipmentKind::Flask => Some(Dimension::VOLUME),
        EquipmentKind::Balance => Some(Dimension::MASS),
        EquipmentKind::Thermometer => Some(Dimension::TEMPERATURE),
        EquipmentKind::Buffer | EquipmentKind::Standard | EquipmentKind::Electrode => Some(Dimension::ONE),
        // Strengths and contents come in many units.
        EquipmentKind::Titrant | EquipmentKind::Control => None,
    }
}

fn volume_unit() -> Unit {
    Unit::parse("mL").unwrap_or_else(|_| Unit::one())
}

/// The unit when no value is stated.
fn usual_unit(kind: EquipmentKind) -> Unit {
    let text = match kind {
        EquipmentKind::Burette | EquipmentKind::Pipette | EquipmentKind::Flask => "mL",
        EquipmentKind::Balance => "g",
        EquipmentKind::Thermometer => "K",
        EquipmentKind::Buffer | EquipmentKind::Electrode => "pH",
        EquipmentKind::Titrant => "mol/L",
        EquipmentKind::Standard | EquipmentKind::Control => "1",
    };
    Unit::parse(text).unwrap_or_else(|_| Unit::one())
}
