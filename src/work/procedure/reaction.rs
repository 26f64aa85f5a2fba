//! What reacts: enough to reckon a curve before anything is weighed.

use crate::chemistry::titration::{
    Anion, Complexation, Component, HalfReaction, Metal, Precipitation, Protolysis, Redox, Scale, System,
    Titration, Vessel,
};

/// What reacts with the titrant.
#[derive(Debug, Clone, PartialEq)]
pub enum Reaction {
    /// Acids and bases.
    Protons(Protons),
    /// An anion with silver, one to one.
    Silver {
        /// pKsp of its salt.
        pksp: f64,
    },
    /// A metal with a chelating agent, one to one.
    Complex {
        /// Decadic logarithm of the constant at the pH of the solution, in L/mol.
        log_k: f64,
    },
    /// Two redox couples.
    Redox {
        /// Formal potential of the analyte in mV.
        analyte_mv: f64,
        /// Formal potential of the titrant in mV.
        titrant_mv: f64,
        /// Electrons of one particle of the analyte and of the titrant.
        electrons: [u32; 2],
    },
}

/// An acid or base and how far it is titrated.
#[derive(Debug, Clone, PartialEq)]
pub struct Protons {
    /// A base with a strong acid; else an acid with a strong base.
    pub is_base: bool,
    /// pKa, first dissociation first; none: strong.
    pub pka: Vec<f64>,
    /// Charge of the form with all its protons.
    pub charge: i32,
    /// Protons that are off at the beginning.
    pub off: u32,
    /// Protons given or taken up to the end-point.
    pub steps: u32,
}

/// What an ion electrode sees beside its ion, as a negative decadic logarithm (common practice, no source).
const FLOOR_P: f64 = 7.0;
/// Share of an analyte that has reacted before the first addition, as a decadic logarithm (common practice, no source).
const REACTED_BEFORE: f64 = -2.5;

impl Reaction {
    /// The titration with its end-point after `end_ml`, as an ideal sensor shows it: pH, or mV against an electrode of
    /// constant potential.
    #[must_use]
    pub fn titration(&self, end_ml: f64, vessel: Vessel) -> Titration {
        let ends_ml = vec![end_ml];
        let (system, scale) = match self {
            Self::Protons(protons) => (System::Protolysis(protons.system(ends_ml)), Scale::Direct),
            Self::Silver { pksp } => {
                let anions = vec![Anion { pksp: *pksp, charge: 1 }];
                let system = Precipitation { ends_ml, anions, background_mol_l: 0.0 };
                (System::Precipitation(system), Scale::Nernst(1.0))
            }
            Self::Complex { log_k } => {
                let metals = vec![Metal { log_k: *log_k, seen: 1.0 }];
                (System::Complexation(Complexation { ends_ml, metals, floor_p: FLOOR_P }), Scale::Nernst(2.0))
            }
            Self::Redox { analyte_mv, titrant_mv, electrons: [of_analyte, of_titrant] } => {
                let system = Redox {
                    end_ml,
                    analyte: HalfReaction::simple(*analyte_mv, f64::from(*of_analyte)),
                    titrant: HalfReaction::simple(*titrant_mv, f64::from(*of_titrant)),
                    titrant_oxidises: titrant_mv > analyte_mv,
                    titrant_particles: 1.0,
                    log_reacted: REACTED_BEFORE,
                    acid_mol_l: 1.0,
                };
                (System::Redox(system), Scale::Direct)
            }
        };
        Titration { system, vessel, scale, offset: 0.0, slope: 1.0 }
    }
}

impl Protons {
    fn system(&self, ends_ml: Vec<f64>) -> Protolysis {
        let amount = 1.0 / f64::from(self.steps.max(1));
        let mut sample =
            vec![Component { of_ends: vec![amount], top_charge: self.charge, pk: self.pka.clone() }];
        // The ion that balances the charge of the form in which it was weighed in.
        let weighed = self.charge - self.off.min(i32::MAX as u32) as i32;
        let strong = self.pka.is_empty();
        if weighed != 0 && !strong {
            sample.push(Component {
                of_ends: vec![amount * f64::from(weighed.abs())],
                top_charge: -weighed.signum(),
                pk: Vec::new(),
            });
        }
        Protolysis {
            ends_ml,
            sample,
            titrant_charge: if self.is_base { -1 } else { 1 },
            background_mol_l: 0.0,
            titrant_carbonate: 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const VESSEL: Vessel = Vessel { sample_volume_ml: 100.0, titrant_mol_l: 0.1, temperature_c: 25.0 };

    fn ph(protons: Protons, volume_ml: f64) -> f64 {
        Reaction::Protons(protons).titration(10.0, VESSEL).signal(volume_ml)
    }

    #[test]
    fn known_acids_and_bases_show_their_ph() {
        let acetic = Protons { is_base: false, pka: vec![4.756], charge: 0, off: 0, steps: 1 };
        // Half-way the pH is pKa, but for the activity of a dilute solution.
        assert!((ph(acetic, 5.0) - 4.756).abs() < 0.05);
        let strong = Protons { is_base: false, pka: Vec::new(), charge: -1, off: 0, steps: 1 };
        assert!((ph(strong, 0.0) - 2.0).abs() < 0.06);
        let tris = Protons { is_base: true, pka: vec![8.07], charge: 1, off: 1, steps: 1 };
        assert!((ph(tris, 5.0) - 8.07).abs() < 0.06);
        // Potassium hydrogen phthalate before the first addition: about the mean of 2.95 and 5.41.
        let phthalate = Protons { is_base: false, pka: vec![2.95, 5.41], charge: 0, off: 1, steps: 1 };
        assert!((ph(phthalate, 0.0) - 4.15).abs() < 0.2);
        // Sodium carbonate to carbonic acid takes two protons; half-way it is hydrogencarbonate.
        let carbonate = Protons { is_base: true, pka: vec![6.352, 10.329], charge: 0, off: 2, steps: 2 };
        assert!((ph(carbonate, 5.0) - 8.3).abs() < 0.2);
    }
}
