//! The titrations against closed forms of the textbooks.

use super::*;
use crate::chemistry::constants::{nernst_slope_mv, thermal_voltage_mv};
use crate::chemistry::water::pkw;
use proptest::prelude::*;

const VESSEL: Vessel = Vessel { sample_volume_ml: 50.0, titrant_mol_l: 0.1, temperature_c: 25.0 };

fn near(got: f64, wanted: f64, tolerance: f64) {
    assert!((got - wanted).abs() <= tolerance, "{got} instead of {wanted}");
}

fn acid(top_charge: i32, pk: &[f64]) -> Protolysis {
    Protolysis {
        ends_ml: vec![10.0],
        sample: vec![Component { of_ends: vec![1.0], top_charge, pk: pk.to_vec() }],
        titrant_charge: 1,
        background_mol_l: 0.0,
        titrant_carbonate: 0.0,
    }
}

#[test]
fn a_strong_acid_is_neutral_at_equivalence() {
    let ph = acid(-1, &[]).ph(&VESSEL, 10.0).expect("a solution");
    near(ph, pkw(25.0) / 2.0, 1e-9);
}

#[test]
fn carbonate_in_the_base_acts_as_one_base_up_to_hydrogencarbonate() {
    let system = Protolysis { titrant_carbonate: 0.005, ..acid(0, &[4.756]) };
    let (before, after) =
        (system.ph(&VESSEL, 9.99).expect("solution"), system.ph(&VESSEL, 10.01).expect("solution"));
    // The jump stays where it is and becomes flatter.
    assert!(before < 8.2 && after > 8.2, "{before} {after}");
    let clean = acid(0, &[4.756]);
    assert!(after < clean.ph(&VESSEL, 10.01).expect("solution"));
}

#[test]
fn half_the_solubility_product_stands_at_the_equivalence_of_a_one_to_one_salt() {
    for pksp in [9.75, 12.28, 16.08] {
        let anions = vec![Anion { pksp, charge: 1 }];
        let system = Precipitation { ends_ml: vec![10.0], anions, background_mol_l: 0.1 };
        near(system.log_silver(&VESSEL, 10.0).expect("a solution"), -pksp / 2.0, 1e-9);
    }
}

#[test]
fn silver_before_any_titrant_is_what_a_saturated_solution_has() {
    let anions = vec![Anion { pksp: 9.75, charge: 1 }];
    let system = Precipitation { ends_ml: vec![10.0], anions, background_mol_l: 0.0 };
    let at_start = system.log_silver(&VESSEL, 0.0).expect("a solution");
    let first_drop = system.log_silver(&VESSEL, 0.001).expect("a solution");
    near(at_start, first_drop, 1e-3);
}

#[test]
fn the_equivalence_potential_weighs_the_couples_by_their_electrons() {
    // E = (n1 E1 + n2 E2) / (n1 + n2): every textbook of analytical chemistry, for couples without changes of particles.
    for electrons in [1.0, 2.0, 5.0] {
        let system = Redox {
            end_ml: 10.0,
            analyte: HalfReaction::simple(450.0, 1.0),
            titrant: HalfReaction::simple(1_210.0, electrons),
            titrant_oxidises: true,
            titrant_particles: 1.0,
            log_reacted: -30.0,
            acid_mol_l: 1.0,
        };
        let wanted = (450.0 + electrons * 1_210.0) / (1.0 + electrons);
        near(system.potential_mv(&VESSEL, 10.0).expect("a solution"), wanted, 1e-6);
        // Half way the couple of the sample stands at its own potential; at twice the volume that of the titrant.
        near(system.potential_mv(&VESSEL, 5.0).expect("a solution"), 450.0, 1e-6);
        near(system.potential_mv(&VESSEL, 20.0).expect("a solution"), 1_210.0, 1e-6);
    }
}

#[test]
fn the_metal_left_at_equivalence_is_the_root_of_concentration_over_constant() {
    let metals = vec![Metal { log_k: 10.24, seen: 1.0 }];
    let system = Complexation { ends_ml: vec![10.0], metals, floor_p: 300.0 };
    let total: f64 = 0.1 * 10.0 / 60.0;
    let k = 10_f64.powf(10.24);
    // K M^2 + M = c exactly.
    let exact = (-1.0 + (1.0 + 4.0 * k * total).sqrt()) / (2.0 * k);
    near(system.log_ion(&VESSEL, 10.0).expect("a solution"), exact.log10(), 1e-9);
}

#[test]
fn an_electrode_goes_no_lower_than_its_floor() {
    let metals = vec![Metal { log_k: 10.24, seen: 1.0 }];
    let system = Complexation { ends_ml: vec![10.0], metals, floor_p: 7.0 };
    near(system.log_ion(&VESSEL, 30.0).expect("a solution"), -7.0, 1e-3);
}

#[test]
fn conductivity_of_a_strong_acid_is_least_at_equivalence() {
    let system = Conductance {
        protolysis: acid(-1, &[]),
        hydrogen: 349.8,
        hydroxide: 198.6,
        titrant_ion: 50.1,
        sample_ion: 76.3,
        inert: 126.4,
    };
    let at = |v: f64| system.ms_cm(&VESSEL, v).expect("a solution");
    assert!(at(9.5) > at(10.0) && at(10.5) > at(10.0));
    // 0.01667 mol/L sodium chloride: 111.6 S cm2/mol in a table of 0.01 to 0.02 mol/L (118.5, 115.8; from memory),
    // times the concentration, within what the limiting law may be off there.
    near(at(10.0), 0.016_67 * 116.5, 0.03);
}

#[test]
fn absorbance_follows_two_straight_lines_when_the_reaction_is_complete() {
    let system =
        Photometry { end_ml: 10.0, analyte: 0.0, product: 50.0, titrant: 0.0, log_k: 12.0, stray: 0.0 };
    let diluted = |v: f64| system.absorbance(&VESSEL, v) * (50.0 + v) / 50.0;
    near(diluted(5.0), 0.5 * diluted(15.0), 1e-6);
    near(diluted(15.0), 50.0 * 0.02, 1e-6);
    let with_stray = Photometry { stray: 0.01, ..system };
    assert!(with_stray.absorbance(&VESSEL, 15.0) < diluted(15.0));
}

/// The current of one reversible couple between electrodes `voltage_mv` apart, in closed form: from
/// (O + j)(R + j) = D (R - j)(O - j), D = exp(voltage over RT/F).
fn current_of_one_couple(o: f64, r: f64, voltage_mv: f64) -> f64 {
    let d = (voltage_mv / thermal_voltage_mv(25.0)).exp();
    let b = (1.0 + d) * (o + r);
    (b - (b * b - 4.0 * (d - 1.0).powi(2) * o * r).sqrt()) / (2.0 * (d - 1.0))
}

#[test]
fn the_current_between_polarised_electrodes_has_its_closed_form() {
    let system = Polarised {
        end_ml: 10.0,
        analyte: Some(ReversibleCouple { e0_mv: 450.0, reduced_excess_mol_l: 0.0 }),
        titrant: Some(ReversibleCouple { e0_mv: 1_210.0, reduced_excess_mol_l: 0.0 }),
        titrant_oxidises: true,
        measured: Measured::Current(100.0),
        solvent_mv: (2_500.0, -1_500.0),
    };
    for v in [1.0, 5.0, 9.0, 12.0, 18.0] {
        let total = 50.0 + v;
        let (o, r) = if v < 10.0 { (0.1 * v, 0.1 * (10.0 - v)) } else { (0.1 * (v - 10.0), 1.0) };
        let wanted = current_of_one_couple(o / total, r / total, 100.0);
        near(system.signal(&VESSEL, v).expect("a solution"), wanted, 1e-9);
    }
    near(system.signal(&VESSEL, 10.0).expect("a solution"), 0.0, 1e-6);
}

#[test]
fn the_voltage_is_what_makes_the_current() {
    let at = |measured| Polarised {
        end_ml: 10.0,
        analyte: None,
        titrant: Some(ReversibleCouple { e0_mv: 340.0, reduced_excess_mol_l: 0.1 }),
        titrant_oxidises: true,
        measured,
        solvent_mv: (1_500.0, -600.0),
    };
    for v in [11.0, 14.0] {
        let current = at(Measured::Current(60.0)).signal(&VESSEL, v).expect("a solution");
        let voltage = at(Measured::Voltage(current)).signal(&VESSEL, v).expect("a solution");
        // One pair of potentials carries the current both ways, so that the voltage comes back.
        near(voltage, 60.0, 1e-3);
    }
    let before = at(Measured::Voltage(1e-5)).signal(&VESSEL, 5.0).expect("a solution");
    let after = at(Measured::Voltage(1e-5)).signal(&VESSEL, 15.0).expect("a solution");
    assert!(before > 300.0 && after < 10.0, "{before} {after}");
}

#[test]
fn a_pair_of_electrodes_shows_ph_with_the_slope_of_the_glass() {
    let titration = |scale, slope, offset| Titration {
        system: System::Protolysis(acid(-1, &[])),
        vessel: VESSEL,
        scale,
        offset,
        slope,
    };
    let ph = titration(Scale::Direct, 1.0, 0.0).signal(5.0);
    near(titration(Scale::Direct, 0.95, 0.1).signal(5.0), 7.0 + 0.95 * (ph - 7.0) + 0.1, 1e-12);
    let mv = titration(Scale::Nernst(1.0), 0.95, -4.0).signal(5.0);
    near(mv, -4.0 + 0.95 * nernst_slope_mv(25.0) * (7.0 - ph), 1e-9);
}

#[test]
fn every_free_parameter_moves_the_signal_somewhere() {
    use crate::chemistry::generate;
    for (family, _) in generate::FAMILIES {
        let Some(mut titration) = generate::run_of(family, 3).titration else { continue };
        let end = titration.ends_ml().last().copied().expect("an end");
        let volumes: Vec<f64> = (0..60).map(|i| f64::from(i) * end / 40.0).collect();
        let plain: Vec<f64> = volumes.iter().map(|v| titration.signal(*v)).collect();
        let count = titration.free().len();
        assert!(count >= 4, "{family}");
        for index in 0..count {
            let mut other = titration.clone();
            if let Some(free) = other.free().into_iter().nth(index) {
                *free.value += 10.0 * free.step;
            }
            let moved = volumes.iter().zip(&plain).any(|(v, s)| (other.signal(*v) - s).abs() > 1e-12);
            assert!(moved, "{family}: parameter {index}");
        }
    }
}

proptest! {
    #[test]
    fn base_always_raises_the_ph(pk in 1.5..11.0_f64, top in 0..2_i32, share in 0.0..2.0_f64, extra in 0.001..0.2_f64) {
        let system = acid(top, &[pk]);
        let lower = system.ph(&VESSEL, 10.0 * share);
        let upper = system.ph(&VESSEL, 10.0 * (share + extra));
        prop_assert!(lower.is_some() && upper.is_some());
        // Dilution may lower the pH far beyond the end, by less than the dilution itself.
        prop_assert!(upper > lower || share > 1.2, "{lower:?} {upper:?}");
    }

    #[test]
    fn a_strong_acid_without_activities_has_its_closed_form(c in 1e-9..1.0_f64) {
        use crate::chemistry::acid_base::{Medium, Solute, equilibrate};
        let medium = Medium { pkw: 14.0, a: 0.0 };
        let chloride = Solute::ion(c, -1);
        let ph = equilibrate(medium, &[(1.0, &chloride)], None).map(|e| e.ph);
        let exact = -(0.5 * c + (0.25 * c * c + 1e-14).sqrt()).log10();
        prop_assert!(ph.is_some_and(|ph| (ph - exact).abs() < 1e-9), "{ph:?} {exact}");
    }

    #[test]
    fn silver_only_rises(first in 9.0..17.0_f64, gap in 0.0..5.0_f64, share in 0.01..2.5_f64) {
        let anions = vec![Anion { pksp: first + gap, charge: 1 }, Anion { pksp: first, charge: 1 }];
        let system = Precipitation { ends_ml: vec![10.0, 17.0], anions, background_mol_l: 0.0 };
        let lower = system.log_silver(&VESSEL, 10.0 * share);
        let upper = system.log_silver(&VESSEL, 10.0 * share + 0.05);
        prop_assert!(lower.is_some() && upper.is_some());
        prop_assert!(upper > lower, "{lower:?} {upper:?}");
    }
}
