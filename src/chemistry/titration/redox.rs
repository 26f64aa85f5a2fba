//! Two redox couples, each with its own numbers of electrons and particles.

use super::{Free, Vessel};
use crate::chemistry::constants::thermal_voltage_mv;
use crate::numeric::find_root;

/// a Ox + n e + m H+ = b Red, with a formal potential at 1 mol/L acid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HalfReaction {
    /// Formal potential in mV.
    pub e0_mv: f64,
    /// Electrons in the equation as written.
    pub electrons: f64,
    /// Particles of the oxidised form in the equation.
    pub oxidised: f64,
    /// Particles of the reduced form in the equation.
    pub reduced: f64,
    /// Protons in the equation.
    pub protons: f64,
    /// Reduced form that is there from the start, in mol/L of the sample (iodide that keeps iodine dissolved).
    pub reduced_excess_mol_l: f64,
}

impl HalfReaction {
    /// A couple of one particle on each side and no protons.
    #[must_use]
    pub const fn simple(e0_mv: f64, electrons: f64) -> Self {
        Self { e0_mv, electrons, oxidised: 1.0, reduced: 1.0, protons: 0.0, reduced_excess_mol_l: 0.0 }
    }
}

/// An analyte and a titrant that exchange electrons, with an inert electrode.
#[derive(Debug, Clone)]
pub struct Redox {
    /// Equivalence volume in mL.
    pub end_ml: f64,
    /// The couple of the sample.
    pub analyte: HalfReaction,
    /// The couple of the titrant.
    pub titrant: HalfReaction,
    /// Whether the titrant oxidises.
    pub titrant_oxidises: bool,
    /// Particles of the titrant as its concentration is stated, in one turn of its equation.
    pub titrant_particles: f64,
    /// Decadic logarithm of the share of the analyte that had reacted before the start.
    pub log_reacted: f64,
    /// Concentration of strong acid in the sample in mol/L.
    pub acid_mol_l: f64,
}

/// Turns of an equation in 1 L: still to come, and done.
#[derive(Clone, Copy)]
struct Turns {
    to_come: f64,
    done: f64,
}

impl Redox {
    /// Potential of an inert electrode against the zero of the formal potentials, in mV.
    #[must_use]
    pub fn potential_mv(&self, vessel: &Vessel, volume_ml: f64) -> Option<f64> {
        let (sample, titrant) = vessel.dilution(volume_ml);
        // Electrons that one litre can give and take.
        let per_mole = self.titrant.electrons / self.titrant_particles;
        let wanted = vessel.sample_mol_l(self.end_ml) * sample * per_mole;
        let given = vessel.titrant_mol_l * titrant * per_mole;
        let reacted_before = 10_f64.powf(self.log_reacted) * wanted;
        let acid = self.acid_mol_l * sample;
        let thermal = thermal_voltage_mv(vessel.temperature_c);
        let nernst = |couple: &HalfReaction, turns: Turns, is_oxidised_at_first: bool| {
            let (ox, red) =
                if is_oxidised_at_first { (turns.to_come, turns.done) } else { (turns.done, turns.to_come) };
            let oxidised = couple.oxidised * ox;
            let reduced = couple.reduced * red + couple.reduced_excess_mol_l * sample;
            let logs =
                couple.oxidised * oxidised.ln() - couple.reduced * reduced.ln() + couple.protons * acid.ln();
            couple.e0_mv + thermal / couple.electrons * logs
        };
        let analyte_at = |to_come: f64, done: f64| {
            let n = self.analyte.electrons;
            nernst(&self.analyte, Turns { to_come: to_come / n, done: done / n }, !self.titrant_oxidises)
        };
        let titrant_at = |to_come: f64, done: f64| {
            let n = self.titrant.electrons;
            nernst(&self.titrant, Turns { to_come: to_come / n, done: done / n }, self.titrant_oxidises)
        };
        if given <= 0.0 {
            return Some(analyte_at(wanted, reacted_before)).filter(|e| e.is_finite());
        }
        // The scarcer side is used up but for a trace; solving for the logarithm of the trace loses no digits.
        let excess = wanted - given;
        let scarce = wanted.min(given);
        let potentials = |log_trace: f64| {
            let trace = log_trace.exp();
            let (analyte_left, titrant_left) =
                if excess >= 0.0 { (excess + trace, trace) } else { (trace, trace - excess) };
            let done = scarce - trace;
            (analyte_at(analyte_left, reacted_before + done), titrant_at(titrant_left, done))
        };
        let top = (scarce * (1.0 - 1e-9)).ln();
        let difference = |log_trace: f64| {
            let (analyte, titrant) = potentials(log_trace);
            titrant - analyte
        };
        let log_trace = find_root(difference, top - 400.0, top, 1e-14)?;
        let (analyte, titrant) = potentials(log_trace);
        // Both are the same potential; the one of the side in excess is the better conditioned.
        Some(if excess >= 0.0 { analyte } else { titrant })
    }

    pub(super) fn free(&mut self) -> Vec<Free<'_>> {
        vec![
            Free { step: 1e-6 * self.end_ml, value: &mut self.end_ml, prior: f64::INFINITY },
            Free::unknown(&mut self.titrant.e0_mv, 1e-2),
            Free::unknown(&mut self.log_reacted, 1e-4),
        ]
    }
}
