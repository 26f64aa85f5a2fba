//! The chemistry against published tables and against an independent solver of the same balances.
//!
//! Sources stand at the head of each file under `fixtures/reference` and `fixtures/equilibria`.
#![expect(clippy::expect_used, reason = "a fixture that cannot be read fails the test")]

use dropwise::chemistry::activity::{davies_log_gamma, debye_hueckel_a};
use dropwise::chemistry::constants::nernst_slope_mv;
use dropwise::chemistry::titration::{
    Anion, Complexation, Component, HalfReaction, Metal, Precipitation, Protolysis, Redox, Vessel,
};
use dropwise::chemistry::water::{density_kg_m3, pkw, relative_permittivity};

/// The rows of a table under `fixtures`, comments left out, empty cells as `None`.
fn table(name: &str) -> Vec<Vec<Option<f64>>> {
    text_table(name).into_iter().map(|row| row.iter().map(|cell| cell.parse().ok()).collect()).collect()
}

fn text_table(name: &str) -> Vec<Vec<String>> {
    let path = format!("{}/fixtures/{name}", env!("CARGO_MANIFEST_DIR"));
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_path(&path).expect(name);
    reader.records().map(|row| row.expect(name).iter().map(str::to_owned).collect()).collect()
}

fn assert_near(got: f64, wanted: f64, tolerance: f64, what: &str) {
    assert!((got - wanted).abs() <= tolerance, "{what}: {got} instead of {wanted} +- {tolerance}");
}

/// Tolerance: half the last printed digit, plus the misprints that the table's head names.
#[test]
fn nernst_slopes_agree_with_the_pharmacopoeias() {
    let rows = table("reference/nernst_slope.csv");
    assert!(rows.len() >= 10);
    for row in rows {
        let t = row[0].expect("temperature");
        let slope = nernst_slope_mv(t);
        assert_near(slope, row[1].expect("computed"), 1e-6, "computed");
        if let Some(usp) = row[2] {
            assert_near(slope, usp, 0.011, &format!("USP at {t}"));
        }
        if let Some(ph_eur) = row[3] {
            assert_near(
                slope,
                ph_eur,
                if (t - 30.0).abs() < 0.1 { 0.06 } else { 0.05 },
                &format!("Ph. Eur. at {t}"),
            );
        }
    }
}

#[test]
fn water_density_agrees_with_two_equations() {
    let rows = table("reference/water_density.csv");
    assert!(rows.len() >= 41);
    for row in rows {
        let density = density_kg_m3(row[0].expect("temperature"));
        assert_near(density, row[1].expect("Tanaka"), 1e-6, "Tanaka");
        // The difference between the two published equations.
        assert_near(density, row[2].expect("Kell"), 0.0035, "Kell");
    }
}

#[test]
fn pkw_agrees_with_two_evaluations() {
    let rows = table("reference/pkw.csv");
    for row in &rows {
        let t = row[0].expect("temperature");
        // The density equation is good to 40 degrees Celsius and stretched above.
        let own = if t <= 40.0 { 6e-5 } else { 2e-3 };
        assert_near(pkw(t), row[3].expect("computed"), own, &format!("equation at {t}"));
        if let Some(printed) = row[2] {
            assert_near(pkw(t), printed, 0.002, &format!("Bandura and Lvov at {t}"));
        }
        if let Some(printed) = row[1] {
            assert_near(pkw(t), printed, 0.016, &format!("Marshall and Franck at {t}"));
        }
    }
    assert!(rows.len() >= 15);
}

#[test]
fn davies_coefficients_use_the_form_with_0_3() {
    let rows = table("reference/activity_coefficients.csv");
    assert!(rows.len() >= 12);
    for row in rows {
        let (strength, charge) = (row[0].expect("strength"), row[1].expect("charge"));
        let gamma = 10_f64.powf(charge * charge * davies_log_gamma(0.509, strength));
        assert_near(gamma, row[2].expect("Davies"), 6e-6, &format!("I = {strength}, z = {charge}"));
    }
}

#[test]
fn the_debye_hueckel_coefficient_follows_from_constants() {
    for row in table("reference/debye_hueckel.csv") {
        let t = row[0].expect("temperature");
        assert_near(relative_permittivity(t), row[1].expect("permittivity"), 6e-4, "permittivity");
        assert_near(debye_hueckel_a(t), row[2].expect("A"), 6e-5, "A");
    }
}

const VESSEL: Vessel = Vessel { sample_volume_ml: 50.0, titrant_mol_l: 0.1, temperature_c: 25.0 };

fn component(amount: f64, top_charge: i32, pk: &[f64]) -> Component {
    Component { of_ends: vec![amount], top_charge, pk: pk.to_vec() }
}

/// What the program gives for a case of `equilibria.csv`; the parameters are those of `make.py`.
fn ours(case: &str, at: f64) -> Option<f64> {
    let protolysis = |sample: Vec<Component>, titrant_charge: i32, temperature_c: f64| {
        let system = Protolysis {
            ends_ml: vec![10.0],
            sample,
            titrant_charge,
            background_mol_l: 0.05,
            titrant_carbonate: 0.0,
        };
        system.ph(&Vessel { temperature_c, ..VESSEL }, at)
    };
    let silver = |ends_ml: &[f64], anions: &[(f64, i32)]| {
        let anions = anions.iter().map(|&(pksp, charge)| Anion { pksp, charge }).collect();
        Precipitation { ends_ml: ends_ml.to_vec(), anions, background_mol_l: 0.05 }.log_silver(&VESSEL, at)
    };
    let redox = |analyte, titrant, titrant_oxidises| {
        let system = Redox {
            end_ml: 10.0,
            analyte,
            titrant,
            titrant_oxidises,
            titrant_particles: 1.0,
            log_reacted: -2.5,
            acid_mol_l: 1.0,
        };
        system.potential_mv(&VESSEL, at)
    };
    let chelate = |ends_ml: &[f64], metals: &[(f64, f64)]| {
        let metals = metals.iter().map(|&(log_k, seen)| Metal { log_k, seen }).collect();
        // A floor so low that it is none.
        Complexation { ends_ml: ends_ml.to_vec(), metals, floor_p: 300.0 }.log_ion(&VESSEL, at)
    };
    let iron = HalfReaction::simple(450.0, 1.0);
    match case {
        "pkw" => Some(pkw(at)),
        "debye_hueckel" => Some(debye_hueckel_a(at)),
        "strong acid" => protolysis(vec![component(1.0, -1, &[])], 1, 25.0),
        "strong acid at 20" => protolysis(vec![component(1.0, -1, &[])], 1, 20.0),
        "acetic acid" => protolysis(vec![component(1.0, 0, &[4.756])], 1, 25.0),
        "ammonium chloride" => {
            protolysis(vec![component(1.0, 1, &[9.246]), component(1.0, -1, &[])], 1, 20.0)
        }
        "tris base" => protolysis(vec![component(1.0, 1, &[8.072])], -1, 25.0),
        "hydrogen phthalate" => {
            protolysis(vec![component(1.0, 0, &[2.95, 5.408]), component(1.0, 1, &[])], 1, 25.0)
        }
        "phosphoric acid" => protolysis(vec![component(1.0, 0, &[2.148, 7.198, 12.35])], 1, 25.0),
        "citric acid" => protolysis(vec![component(1.0, 0, &[3.128, 4.761, 6.396])], 1, 20.0),
        "carbonate" => {
            protolysis(vec![component(1.0, 0, &[6.352, 10.329]), component(2.0, 1, &[])], -1, 25.0)
        }
        "chloride" => silver(&[10.0], &[(9.75, 1)]),
        "iodide and chloride" => silver(&[10.0, 20.0], &[(16.08, 1), (9.75, 1)]),
        "iodide bromide chloride" => silver(&[5.0, 10.0, 20.0], &[(16.08, 1), (12.28, 1), (9.75, 1)]),
        "chromate" => silver(&[10.0], &[(11.92, 2)]),
        "iron with cerium" => redox(iron, HalfReaction::simple(1_210.0, 1.0), true),
        "iron with dichromate" => redox(
            iron,
            HalfReaction { reduced: 2.0, protons: 14.0, ..HalfReaction::simple(860.0, 6.0) },
            true,
        ),
        "oxalate with permanganate" => redox(
            HalfReaction { oxidised: 2.0, ..HalfReaction::simple(-300.0, 2.0) },
            HalfReaction { protons: 8.0, ..HalfReaction::simple(1_300.0, 5.0) },
            true,
        ),
        "calcium" => chelate(&[10.0], &[(10.24, 1.0)]),
        "calcium and magnesium" => chelate(&[10.0, 20.0], &[(10.24, 1.0), (8.24, 0.02)]),
        "iodine with thiosulfate" => {
            let iodine =
                HalfReaction { reduced: 2.0, reduced_excess_mol_l: 0.1, ..HalfReaction::simple(340.0, 2.0) };
            let thiosulfate = HalfReaction { reduced: 2.0, ..HalfReaction::simple(90.0, 2.0) };
            let system = Redox {
                end_ml: 10.0,
                analyte: iodine,
                titrant: thiosulfate,
                titrant_oxidises: false,
                titrant_particles: 2.0,
                log_reacted: -2.5,
                acid_mol_l: 1.0,
            };
            system.potential_mv(&VESSEL, at)
        }
        other => panic!("unknown case {other}"),
    }
}

/// Tolerance 1e-8 in pH and logarithms, 1e-6 mV: far below any display, far above the rounding of double precision.
#[test]
fn equilibria_agree_with_an_independent_solver() {
    let rows = text_table("equilibria/equilibria.csv");
    assert!(rows.len() > 200);
    let mut worst = 0.0_f64;
    for row in rows {
        let (at, wanted): (f64, f64) = (row[1].parse().expect("number"), row[2].parse().expect("number"));
        let got = ours(&row[0], at).unwrap_or(f64::NAN);
        let unit = if row[0].contains(" with ") { 1e-6 } else { 1e-8 };
        let off = (got - wanted).abs() / unit;
        assert!(off <= 1.0, "{} at {at}: {got} instead of {wanted}", row[0]);
        worst = worst.max(off);
    }
    assert!(worst > 0.0, "nothing was compared");
}
