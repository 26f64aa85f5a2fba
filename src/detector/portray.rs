//! The best fit told to people: parameters with their meaning, and the curve for a picture.

use super::evaluation::Fitted as Parameter;
use super::fitted::{Drawn, Fitted};
use super::frame::Frame;
use super::given::Given;
use super::models::Meaning;
use super::moving::Moving;
use crate::reading::{Quantity, Titrant, Unit};
use std::f64::consts::LN_10;

/// Number of places at which a fitted curve is drawn.
const PLACES: u32 = 240;

/// How numbers of a fit become numbers of the curve.
pub(super) struct Scale {
    /// Signal at z = 0 and for one unit of z; (0, 1) where the fit is in the signal itself.
    pub(super) origin: f64,
    pub(super) unit: f64,
    /// What the signal is.
    pub(super) signal: Option<(Quantity, Unit)>,
    /// How the titrant is measured.
    pub(super) titrant: Titrant,
}

/// Parameters of a fit that mean something to a chemist.
pub(super) fn parameters(fit: &Fitted, scale: &Scale, given: &Given) -> Vec<Parameter> {
    let (offset, meanings) = match &fit.drawn {
        Drawn::Titrant(model, moving) => (1 + moving.count(), model.meanings()),
        Drawn::Response(response) => (0, response.meanings()),
    };
    let u = |i: usize| fit.covariance[(i, i)].max(0.0).sqrt();
    let of_signal = scale.signal.map_or("", |s| s.1.symbol());
    let of_titrant = scale.titrant.unit().symbol();
    let mut all = Vec::new();
    let mut add = |name: String, value: f64, u: f64, unit: &str| {
        if value.is_finite() && u.is_finite() {
            all.push(Parameter { name, value, u, unit: unit.to_owned() });
        }
    };
    let slope = if let Drawn::Titrant(..) = fit.drawn { fit.p[0] } else { 0.0 };
    if let Drawn::Titrant(_, moving) = &fit.drawn {
        add("slope over the theoretical one".to_owned(), slope.exp(), slope.exp() * u(0), "");
        if let Moving::Electrode(_) = moving {
            let size = scale.unit.abs();
            add("drift over the run".to_owned(), fit.p[1] * scale.unit, u(1) * size, of_signal);
        }
    }
    let in_ph = scale.signal.is_some_and(|s| s.0 == Quantity::Ph);
    let (mut portion, mut place) = (0, 0);
    let mut arms = Vec::new();
    for (i, meaning) in meanings.iter().enumerate() {
        let i = i + offset;
        let value = fit.p[i];
        match meaning {
            Meaning::Titrant => {
                portion += 1;
                add(format!("portion {portion}"), value, u(i), of_titrant);
            }
            Meaning::LnSampleVolume => {
                add("sample volume".to_owned(), value.exp(), value.exp() * u(i), "mL");
            }
            Meaning::HalfPoint | Meaning::FormalPotential => {
                place += 1;
                let name = match (meaning, in_ph) {
                    (Meaning::HalfPoint, true) => format!("pKa {place} (at the ionic strength of the run)"),
                    (Meaning::HalfPoint, false) => format!("half point {place}"),
                    _ => format!("formal potential {place}"),
                };
                let stretch = slope.exp();
                add(
                    name,
                    scale.origin + scale.unit * stretch * value,
                    (scale.unit * stretch).abs() * u(i),
                    of_signal,
                );
            }
            Meaning::Arm => arms.push(i),
            Meaning::LnSlope => {
                add("slope over the theoretical one".to_owned(), value.exp(), value.exp() * u(i), "");
            }
            Meaning::LnWidth => {
                add("width of the joint".to_owned(), value.exp(), value.exp() * u(i), of_titrant)
            }
            Meaning::StrayLight => add("stray light".to_owned(), value, u(i), ""),
            Meaning::Other => {}
        }
    }
    // [M] = C exp(z - rho) and K / [M] = C exp(-(z - lambda)) give K = C^2 exp(lambda - rho).
    let precipitate = fit.name.starts_with("precipitate 1:1") && !fit.name.contains("divalent");
    if let (true, [rho, lambda], Some(c)) = (precipitate, arms.as_slice(), given.titrant_mol_l)
        && c > 0.0
    {
        let variance = fit.covariance[(*rho, *rho)] + fit.covariance[(*lambda, *lambda)]
            - 2.0 * fit.covariance[(*rho, *lambda)];
        let value = (fit.p[*rho] - fit.p[*lambda]) / LN_10 - 2.0 * c.log10();
        add(
            "pKsp (at the ionic strength of the run)".to_owned(),
            value,
            variance.max(0.0).sqrt() / LN_10,
            "",
        );
    }
    if let Drawn::Response(response) = &fit.drawn
        && fit.p.len() == response.len() + 1
    {
        let tau = fit.p[fit.p.len() - 1].exp();
        add("time constant of the electrode".to_owned(), tau, tau * u(fit.p.len() - 1), "s");
    }
    all
}

/// The fitted curve as (titrant, signal), without lag and drift.
pub(super) fn curve(fit: &Fitted, scale: &Scale, frame: Option<&Frame>) -> Vec<(f64, f64)> {
    let (Some(first), Some(last)) = (fit.titrant.first().copied(), fit.titrant.last().copied()) else {
        return Vec::new();
    };
    let part = |i: u32| f64::from(i) / f64::from(PLACES - 1);
    match (&fit.drawn, frame) {
        (Drawn::Titrant(model, moving), Some(frame)) => {
            // Drawn with the dilution at the middle of the run: within the width of a line.
            let shift = match moving {
                Moving::Protons(_) => fit.p[1] * frame.dilution[frame.dilution.len() / 2],
                _ => 0.0,
            };
            let low = frame.z.iter().copied().fold(f64::INFINITY, f64::min);
            let high = frame.z.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let offset = 1 + moving.count();
            let mut scrap = vec![0.0; fit.p.len()];
            (0..PLACES)
                .filter_map(|i| {
                    let z = low + part(i) * (high - low);
                    let place = model.titrant(
                        z * (-fit.p[0]).exp(),
                        shift,
                        &fit.p[offset..],
                        &mut scrap[offset..],
                    )?;
                    let inside = place.titrant >= first && place.titrant <= last;
                    inside.then_some((place.titrant, scale.origin + scale.unit * z))
                })
                .collect()
        }
        (Drawn::Response(response), _) => {
            let mut scrap = vec![0.0; response.len()];
            (0..PLACES)
                .filter_map(|i| {
                    let v = first + part(i) * (last - first);
                    let x = response.signal(v, &fit.p[..response.len()], &mut scrap)?;
                    Some((v, scale.origin + scale.unit * x))
                })
                .collect()
        }
        (Drawn::Titrant(..), None) => Vec::new(),
    }
}
