//! A simulated bench: burette and pH meter behind one line, for demonstrations and tests without hardware.
//!
//! Gives the bytes that the instruments would send, with their times, and nothing else: whoever plays them into a
//! port keeps the pace. The truth is known, everything is decided by the seed.

mod day;

pub use day::{Beaker, Day};

use crate::chemistry::acid_base::{Medium, Solute, equilibrate};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::collections::VecDeque;

/// Something dissolved in the beaker: amount in mmol, charge of the form with all its protons, thermodynamic pKa's
/// (none for an ion that takes no part).
#[derive(Debug, Clone, PartialEq)]
pub struct Dissolved {
    /// Amount in mmol.
    pub mmol: f64,
    /// Charge of the form with all its protons.
    pub top_charge: i32,
    /// Thermodynamic pKa, first dissociation first.
    pub pk: Vec<f64>,
}

/// How a burette errs: what it delivers more than it shows.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct BuretteError {
    /// Over its whole capacity of 20 mL, in mL.
    pub over_all_ml: f64,
    /// Of its screw, in mL.
    pub screw_ml: f64,
    /// Where the screw stands at zero, in turns of 10 mL.
    pub screw_at: f64,
}

impl BuretteError {
    /// What is delivered when so much is shown, in mL.
    #[must_use]
    pub fn delivered_ml(self, shown_ml: f64) -> f64 {
        let turn = |ml: f64| (std::f64::consts::TAU * (ml / 10.0 + self.screw_at)).sin();
        shown_ml + self.over_all_ml * shown_ml / 20.0 + self.screw_ml * (turn(shown_ml) - turn(0.0))
    }
}

/// What is in the beaker and in the burette, and how the instruments behave.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    /// What is determined, in words.
    pub title: String,
    /// What is in the beaker.
    pub beaker: Vec<Dissolved>,
    /// Volume in the beaker at the start in mL.
    pub sample_volume_ml: f64,
    /// Concentration of the strong base at the temperature of the run in mol/L, carbonate included.
    pub titrant_mol_l: f64,
    /// Share of the base that has become carbonate.
    pub titrant_carbonate: f64,
    /// Where the operator expects the end-point, in mL; he goes on a little beyond.
    pub expected_ml: f64,
    /// First addition in mL.
    pub first_addition_ml: f64,
    /// Additions are whole steps of this much, in mL: drops by hand, or the steps of a motor.
    pub addition_step_ml: f64,
    /// Instead of a titration: the electrode stands in these buffers, one after the other (pH there).
    pub buffers_ph: Vec<f64>,
    /// Temperature in degrees Celsius.
    pub temperature_c: f64,
    /// Slope of the electrode as a fraction of the Nernst slope.
    pub electrode_slope: f64,
    /// Offset of the electrode in pH.
    pub electrode_offset_ph: f64,
    /// Time constant of the electrode in s.
    pub electrode_lag_s: f64,
    /// Drift of the electrode in pH an hour.
    pub electrode_drift_ph_h: f64,
    /// Standard deviation of one reading in pH.
    pub noise_ph: f64,
    /// How the burette errs.
    pub burette: BuretteError,
    /// Share of the lines that are damaged on their way.
    pub damage: f64,
    /// How many times faster than a real bench the times run.
    pub speed: f64,
}

impl Scenario {
    /// Acidity of table vinegar: 2.50 mL (portion by portion a little more or less) in 60 mL of water,
    /// sodium hydroxide 0.1 mol/L, about 11.4 mL to the end-point.
    ///
    /// pKa of acetic acid 4.756 at 25 degrees Celsius: handbook value, see `fixtures/reference`.
    #[must_use]
    pub fn vinegar(portion: u32) -> Self {
        // The portions differ as pipetted portions do, by half a per cent or so.
        let scatter = 0.004 * (f64::from(portion) * 2.399_963).sin();
        let mmol = 1.140 * (1.0 + scatter);
        Self {
            title: "vinegar acidity".to_owned(),
            beaker: vec![Dissolved { mmol, top_charge: 0, pk: vec![4.756] }],
            sample_volume_ml: 60.0,
            titrant_mol_l: 0.1,
            titrant_carbonate: 0.0,
            expected_ml: mmol / 0.1,
            first_addition_ml: 0.5,
            addition_step_ml: 0.02,
            buffers_ph: Vec::new(),
            temperature_c: 24.9,
            electrode_slope: 0.982,
            electrode_offset_ph: 0.03,
            electrode_lag_s: 1.6,
            electrode_drift_ph_h: 0.0,
            noise_ph: 0.004,
            burette: BuretteError::default(),
            damage: 0.015,
            speed: 1.0,
        }
    }

    /// The same, with all times divided by `speed`.
    #[must_use]
    pub const fn at_speed(mut self, speed: f64) -> Self {
        self.speed = speed;
        self
    }
}

/// R ln 10 / F in mV/K (CODATA 2018).
const NERNST_MV_PER_K: f64 = 0.198_415_9;
/// Seconds between two lines of the instrument.
const LINE_EVERY_S: f64 = 1.0;
/// What the burette motor dispenses between two lines at most, in mL.
const DISPENSED_PER_LINE_ML: f64 = 0.4;
/// Lines before the first addition.
const LINES_BEFORE: u32 = 6;
/// Lines for which the electrode stands in one buffer.
const LINES_PER_BUFFER: u32 = 60;
/// Carbonic acid at 25 degrees Celsius: handbook values, see `fixtures/reference`.
const CARBONIC_PK: [f64; 2] = [6.352, 10.329];
/// Titrant beyond the equivalence point at which the operator is content, in mL.
const BEYOND_ML: f64 = 1.2;

/// The simulated instruments while a portion is titrated; an iterator over chunks of bytes with their times in s.
#[derive(Debug, Clone)]
pub struct Simulated {
    scenario: Scenario,
    rng: ChaCha8Rng,
    medium: Medium,
    line: u32,
    dispensed_ml: f64,
    ordered_ml: f64,
    electrode_ph: f64,
    last_equilibrium_ph: Option<f64>,
    recent_ph: VecDeque<f64>,
    lines_since_dose: u32,
    /// Volume and pH when the operator last gave titrant: the slope between two of these sets the next addition.
    last_dose: Option<(f64, f64)>,
    ready: VecDeque<(f64, Vec<u8>)>,
    finished: bool,
}

impl Simulated {
    /// A bench that is switched on now; equal seeds give equal bytes.
    #[must_use]
    pub fn new(scenario: Scenario, seed: u64) -> Self {
        let medium = Medium::water(scenario.temperature_c);
        let mut bench = Self {
            scenario,
            rng: ChaCha8Rng::seed_from_u64(seed),
            medium,
            line: 0,
            dispensed_ml: 0.0,
            ordered_ml: 0.0,
            electrode_ph: 7.0,
            last_equilibrium_ph: None,
            recent_ph: VecDeque::new(),
            lines_since_dose: 0,
            last_dose: None,
            ready: VecDeque::new(),
            finished: false,
        };
        bench.electrode_ph = bench.equilibrium_ph();
        if bench.scenario.damage > 0.0 {
            // What a line sounds like while an instrument is switched on.
            bench.ready.push_back((0.0, vec![0x00, 0xF8, 0x80, b'?', b'\r', b'\n']));
        }
        bench
    }

    /// The pH in the beaker, by the balance of charge with activities.
    fn equilibrium_ph(&mut self) -> f64 {
        let s = &self.scenario;
        if !s.buffers_ph.is_empty() {
            let which = (self.line / LINES_PER_BUFFER) as usize;
            return s.buffers_ph[which.min(s.buffers_ph.len() - 1)];
        }
        let delivered_ml = s.burette.delivered_ml(self.dispensed_ml).max(0.0);
        let total_ml = s.sample_volume_ml + delivered_ml;
        let sodium = Solute::ion(s.titrant_mol_l, 1);
        let carbonate = Solute::acid(s.titrant_mol_l * s.titrant_carbonate / 2.0, 0, CARBONIC_PK.to_vec());
        let in_beaker: Vec<Solute> = s
            .beaker
            .iter()
            .map(|d| Solute {
                concentration: d.mmol / s.sample_volume_ml,
                top_charge: d.top_charge,
                pk: d.pk.clone(),
            })
            .collect();
        let mut solutes: Vec<(f64, &Solute)> =
            in_beaker.iter().map(|solute| (s.sample_volume_ml / total_ml, solute)).collect();
        solutes.push((delivered_ml / total_ml, &sodium));
        if s.titrant_carbonate > 0.0 {
            solutes.push((delivered_ml / total_ml, &carbonate));
        }
        if let Some(equilibrium) = equilibrate(self.medium, &solutes, self.last_equilibrium_ph) {
            self.last_equilibrium_ph = Some(equilibrium.ph);
        }
        self.last_equilibrium_ph.unwrap_or(7.0)
    }

    fn shown_ph(&mut self) -> f64 {
        let s = &self.scenario;
        let noise: f64 = StandardNormal.sample(&mut self.rng);
        let drift = s.electrode_drift_ph_h * f64::from(self.line) * LINE_EVERY_S / 3600.0;
        7.0 + s.electrode_slope * (self.electrode_ph - 7.0)
            + s.electrode_offset_ph
            + drift
            + s.noise_ph * noise
    }

    /// Whether the meter would mark the value as steady: no more drift over five lines than noise explains.
    fn is_steady(&self) -> bool {
        let limit = (4.0 * self.scenario.noise_ph).max(0.01);
        let oldest = self.recent_ph.front();
        self.lines_since_dose >= 4
            && self.recent_ph.len() == 5
            && oldest.zip(self.recent_ph.back()).is_some_and(|(a, b)| (a - b).abs() < limit)
    }

    /// What an attentive person adds next: bold far off, single drops where the last addition moved the pH much.
    fn next_addition_ml(&self, ph: f64) -> f64 {
        let Some((volume, earlier_ph)) = self.last_dose else { return self.scenario.first_addition_ml };
        let added = (self.dispensed_ml - volume).max(1e-3);
        let steepness = ((ph - earlier_ph) / added).abs().max(0.05);
        let wanted = (0.14 / steepness).min(1.8 * added.max(0.02)).clamp(0.02, 0.8);
        let step_ml = self.scenario.addition_step_ml;
        (wanted / step_ml).round() * step_ml
    }

    fn dose(&mut self, ph: f64) {
        self.ordered_ml += self.next_addition_ml(ph);
        self.last_dose = Some((self.dispensed_ml, ph));
        self.lines_since_dose = 0;
        self.recent_ph.clear();
    }

    /// One second at the bench: titrant flows, the electrode follows, a line goes out, the operator decides.
    fn step(&mut self) {
        let flowing = self.ordered_ml - self.dispensed_ml;
        self.dispensed_ml += flowing.min(DISPENSED_PER_LINE_ML);
        let target = self.equilibrium_ph();
        self.electrode_ph +=
            (target - self.electrode_ph) * -(-LINE_EVERY_S / self.scenario.electrode_lag_s).exp_m1();
        let ph = self.shown_ph();
        if self.recent_ph.len() == 5 {
            self.recent_ph.pop_front();
        }
        self.recent_ph.push_back(ph);
        let steady = flowing <= DISPENSED_PER_LINE_ML && self.is_steady();
        self.send(ph, steady);
        self.line += 1;
        self.lines_since_dose += 1;

        let waited_long = self.lines_since_dose > 25;
        if !self.scenario.buffers_ph.is_empty() {
            self.finished = (self.line / LINES_PER_BUFFER) as usize >= self.scenario.buffers_ph.len();
        } else if self.line > LINES_BEFORE && (steady || waited_long) {
            if self.dispensed_ml > self.scenario.expected_ml + BEYOND_ML {
                self.finished = true;
            } else {
                self.dose(ph);
            }
        }
    }

    fn send(&mut self, ph: f64, steady: bool) {
        let at = f64::from(self.line) * LINE_EVERY_S;
        let temperature = self.scenario.temperature_c + 0.1 * (f64::from(self.line) / 97.0).sin();
        let mark = if steady { 'S' } else { '*' };
        // The meter's own pH is that of an ideal electrode; its millivolts are what the electrode gives.
        let emf_mv = -NERNST_MV_PER_K * (self.scenario.temperature_c + 273.15) * (ph - 7.0);
        let text = format!(
            "{:.3} mL, {ph:.3} pH, {emf_mv:.1} mV, {temperature:.1} C, {mark}\r\n",
            self.dispensed_ml
        );
        let mut bytes = text.into_bytes();
        let last_chunk_at = at + 0.03;
        if !self.rng.random_bool(self.scenario.damage.clamp(0.0, 1.0)) {
            self.queue(at, bytes);
            return;
        }
        match self.rng.random_range(0..4) {
            // The rest of the line is lost, its end included: the next line runs into it.
            0 => bytes.truncate(self.rng.random_range(8..bytes.len() - 4)),
            // A disturbance on the cable sets bits.
            1 => {
                let place = self.rng.random_range(0..bytes.len() - 2);
                bytes[place] |= 0x80;
            }
            // The line comes twice.
            2 => self.queue(at, bytes.clone()),
            // The line comes in two pieces.
            _ => {
                let rest = bytes.split_off(self.rng.random_range(1..bytes.len() - 1));
                self.queue(at, std::mem::replace(&mut bytes, rest));
            }
        }
        self.queue(last_chunk_at, bytes);
    }

    fn queue(&mut self, at_s: f64, bytes: Vec<u8>) {
        self.ready.push_back((at_s / self.scenario.speed, bytes));
    }
}

impl Iterator for Simulated {
    type Item = (f64, Vec<u8>);

    fn next(&mut self) -> Option<Self::Item> {
        while self.ready.is_empty() && !self.finished {
            self.step();
        }
        self.ready.pop_front()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(scenario: Scenario, seed: u64) -> Vec<(f64, String)> {
        Simulated::new(scenario, seed).map(|(t, b)| (t, String::from_utf8_lossy(&b).into_owned())).collect()
    }

    fn undamaged() -> Scenario {
        Scenario { damage: 0.0, ..Scenario::vinegar(1) }
    }

    #[test]
    fn a_seed_gives_the_same_bytes_again_and_another_seed_others() {
        let of = |seed| Simulated::new(Scenario::vinegar(1), seed).collect::<Vec<_>>();
        assert_eq!(of(7), of(7));
        assert_ne!(of(7), of(8));
    }

    #[test]
    fn the_run_passes_the_equivalence_point_in_small_steps_and_ends() {
        let bench = Simulated::new(undamaged(), 3);
        let truth = bench.scenario.expected_ml;
        let volumes: Vec<f64> = lines(undamaged(), 3)
            .iter()
            .map(|(_, line)| line.split(" mL").next().and_then(|v| v.trim().parse().ok()).expect("a volume"))
            .collect();
        assert!(volumes.windows(2).all(|pair| pair[0] <= pair[1]));
        let last = *volumes.last().expect("lines");
        assert!(last > truth + BEYOND_ML && last < truth + BEYOND_ML + 1.0, "{last}");
        let near = volumes.windows(2).filter(|p| p[1] > p[0] && (p[0] - truth).abs() < 0.1);
        assert!(near.clone().count() >= 2 && near.map(|p| p[1] - p[0]).fold(0.0, f64::max) < 0.07);
    }

    #[test]
    fn the_half_volume_shows_the_constant_of_the_acid() {
        let exact = Scenario { noise_ph: 0.0, electrode_slope: 1.0, electrode_offset_ph: 0.0, ..undamaged() };
        let mut bench = Simulated::new(exact, 1);
        bench.dispensed_ml = bench.scenario.expected_ml / 2.0;
        // Half the acid as salt, 0.0087 mol/L: by the Davies equation the pH there lies 0.042 below the pKa.
        let ph = bench.equilibrium_ph();
        assert!((ph - 4.714).abs() < 0.004, "{ph}");
    }

    #[test]
    fn speed_divides_the_times_only() {
        let slow = lines(undamaged(), 5);
        let fast = lines(undamaged().at_speed(10.0), 5);
        assert_eq!(slow.len(), fast.len());
        for ((t_slow, line_slow), (t_fast, line_fast)) in slow.iter().zip(&fast) {
            assert_eq!(line_slow, line_fast);
            assert!((t_slow - 10.0 * t_fast).abs() < 1e-9);
        }
    }

    #[test]
    fn damage_reaches_the_wire_and_times_never_run_back() {
        let chunks: Vec<_> = Simulated::new(Scenario { damage: 0.3, ..Scenario::vinegar(2) }, 11).collect();
        assert!(chunks.windows(2).all(|pair| pair[0].0 <= pair[1].0));
        let is_whole = |b: &[u8]| {
            b.ends_with(b"\r\n") && b.is_ascii() && b.windows(2).filter(|w| w == b", ").count() == 4
        };
        let whole = chunks.iter().filter(|(_, b)| is_whole(b)).count();
        assert!(whole < chunks.len() && whole > chunks.len() / 2, "{whole} of {}", chunks.len());
    }
}
