//! Models of titration curves that jump, each with the TITRANT as an explicit function of the SIGNAL.
//!
//! The signal enters as z, counted in units of the Nernst scale (RT/F, or 1/ln 10 in pH) in the direction in which it
//! rises with titrant: then one formula serves acids and bases, silver and halide electrodes.
//! R. de Levie, How to Use Excel in Analytical Chemistry, Cambridge University Press 2001, chapter 4: the progress of a
//! titration is an explicit function of the concentration that the electrode sees, so no root is searched.

mod bend;
pub(super) mod complexation;
pub(super) mod conductance;
mod halides;
pub(super) mod ion_electrode;
pub(super) mod one_sided;
pub(super) mod polarised;
mod redox;
mod sites;
pub(super) mod two_metals;
pub(super) mod voltage;

pub(super) use super::prior::Prior;
pub(super) use bend::Bend;
pub(super) use complexation::Complexation;
pub(super) use halides::Halides;
pub(super) use ion_electrode::IonElectrode;
pub(super) use redox::{Redox, RightArm};
pub(super) use sites::{Group, Sites};
pub(super) use voltage::{Couples, PolarisedVoltage};

/// What one parameter means to a chemist.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Meaning {
    /// A volume or mass of titrant.
    Titrant,
    /// Natural logarithm of the volume before the first addition.
    LnSampleVolume,
    /// A place on the z axis: half-neutralisation of a site.
    HalfPoint,
    /// A place on the z axis: formal potential of a couple.
    FormalPotential,
    /// A place on the z axis: an arm of the curve.
    Arm,
    /// ln of the slope of the electrode over the theoretical one.
    LnSlope,
    /// ln of the width of a joint, in titrant.
    LnWidth,
    /// Share of stray light.
    StrayLight,
    /// Nothing that is reported.
    Other,
}

/// Where a model has a signal.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    /// Titrant.
    pub(super) titrant: f64,
    /// Its derivative by z.
    pub(super) slope: f64,
    /// Its derivative by the activity shift.
    pub(super) by_shift: f64,
}

/// Takes what a model gives at one of many places: its number, the titrant there, and the whole gradient.
pub(super) type EachPlace<'a> = &'a mut dyn FnMut(usize, Option<Place>, &mut [f64]);

/// Titrant as an explicit function of the signal.
pub(super) trait Model {
    /// Name for people.
    fn name(&self) -> String;
    /// What each parameter means.
    fn meanings(&self) -> Vec<Meaning>;
    /// Titrant at z, where something moved the concentrations by `shift` (-ln gamma of a singly charged ion against the
    /// middle of the run; for a redox titrant ln of the dilution of hydrogen ions, for each electron); the derivatives by the parameters go to `gradient`.
    /// `None` where the model has no titrant for that signal (beyond the titrant's own signal).
    fn titrant(&self, z: f64, shift: f64, p: &[f64], gradient: &mut [f64]) -> Option<Place>;
    /// The same at many places, at once because much of it is the same at all of them: hands the number of each place to
    /// `each`, with what `titrant` gives there and the whole gradient, in which the model's own begins at `offset`.
    /// `shift` may be empty where nothing is shifted.
    fn titrants(
        &self,
        z: &[f64],
        shift: &[f64],
        p: &[f64],
        gradient: &mut [f64],
        offset: usize,
        each: EachPlace<'_>,
    ) {
        for (i, z) in z.iter().enumerate() {
            let shift = shift.get(i).copied().unwrap_or(0.0);
            let place = self.titrant(*z, shift, p, &mut gradient[offset..]);
            each(i, place, gradient);
        }
    }
    /// Which parameters add up to each end-point.
    fn ends(&self) -> Vec<Vec<usize>>;
    /// The sites, if the model is one of acids and bases.
    fn sites(&self) -> Option<&Sites> {
        None
    }
    /// Hydrogen ions for each electron of the titrant's couple, where there are any.
    fn protons(&self) -> Option<f64> {
        None
    }
    /// Parameters that priors tie to others so closely that they are none.
    fn tied(&self) -> usize {
        0
    }
    /// What is known beforehand.
    fn priors(&self) -> Vec<Prior>;
    /// Whether the fitted parameters make chemical sense.
    fn sensible(&self, p: &[f64], range: f64) -> bool;
}

/// exp with its argument held where squares stay finite.
fn exp(y: f64) -> f64 {
    y.clamp(-200.0, 200.0).exp()
}

/// 1 / (1 + exp(-y)).
fn logistic(y: f64) -> f64 {
    1.0 / (1.0 + exp(-y))
}

#[cfg(test)]
mod tests {
    use super::conductance::Conductance;
    use super::one_sided::OneSided;
    use super::polarised::Polarised;
    use super::two_metals::TwoMetals;
    use super::*;
    use crate::detector::response::Response;

    fn check(model: &dyn Model, p: &[f64], places: &[f64]) {
        let name = model.name();
        assert_eq!(model.meanings().len(), p.len(), "{name}");
        let mut gradient = vec![0.0; p.len()];
        let mut scrap = vec![0.0; p.len()];
        let step = 1e-6;
        let close = |a: f64, b: f64| (a - b).abs() < 2e-5 * (1.0 + a.abs());
        // Many places at once, behind two other parameters, are the same places one by one.
        let shifts = vec![0.1; places.len()];
        let mut whole = vec![0.0; p.len() + 2];
        model.titrants(places, &shifts, p, &mut whole, 2, &mut |i, place, whole| {
            let (at_once, one) = (place.unwrap(), model.titrant(places[i], 0.1, p, &mut gradient).unwrap());
            let same = |a: f64, b: f64| (a - b).abs() < 1e-9 * (1.0 + a.abs());
            assert!(same(at_once.titrant, one.titrant) && same(at_once.slope, one.slope), "{name} {i}");
            assert!(same(at_once.by_shift, one.by_shift), "{name} {i}");
            assert!(whole[2..].iter().zip(&gradient).all(|(a, b)| same(*a, *b)), "{name} {i}");
        });
        for z in places {
            let place = model.titrant(*z, 0.1, p, &mut gradient).unwrap();
            let mut at =
                |z: f64, shift: f64, p: &[f64]| model.titrant(z, shift, p, &mut scrap).unwrap().titrant;
            let slope = (at(z + step, 0.1, p) - at(z - step, 0.1, p)) / (2.0 * step);
            assert!(close(slope, place.slope), "{name} z {z}: {slope} {}", place.slope);
            let by_shift = (at(*z, 0.1 + step, p) - at(*z, 0.1 - step, p)) / (2.0 * step);
            assert!(close(by_shift, place.by_shift), "{name} shift {z}: {by_shift} {}", place.by_shift);
            for i in 0..p.len() {
                let (mut up, mut down) = (p.to_vec(), p.to_vec());
                up[i] += step;
                down[i] -= step;
                let slope = (at(*z, 0.1, &up) - at(*z, 0.1, &down)) / (2.0 * step);
                assert!(close(slope, gradient[i]), "{name} z {z} parameter {i}: {slope} {}", gradient[i]);
            }
        }
    }

    #[test]
    fn derivatives_of_all_models_are_those_of_their_formulas() {
        let ln_volume = (4.0, 0.8);
        let sites = Sites {
            groups: vec![Group { strong: true, sites: 1 }, Group { strong: false, sites: 1 }],
            beyond: 1,
            exponents: (1.0, 1.0),
            ln_volume,
            arms_apart: Some((27.0, 3.0)),
            tied: None,
            salt: false,
            charges: (-1.0, 2.0),
            title: "acid-base",
        };
        check(
            &sites,
            &[4.0, 12.0, -14.0, 1.0, 5.0, -8.0, 6.0, 1.0, 6.0, 11.0],
            &[-11.0, -8.0, -3.0, 1.0, 8.0],
        );
        let salt = Sites {
            groups: vec![Group { strong: true, sites: 0 }],
            beyond: 0,
            exponents: (1.0, 2.0),
            ..sites
        };
        check(&salt, &[4.0, 6.0, -5.0, 9.0], &[-4.0, 0.0, 3.0]);
        let halides = Halides { count: 2, ln_volume };
        check(&halides, &[4.0, 9.0, 4.0, -12.0, 5.0, -2.0], &[-11.0, -6.0, -1.0, 3.0, 7.0]);
        for (arm, analyte_splits) in [
            (RightArm::Equal, false),
            (RightArm::Splits, false),
            (RightArm::Joins, false),
            (RightArm::Equal, true),
        ] {
            let redox =
                Redox { analytes: vec![2.0], analyte_splits, titrant: 5.0, arm, most_before: 0.1, ln_volume };
            let p: &[f64] = if arm == RightArm::Equal && !analyte_splits {
                &[9.0, 0.05, 8.0, -7.0]
            } else {
                &[9.0, 0.05, 4.0, 8.0, -7.0]
            };
            check(&redox, p, &[-8.5, -7.0, -2.0, 8.5, 9.0]);
        }
    }

    #[test]
    fn derivatives_of_responses_are_those_of_their_formulas() {
        let ln_volume = (4.0, 0.8);
        let electrode = IonElectrode { charge: 2.0, ln_slope: (0.0, 0.03), ln_volume };
        let metal = Complexation(electrode);
        let current = Polarised { alike: false, ln_volume };
        let ions = Conductance {
            acid: true,
            weak: true,
            ln_volume,
            ln_titrant: (0.0, 1.0),
            unit: 1.0,
            temperature_c: 20.0,
        };
        let side = OneSided { behind: false, sharp: false, ln_volume, ln_width: (-3.0, 2.0) };
        let metals = TwoMetals { electrode, first_is_seen: true };
        let cases: [(&dyn Response, &[f64]); 5] = [
            (&metals, &[0.02, 4.0, 5.0, 4.0, 14.0, 4.0, -4.0, -12.0, 3.0]),
            (&metal, &[0.02, 4.0, 9.0, -9.0, -11.0, 3.0]),
            (&current, &[9.0, 40.0, 3.2, 0.1, 4.0, 0.2]),
            (&ions, &[9.0, -0.5, 4.5, 0.02, 0.01, 0.01, -0.01, 0.01, 1.1, 0.01, 10.5, 0.1]),
            (&side, &[9.0, -2.0, 0.1, 3.0, 4.0]),
        ];
        for (response, p) in cases {
            let mut gradient = vec![0.0; p.len()];
            let mut scrap = vec![0.0; p.len()];
            for v in [1.0, 5.0, 8.0, 9.5, 14.0] {
                response.signal(v, p, &mut gradient).unwrap();
                for i in 0..p.len() {
                    let (mut up, mut down) = (p.to_vec(), p.to_vec());
                    up[i] += 1e-5;
                    down[i] -= 1e-5;
                    let slope = (response.signal(v, &up, &mut scrap).unwrap()
                        - response.signal(v, &down, &mut scrap).unwrap())
                        / 2e-5;
                    assert!(
                        (slope - gradient[i]).abs() < 1e-4 * (1.0 + slope.abs()),
                        "{} at {v}, parameter {i}: {slope} {}",
                        response.name(),
                        gradient[i]
                    );
                }
            }
        }
    }

    /// Silver nitrate and chloride at the equivalence point: [Ag] = [Cl] = sqrt(Ksp), whatever the volumes.
    #[test]
    fn a_precipitate_has_equal_ions_at_its_end() {
        let salt = Sites {
            groups: vec![Group { strong: true, sites: 0 }],
            beyond: 0,
            exponents: (1.0, 1.0),
            ln_volume: (4.0, 0.8),
            arms_apart: None,
            tied: None,
            salt: false,
            charges: (0.0, 0.0),
            title: "precipitate 1:1",
        };
        let p = [50_f64.ln(), 6.0, -6.0, 9.0];
        let place = salt.titrant(0.0, 0.0, &p, &mut [0.0; 4]).unwrap();
        assert!((place.titrant - 9.0).abs() < 1e-12);
    }
}
