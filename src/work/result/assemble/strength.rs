//! Strengths: the factor that holds, a typed value, or the nominal one.

use super::{Gathering, InputSource, typed_with_unit};
use crate::results::{Kind, Quantity, Unit};
use crate::work::{Equipment, EquipmentKind, Kept};

impl<'a> Gathering<'a> {
    pub(super) fn lot(&self, for_name: &str, what: &str) -> Option<&'a Kept<Equipment>> {
        self.equipment(EquipmentKind::Titrant, for_name, |lot| lot.what.as_deref() == Some(what))
    }

    pub(super) fn strengths(&mut self) {
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
                    // A relative error of volume is the piece itself: the same burette errs the same way again.
                    Kind::CalibrationOfVolume if source.unit == "1" => source.clone(),
                    _ => InputSource {
                        kind: Kind::Factor,
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
}
