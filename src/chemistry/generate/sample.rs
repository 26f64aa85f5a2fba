//! What is in the beaker: families of titrations with parameters drawn wide.
//!
//! Constants are handbook values at 25 degrees Celsius (`fixtures/reference`; formal potentials from memory): they need
//! not be right for a run to be right, since its equivalence volume is exact by stoichiometry.

use crate::chemistry::titration::{
    Anion, Complexation, Component, Conductance, HalfReaction, Measured, Metal, Photometry, Polarised,
    Precipitation, Protolysis, Redox, ReversibleCouple, Scale, System, Titration, Vessel,
};
use crate::reading::{Quantity, Unit};
use rand::Rng;
use rand::seq::IndexedRandom;
use rand_chacha::ChaCha8Rng;

/// The families, with their weight in a mixed set.
pub const FAMILIES: [(&str, u32); 26] = [
    ("strong acid", 6),
    ("strong base", 3),
    ("weak acid", 9),
    ("weak base", 6),
    ("acid salt", 2),
    ("two-step acid", 5),
    ("last step of three", 3),
    ("strong and weak acid", 3),
    ("carbonate", 5),
    ("dilute acid", 4),
    ("halide", 8),
    ("two halides", 5),
    ("three halides", 2),
    ("chromate", 2),
    ("iron with cerium", 5),
    ("iron with dichromate", 5),
    ("iron with permanganate", 2),
    ("oxalate with permanganate", 2),
    ("iodine with thiosulfate", 3),
    ("calcium", 5),
    ("calcium and magnesium", 2),
    ("conductance", 6),
    ("photometric", 7),
    ("polarised, current", 6),
    ("polarised, voltage", 4),
    ("nothing", 4),
];

/// The mark that an end-point leaves on the curve.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// The signal jumps.
    Jump,
    /// Two branches meet.
    Bend,
    /// The signal falls to its other level just after the end-point, or peaks there.
    Polarised,
}

/// A sample with its sensor.
#[derive(Debug, Clone)]
pub(super) struct Sample {
    pub(super) family: &'static str,
    pub(super) chemistry: String,
    pub(super) titration: Option<Titration>,
    pub(super) shape: Shape,
    pub(super) quantity: Quantity,
    pub(super) unit: Unit,
    pub(super) sigma: f64,
    pub(super) quantum: f64,
    /// Change of the signal from one shrinking step to the next that an attentive person wants.
    pub(super) wanted_change: f64,
    /// What a run shows when there is nothing to titrate: level and slope for each mL.
    pub(super) flat: (f64, f64),
}

impl Sample {
    pub(super) fn last_end_ml(&self) -> f64 {
        self.titration.as_ref().and_then(|t| t.ends_ml().last().copied()).unwrap_or(100.0)
    }

    pub(super) fn signal(&self, volume_ml: f64) -> f64 {
        self.titration.as_ref().map_or(self.flat.0 + self.flat.1 * volume_ml, |t| t.signal(volume_ml))
    }

    pub(super) fn slope_at(&self, volume_ml: f64, half_width_ml: f64) -> f64 {
        let low = (volume_ml - half_width_ml).max(0.0);
        (self.signal(volume_ml + half_width_ml) - self.signal(low)) / (volume_ml + half_width_ml - low)
    }
}

pub(super) fn draw_family(rng: &mut ChaCha8Rng) -> &'static str {
    FAMILIES.choose_weighted(rng, |(_, weight)| *weight).map_or("nothing", |(name, _)| name)
}

fn log_uniform(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    rng.random_range(low.ln()..high.ln()).exp()
}

fn one_of(rng: &mut ChaCha8Rng, values: &[f64]) -> f64 {
    values.choose(rng).copied().unwrap_or_default()
}

fn vessel(rng: &mut ChaCha8Rng, titrants: &[f64]) -> Vessel {
    Vessel {
        sample_volume_ml: one_of(rng, &[50.0, 75.0, 100.0]),
        titrant_mol_l: one_of(rng, titrants) * rng.random_range(0.97..1.03),
        temperature_c: one_of(rng, &[20.0, 25.0]),
    }
}

fn end_ml(rng: &mut ChaCha8Rng) -> f64 {
    (rng.random_range(4.0..16.0_f64) * 1e4).round() * 1e-4
}

/// Sample of an acid or base, with a sensor in pH or in mV.
fn with_glass_electrode(
    rng: &mut ChaCha8Rng,
    system: Protolysis,
    vessel: Vessel,
    chemistry: String,
) -> Sample {
    let in_ph = rng.random_bool(0.6);
    let slope = rng.random_range(0.95..1.0);
    let base = Sample {
        family: "",
        chemistry,
        titration: None,
        shape: Shape::Jump,
        quantity: Quantity::Ph,
        unit: Unit::Ph,
        sigma: log_uniform(rng, 0.002, 0.03),
        quantum: one_of(rng, &[0.01, 0.001]),
        wanted_change: 0.12,
        flat: (7.0, 0.0),
    };
    let titration =
        |scale, offset| Some(Titration { system: System::Protolysis(system), vessel, scale, offset, slope });
    if in_ph {
        let offset = rng.random_range(-0.1..0.1);
        return Sample { titration: titration(Scale::Direct, offset), ..base };
    }
    Sample {
        titration: titration(Scale::Nernst(1.0), rng.random_range(-20.0..20.0)),
        quantity: Quantity::Emf,
        unit: Unit::Millivolt,
        sigma: log_uniform(rng, 0.1, 1.6),
        quantum: 0.1,
        wanted_change: 7.0,
        ..base
    }
}

fn with_metal_electrode(
    rng: &mut ChaCha8Rng,
    system: System,
    vessel: Vessel,
    (charge, offset): (f64, f64),
    chemistry: String,
) -> Sample {
    let titration = Titration {
        system,
        vessel,
        scale: Scale::Nernst(charge),
        offset: offset + rng.random_range(-20.0..20.0),
        slope: rng.random_range(0.95..1.0),
    };
    Sample {
        family: "",
        chemistry,
        titration: Some(titration),
        shape: Shape::Jump,
        quantity: Quantity::Emf,
        unit: Unit::Millivolt,
        sigma: log_uniform(rng, 0.1, 1.6),
        quantum: 0.1,
        wanted_change: 7.0,
        flat: (200.0, 0.0),
    }
}

/// Draws a sample of a family.
pub(super) fn draw(family: &'static str, rng: &mut ChaCha8Rng) -> Sample {
    let drawn = match family {
        "halide" | "two halides" | "three halides" | "chromate" => silver(family, rng),
        "iron with cerium"
        | "iron with dichromate"
        | "iron with permanganate"
        | "oxalate with permanganate"
        | "iodine with thiosulfate" => redox(family, rng),
        "calcium" | "calcium and magnesium" => chelate(family, rng),
        "conductance" => conductance(rng),
        "photometric" => photometric(rng),
        "polarised, current" => polarised_current(rng),
        "polarised, voltage" => polarised_voltage(rng),
        "nothing" => nothing(rng),
        _ => acid_base(family, rng),
    };
    Sample { family, ..drawn }
}

fn component(of_ends: &[f64], top_charge: i32, pk: &[f64]) -> Component {
    Component { of_ends: of_ends.to_vec(), top_charge, pk: pk.to_vec() }
}

/// A pKa as found under other conditions than those of the table.
fn near(rng: &mut ChaCha8Rng, pk: f64) -> f64 {
    pk + rng.random_range(-0.03..0.03)
}

fn acid_base(family: &'static str, rng: &mut ChaCha8Rng) -> Sample {
    let mut vessel = vessel(rng, &[0.05, 0.1, 0.2]);
    let mut background_mol_l = one_of(rng, &[0.0, 0.05, 0.1]);
    let first = end_ml(rng);
    let mut titrant_charge = 1;
    let mut ends_ml = vec![first];
    let (words, sample) = match family {
        "strong base" => {
            titrant_charge = -1;
            ("strong base with strong acid".to_owned(), vec![component(&[1.0], 1, &[])])
        }
        "weak acid" => {
            // Acetic, formic, hypochlorous acid; imidazolium, ammonium chloride; and anything between.
            let salt = rng.random_bool(0.3);
            let pk =
                if salt { one_of(rng, &[7.0, 8.07, 9.24]) } else { one_of(rng, &[3.75, 4.756, 6.0, 7.53]) };
            let pk = if rng.random_bool(0.3) { rng.random_range(3.0..8.5) } else { near(rng, pk) };
            let mut sample = vec![component(&[1.0], i32::from(salt), &[pk])];
            if salt {
                sample.push(component(&[1.0], -1, &[]));
            }
            (format!("weak acid of pKa {pk:.2} with strong base"), sample)
        }
        "weak base" => {
            titrant_charge = -1;
            let pk = near(rng, 8.07).max(one_of(rng, &[6.99, 8.08, 9.22, 10.6]));
            (format!("weak base of pKa {pk:.2} with strong acid"), vec![component(&[1.0], 1, &[pk])])
        }
        "acid salt" => {
            let pk = [near(rng, 2.95), near(rng, 5.408)];
            (
                "hydrogen phthalate with strong base".to_owned(),
                vec![component(&[1.0], 0, &pk), component(&[1.0], 1, &[])],
            )
        }
        "two-step acid" => {
            // Phosphoric, maleic, sulfurous-like acids; the second end is not twice the first when a strong acid or
            // an acid salt is with it.
            ends_ml.push(first * rng.random_range(1.85..2.1));
            let pk = match rng.random_range(0..3) {
                0 | 1 => vec![near(rng, 2.148), near(rng, 7.198), near(rng, 12.35)],
                _ => vec![rng.random_range(1.7..2.6), rng.random_range(6.0..7.5)],
            };
            (
                format!("two-step acid of pKa {:.2} and {:.2} with strong base", pk[0], pk[1]),
                vec![component(&[-1.0, 1.0], 0, &pk), component(&[-2.0, 1.0], 1, &[])],
            )
        }
        "last step of three" => {
            let pk = [near(rng, 3.128), near(rng, 4.761), near(rng, 6.396)];
            ("citric acid with strong base".to_owned(), vec![component(&[1.0 / 3.0], 0, &pk)])
        }
        "strong and weak acid" => {
            ends_ml.push(first * rng.random_range(1.4..2.5));
            let pk = rng.random_range(4.5..8.5);
            (
                format!("strong acid and weak acid of pKa {pk:.2} with strong base"),
                vec![component(&[1.0, 0.0], -1, &[]), component(&[-1.0, 1.0], 0, &[pk])],
            )
        }
        "carbonate" => {
            titrant_charge = -1;
            ends_ml[0] = rng.random_range(2.5..7.0);
            ends_ml.push(ends_ml[0] * rng.random_range(2.05..3.2));
            let pk = [near(rng, 6.352), near(rng, 10.329)];
            (
                "carbonate and hydrogencarbonate with strong acid".to_owned(),
                vec![component(&[-1.0, 1.0], 0, &pk), component(&[0.0, 1.0], 1, &[])],
            )
        }
        "dilute acid" => {
            vessel.titrant_mol_l = one_of(rng, &[0.001, 0.002, 0.005]);
            background_mol_l = 0.01;
            ("strong acid of about 1e-4 mol/L with strong base".to_owned(), vec![component(&[1.0], -1, &[])])
        }
        _ => ("strong acid with strong base".to_owned(), vec![component(&[1.0], -1, &[])]),
    };
    let system = Protolysis { ends_ml, sample, titrant_charge, background_mol_l, titrant_carbonate: 0.0 };
    with_glass_electrode(rng, system, vessel, words)
}

fn silver(family: &'static str, rng: &mut ChaCha8Rng) -> Sample {
    const IODIDE: f64 = 16.08;
    const BROMIDE: f64 = 12.28;
    const CHLORIDE: f64 = 9.75;
    let mut vessel = vessel(rng, &[0.02, 0.05, 0.1]);
    vessel.temperature_c = 25.0;
    let halide = |pksp| Anion { pksp, charge: 1 };
    let first = end_ml(rng);
    let (ends_ml, anions, words) = match family {
        "two halides" => {
            let low = rng.random_range(2.5..7.0);
            let pair = [(IODIDE, CHLORIDE), (IODIDE, BROMIDE), (BROMIDE, CHLORIDE)];
            let (a, b) = pair.choose(rng).copied().unwrap_or(pair[0]);
            (
                vec![low, low * rng.random_range(1.4..2.6)],
                vec![halide(a), halide(b)],
                "two halides with silver nitrate",
            )
        }
        "three halides" => {
            let low = rng.random_range(2.0..5.0);
            let second = low * rng.random_range(1.5..2.4);
            let ends = vec![low, second, second + low * rng.random_range(0.6..1.5)];
            let anions = vec![halide(IODIDE), halide(BROMIDE), halide(CHLORIDE)];
            (ends, anions, "iodide, bromide and chloride with silver nitrate")
        }
        "chromate" => (vec![first], vec![Anion { pksp: 11.92, charge: 2 }], "chromate with silver nitrate"),
        _ => {
            let pksp = one_of(rng, &[CHLORIDE, BROMIDE, IODIDE, 11.97]);
            (vec![first], vec![halide(pksp)], "halide or thiocyanate with silver nitrate")
        }
    };
    let background_mol_l = one_of(rng, &[0.0, 0.05, 0.1]);
    let system = System::Precipitation(Precipitation { ends_ml, anions, background_mol_l });
    with_metal_electrode(rng, system, vessel, (1.0, 597.0), words.to_owned())
}

fn redox(family: &'static str, rng: &mut ChaCha8Rng) -> Sample {
    let end_ml = end_ml(rng);
    let iron = HalfReaction::simple(rng.random_range(430.0..480.0), 1.0);
    let permanganate =
        HalfReaction { protons: 8.0, ..HalfReaction::simple(rng.random_range(1_280.0..1_320.0), 5.0) };
    let oxidant = |analyte, titrant, particles, acid_mol_l| Redox {
        end_ml,
        analyte,
        titrant,
        titrant_oxidises: true,
        titrant_particles: particles,
        log_reacted: -2.5,
        acid_mol_l,
    };
    let (mut system, titrants): (Redox, &[f64]) = match family {
        "iron with dichromate" => {
            // Some 410 mV above iron in 1 mol/L acid.
            let e0_mv = iron.e0_mv + rng.random_range(380.0..600.0);
            let dichromate = HalfReaction { reduced: 2.0, protons: 14.0, ..HalfReaction::simple(e0_mv, 6.0) };
            (oxidant(iron, dichromate, 1.0, 1.0), &[0.0083, 0.0167, 0.02])
        }
        "iron with permanganate" => (oxidant(iron, permanganate, 1.0, 1.0), &[0.01, 0.02]),
        "oxalate with permanganate" => {
            let oxalate = HalfReaction { oxidised: 2.0, ..HalfReaction::simple(-300.0, 2.0) };
            (oxidant(oxalate, permanganate, 1.0, 1.0), &[0.01, 0.02])
        }
        "iodine with thiosulfate" => {
            let iodine =
                HalfReaction { reduced: 2.0, reduced_excess_mol_l: 0.1, ..HalfReaction::simple(340.0, 2.0) };
            let e0_mv = rng.random_range(70.0..110.0);
            let thiosulfate = HalfReaction { reduced: 2.0, ..HalfReaction::simple(e0_mv, 2.0) };
            let system = Redox { titrant_oxidises: false, ..oxidant(iodine, thiosulfate, 2.0, 1.0) };
            (system, &[0.02, 0.05, 0.1])
        }
        _ => {
            let cerium = HalfReaction::simple(iron.e0_mv + rng.random_range(740.0..780.0), 1.0);
            (oxidant(iron, cerium, 1.0, 1.0), &[0.05, 0.1])
        }
    };
    system.log_reacted = rng.random_range(-2.8..-2.2);
    let mut vessel = vessel(rng, titrants);
    vessel.temperature_c = 25.0;
    with_metal_electrode(rng, System::Redox(system), vessel, (1.0, -200.0), family.to_owned())
}

fn chelate(family: &'static str, rng: &mut ChaCha8Rng) -> Sample {
    let mut vessel = vessel(rng, &[0.02, 0.05, 0.1]);
    vessel.temperature_c = 25.0;
    let first = end_ml(rng);
    // Conditional constants at pH 10: calcium 10.24, magnesium 8.24 (handbook values, from memory).
    let calcium = Metal { log_k: 10.24 + rng.random_range(-0.2..0.2), seen: 1.0 };
    let (ends_ml, metals) = if family == "calcium" {
        (vec![first], vec![calcium])
    } else {
        let magnesium = Metal { log_k: 8.24 + rng.random_range(-0.2..0.2), seen: 0.02 };
        (vec![first, first * rng.random_range(1.3..1.8)], vec![calcium, magnesium])
    };
    let system = Complexation { ends_ml, metals, floor_p: rng.random_range(6.6..7.6) };
    with_metal_electrode(
        rng,
        System::Complexation(system),
        vessel,
        (2.0, 130.0),
        format!("{family} with EDTA"),
    )
}

fn linear(
    rng: &mut ChaCha8Rng,
    titration: Titration,
    chemistry: &str,
    (quantity, unit): (Quantity, Unit),
) -> Sample {
    let (sigma, quantum) = match unit {
        Unit::MillisiemensPerCm => (log_uniform(rng, 0.0015, 0.006), 0.001),
        Unit::Absorbance => (log_uniform(rng, 0.001, 0.003), 0.001),
        Unit::Microampere => (log_uniform(rng, 0.03, 0.2), 0.01),
        _ => (log_uniform(rng, 0.2, 1.5), 0.1),
    };
    Sample {
        family: "",
        chemistry: chemistry.to_owned(),
        titration: Some(titration),
        shape: Shape::Bend,
        quantity,
        unit,
        sigma,
        quantum,
        wanted_change: 1.0,
        flat: (0.0, 0.0),
    }
}

fn conductance(rng: &mut ChaCha8Rng) -> Sample {
    let weak = rng.random_bool(0.35);
    let mut vessel = vessel(rng, if weak { &[0.5, 1.0] } else { &[0.1, 0.2] });
    vessel.temperature_c = 25.0;
    vessel.sample_volume_ml = 100.0;
    let protolysis = Protolysis {
        ends_ml: vec![end_ml(rng)],
        sample: if weak {
            vec![component(&[1.0], 0, &[rng.random_range(4.2..5.2)])]
        } else {
            vec![component(&[1.0], -1, &[])]
        },
        titrant_charge: 1,
        background_mol_l: if weak { 0.0 } else { one_of(rng, &[0.0, 0.005]) },
        titrant_carbonate: 0.0,
    };
    let system = Conductance {
        protolysis,
        hydrogen: 349.8,
        hydroxide: 198.6,
        titrant_ion: 50.1,
        sample_ion: if weak { 40.9 } else { 76.3 },
        inert: 126.4,
    };
    let titration = Titration {
        system: System::Conductance(system),
        vessel,
        scale: Scale::Direct,
        offset: rng.random_range(-0.01..0.02),
        slope: rng.random_range(0.98..1.03),
    };
    let words = if weak {
        "weak acid with strong base, conductivity"
    } else {
        "strong acid with strong base, conductivity"
    };
    linear(rng, titration, words, (Quantity::Conductance, Unit::MillisiemensPerCm))
}

fn photometric(rng: &mut ChaCha8Rng) -> Sample {
    let mut vessel = vessel(rng, &[0.01, 0.02]);
    vessel.temperature_c = 25.0;
    vessel.sample_volume_ml = 100.0;
    let end_ml = end_ml(rng);
    // The strongest colour shows 0.5 to 1.3 at the equivalence point, the others little.
    let strong = rng.random_range(0.5..1.3) / vessel.sample_mol_l(end_ml);
    let weak = strong * rng.random_range(0.01..0.08);
    let (analyte, product, titrant, words) = match rng.random_range(0..3) {
        0 => (strong, weak, 0.0, "photometric, analyte absorbs"),
        1 => (0.3 * weak, strong, weak, "photometric, product absorbs"),
        _ => (0.0, weak, strong * rng.random_range(0.8..1.4), "photometric, titrant absorbs"),
    };
    let log_k = rng.random_range(5.0..7.5);
    let system = Photometry { end_ml, analyte, product, titrant, log_k, stray: log_uniform(rng, 1e-3, 1e-2) };
    let titration = Titration {
        system: System::Photometry(system),
        vessel,
        scale: Scale::Direct,
        offset: rng.random_range(0.02..0.04),
        slope: 1.0,
    };
    linear(rng, titration, words, (Quantity::Absorbance, Unit::Absorbance))
}

const IODINE: ReversibleCouple = ReversibleCouple { e0_mv: 340.0, reduced_excess_mol_l: 0.1 };
const IRON: ReversibleCouple = ReversibleCouple { e0_mv: 450.0, reduced_excess_mol_l: 0.0 };
const CERIUM: ReversibleCouple = ReversibleCouple { e0_mv: 1_210.0, reduced_excess_mol_l: 0.0 };
const SOLVENT_MV: (f64, f64) = (1_500.0, -600.0);

fn polarised_current(rng: &mut ChaCha8Rng) -> Sample {
    let vessel = vessel(rng, &[0.02, 0.05, 0.1]);
    let end_ml = end_ml(rng);
    let (analyte, titrant, titrant_oxidises, words) = match rng.random_range(0..3) {
        0 => (None, Some(IODINE), true, "two polarised electrodes, current rises"),
        1 => (Some(IODINE), None, false, "two polarised electrodes, current falls"),
        _ => (Some(IRON), Some(CERIUM), true, "two polarised electrodes, current valley"),
    };
    let voltage_mv = rng.random_range(80.0..150.0);
    let measured = Measured::Current(voltage_mv);
    let system = Polarised { end_ml, analyte, titrant, titrant_oxidises, measured, solvent_mv: SOLVENT_MV };
    let titration = Titration {
        system: System::Polarised(system),
        vessel,
        scale: Scale::Direct,
        offset: rng.random_range(0.05..0.25),
        slope: rng.random_range(15.0..40.0) / vessel.sample_mol_l(end_ml),
    };
    linear(rng, titration, words, (Quantity::Current, Unit::Microampere))
}

fn polarised_voltage(rng: &mut ChaCha8Rng) -> Sample {
    let vessel = vessel(rng, &[0.02, 0.05, 0.1]);
    let end_ml = end_ml(rng);
    let (analyte, titrant, words) = if rng.random_bool(0.5) {
        (None, Some(IODINE), "two polarised electrodes, voltage falls")
    } else {
        (Some(IRON), Some(CERIUM), "two polarised electrodes, voltage peaks")
    };
    let measured = Measured::Voltage(vessel.sample_mol_l(end_ml) * log_uniform(rng, 0.001, 0.01));
    let system =
        Polarised { end_ml, analyte, titrant, titrant_oxidises: true, measured, solvent_mv: SOLVENT_MV };
    let titration = Titration {
        system: System::Polarised(system),
        vessel,
        scale: Scale::Direct,
        offset: rng.random_range(-1.0..1.0),
        slope: 1.0,
    };
    let drawn = linear(rng, titration, words, (Quantity::Voltage, Unit::Millivolt));
    Sample { shape: Shape::Polarised, wanted_change: 15.0, ..drawn }
}

fn nothing(rng: &mut ChaCha8Rng) -> Sample {
    let vessel = vessel(rng, &[0.1]);
    let system = Protolysis {
        ends_ml: vec![100.0],
        sample: vec![component(&[0.5], 0, &[4.756]), component(&[0.2], 1, &[])],
        titrant_charge: 1,
        background_mol_l: 0.1,
        titrant_carbonate: 0.0,
    };
    let mut drawn = with_glass_electrode(rng, system, vessel, "nothing to titrate: a buffer".to_owned());
    if rng.random_bool(0.6) {
        drawn.titration = None;
        drawn.chemistry = "nothing to titrate".to_owned();
        let unit_size = drawn.wanted_change;
        drawn.flat = (rng.random_range(20.0..60.0) * unit_size, rng.random_range(-0.3..0.3) * unit_size);
    }
    drawn
}
