//! A day on the simulated bench: what is true that day, drawn by its seed, and the beakers that come to it.
//!
//! The day has effects that no model of the program knows: carbonate in the titrant, an uneven burette, warm and cool
//! solutions, errors of weighing, a drifting electrode. Their sizes are those of a careful lab (common practice, no
//! source); what the lab states about its equipment (tolerances, purity) is what [`Day`] draws from.

use super::{BuretteError, CARBONIC_PK, Dissolved, Scenario};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Expansion of water near 20 degrees Celsius in 1/K: 2.07e-4 from the density equation of Tanaka et al., Metrologia 38
/// (2001) 301.
const EXPANSION_PER_K: f64 = 2.07e-4;
/// Molar mass of potassium hydrogen phthalate in g/mol (atomic weights of 2021).
const PHTHALATE_G_MOL: f64 = 204.222;
/// Molar mass of acetic acid in g/mol (atomic weights of 2021).
const ACETIC_G_MOL: f64 = 60.052;
/// pKa of phthalic acid at 25 degrees Celsius: handbook values.
const PHTHALIC_PK: [f64; 2] = [2.950, 5.408];
/// pKa of acetic acid at 25 degrees Celsius: handbook value.
const ACETIC_PK: f64 = 4.756;

/// What is true on one day.
#[derive(Debug, Clone, PartialEq)]
pub struct Day {
    seed: u64,
    /// Concentration of the base at 20 degrees Celsius in mol/L, carbonate counted as two.
    pub base_mol_l: f64,
    /// Share of the base that has become carbonate.
    pub carbonate: f64,
    /// Purity of the phthalate as a mass fraction; its label says 0.9998, within 0.0005.
    pub phthalate_purity: f64,
    /// Acetic acid in the samples A and B and in the control material, in g/100 g; the label of the control
    /// material says 5.000 with a standard uncertainty of 0.005.
    pub content_g_100g: [f64; 3],
    /// Acid of the water in a beaker in mmol.
    pub blank_mmol: f64,
    /// The scale of the balance: what it shows over what is true.
    pub balance_scale: f64,
    /// What the balance shows too little with the standard and with a sample, in g: its curve at the full vessel less that at
    /// the empty one, each within 0.15 mg.
    balance_curve_g: [f64; 2],
    burette: BuretteError,
    slope: f64,
    offset_ph: f64,
    lag_s: f64,
    drift_ph_h: f64,
    room_c: f64,
}

/// What stands under the electrode.
#[derive(Debug, Clone, PartialEq)]
pub enum Beaker {
    /// Three buffers, one after the other: 4.005, 6.865 and 9.180 at 25 degrees Celsius.
    Buffers,
    /// Potassium hydrogen phthalate: the mass that the balance showed, in g.
    Phthalate(f64),
    /// Sample A, B or the control material (0, 1, 2): the mass that the balance showed, in g.
    Vinegar(usize, f64),
    /// Water alone.
    Blank,
}

impl Beaker {
    /// Reads `phthalate=0.2512` or `blank/2`: the beaker, and the how-manieth of the day it is.
    ///
    /// # Errors
    /// In words, with what may be written.
    pub fn parse(text: &str) -> Result<(Self, u64), String> {
        let (text, nth) = match text.split_once('/') {
            Some((text, nth)) => (text, nth.parse().map_err(|_| format!("`{nth}` is no whole number"))?),
            None => (text, 1),
        };
        let (what, mass) = text.split_once('=').map_or((text, None), |(what, mass)| (what, Some(mass)));
        let grams = || {
            let value = mass.and_then(|m| m.strip_suffix('g').unwrap_or(m).parse::<f64>().ok());
            value
                .filter(|m| *m > 0.0 && *m < 100.0)
                .ok_or_else(|| format!("`{text}` needs a mass: {what}=0.25"))
        };
        let beaker = match what {
            "buffers" => Self::Buffers,
            "blank" => Self::Blank,
            "phthalate" => Self::Phthalate(grams()?),
            "vinegar-a" => Self::Vinegar(0, grams()?),
            "vinegar-b" => Self::Vinegar(1, grams()?),
            "control" => Self::Vinegar(2, grams()?),
            _ => {
                return Err(format!(
                    "`{text}` is no beaker; write buffers, blank, phthalate=GRAMS, vinegar-a=GRAMS, vinegar-b=GRAMS or control=GRAMS"
                ));
            }
        };
        Ok((beaker, nth))
    }
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

impl Day {
    /// Draws a day.
    #[must_use]
    pub fn drawn(seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0xDA1);
        let r = &mut rng;
        Self {
            seed,
            base_mol_l: 0.1 * (1.0 + 0.008 * normal(r)),
            carbonate: r.random_range(0.0..0.01),
            phthalate_purity: 0.9998 + r.random_range(-0.0005..0.0005),
            content_g_100g: [
                5.0 * r.random_range(0.85..1.15),
                5.0 * r.random_range(0.85..1.15),
                5.0 + 0.005 * normal(r),
            ],
            blank_mmol: 0.03 * (1.0 + 0.2 * normal(r)).abs(),
            balance_scale: 1.0 + 2e-5 * normal(r),
            burette: BuretteError {
                over_all_ml: r.random_range(-0.02..0.02),
                screw_ml: r.random_range(0.0..0.005),
                screw_at: r.random_range(0.0..1.0),
            },
            slope: r.random_range(0.96..1.0),
            offset_ph: r.random_range(-0.08..0.08),
            lag_s: r.random_range(1.0..3.0),
            drift_ph_h: 0.01 * normal(r),
            room_c: 20.0 + r.random_range(-3.0..3.0),
            balance_curve_g: [(); 2]
                .map(|()| r.random_range(-1.5e-4..1.5e-4) - r.random_range(-1.5e-4..1.5e-4)),
        }
    }

    /// What happens when this beaker comes, the `nth` of the day (it decides what is drawn for it alone).
    #[must_use]
    pub fn scenario(&self, beaker: &Beaker, nth: u64) -> Scenario {
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed.wrapping_mul(1_000_003).wrapping_add(nth));
        let r = &mut rng;
        let temperature_c = self.room_c + 0.3 * normal(r);
        // The balance repeats within 0.1 mg.
        let curve_g = self.balance_curve_g[usize::from(!matches!(beaker, Beaker::Phthalate(_)))];
        let mut true_mass_g = |shown: f64| (shown + curve_g + 1e-4 * normal(r)) / self.balance_scale;
        // The standard is dissolved in water that was boiled; the other beakers get the water of the day.
        let water_mmol = if matches!(beaker, Beaker::Phthalate(_)) { 0.0 } else { self.blank_mmol };
        let mut dissolved = vec![Dissolved { mmol: water_mmol, top_charge: 0, pk: vec![CARBONIC_PK[0]] }];
        let mut protons_mmol = water_mmol;
        match beaker {
            Beaker::Buffers | Beaker::Blank => {}
            Beaker::Phthalate(shown) => {
                let mmol = true_mass_g(*shown) * self.phthalate_purity / PHTHALATE_G_MOL * 1e3;
                dissolved.push(Dissolved { mmol, top_charge: 0, pk: PHTHALIC_PK.to_vec() });
                dissolved.push(Dissolved { mmol, top_charge: 1, pk: Vec::new() });
                protons_mmol += mmol;
            }
            Beaker::Vinegar(which, shown) => {
                let content = self.content_g_100g[(*which).min(2)] / 100.0;
                let mass = true_mass_g(*shown);
                // No two portions are quite alike.
                let mmol = mass * content * (1.0 + 3e-4 * normal(r)) / ACETIC_G_MOL * 1e3;
                dissolved.push(Dissolved { mmol, top_charge: 0, pk: vec![ACETIC_PK] });
                protons_mmol += mmol;
            }
        }
        let titrant_mol_l = self.base_mol_l * (1.0 - EXPANSION_PER_K * (temperature_c - 20.0));
        let expected_ml = protons_mmol / (titrant_mol_l * (1.0 - self.carbonate / 2.0));
        let buffers_ph = match beaker {
            // The lots keep their label within 0.01.
            Beaker::Buffers => [4.005, 6.865, 9.180].map(|ph| ph + r.random_range(-0.01..0.01)).to_vec(),
            _ => Vec::new(),
        };
        Scenario {
            title: "a day on the simulated bench".to_owned(),
            beaker: dissolved,
            sample_volume_ml: 60.0,
            titrant_mol_l,
            titrant_carbonate: self.carbonate,
            expected_ml,
            first_addition_ml: if expected_ml < 2.0 { 0.02 } else { 0.5 },
            // A piston of 20 mL with 10 000 steps.
            addition_step_ml: 0.002,
            buffers_ph,
            temperature_c,
            electrode_slope: self.slope,
            electrode_offset_ph: self.offset_ph,
            electrode_lag_s: self.lag_s,
            electrode_drift_ph_h: self.drift_ph_h,
            noise_ph: 0.003,
            burette: self.burette,
            damage: 0.0,
            speed: 1.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::source::simulate::Simulated;

    #[test]
    fn a_seed_gives_the_same_day_and_what_is_true_lies_where_the_labels_say() {
        assert_eq!(Day::drawn(4), Day::drawn(4));
        for seed in 0..200 {
            let day = Day::drawn(seed);
            assert!((day.phthalate_purity - 0.9998).abs() <= 0.0005);
            assert!((day.base_mol_l - 0.1).abs() < 0.004);
        }
    }

    #[test]
    fn the_beakers_are_named_and_others_refused_in_words() {
        assert_eq!(Beaker::parse("phthalate=0.2512"), Ok((Beaker::Phthalate(0.2512), 1)));
        assert_eq!(Beaker::parse("control=1.4g/3"), Ok((Beaker::Vinegar(2, 1.4), 3)));
        assert!(Beaker::parse("phthalate").unwrap_err().contains("mass"));
        assert!(Beaker::parse("tea").unwrap_err().contains("buffers"));
    }

    #[test]
    fn the_electrode_comes_to_rest_in_each_buffer() {
        let day = Day::drawn(9);
        let lines: Vec<String> = Simulated::new(day.scenario(&Beaker::Buffers, 1), 9)
            .map(|(_, bytes)| String::from_utf8_lossy(&bytes).into_owned())
            .collect();
        assert_eq!(lines.len(), 180);
        let mv = |line: &str| {
            line.split(", ").nth(2).and_then(|t| t.strip_suffix(" mV")?.trim().parse::<f64>().ok())
        };
        let ends: Vec<f64> = [59, 119, 179].iter().filter_map(|at| mv(&lines[*at])).collect();
        // 59 mV a unit at 25 degrees Celsius, a little less for this electrode: 2.86 and 2.315 units apart.
        assert!(
            (ends[0] - ends[1] - 165.0).abs() < 8.0 && (ends[1] - ends[2] - 133.0).abs() < 8.0,
            "{ends:?}"
        );
    }
}
