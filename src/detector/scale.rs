//! What the unit of the signal says about the shape to look for and the scale on which a jump is smooth.

use super::given::{Given, Shape};
use crate::reading::{CurveHead, Quantity, Unit};

/// Gas constant over Faraday constant in mV/K (CODATA 2018: 8.314462618 / 96485.33212).
pub(super) const RT_OVER_F_MV_PER_K: f64 = 0.086_173_332_62;

/// The scale of e-fold in activity of a singly charged ion, in the unit of the signal; `None` if the unit knows none.
pub(super) fn nernst(head: &CurveHead, temperature_c: f64) -> Option<f64> {
    let (quantity, unit) = head.signal?;
    match quantity {
        Quantity::Ph => Some(std::f64::consts::LN_10.recip()),
        Quantity::Emf | Quantity::Voltage => {
            let mv = RT_OVER_F_MV_PER_K * (temperature_c + 273.15);
            Some(match unit {
                Unit::Volt => mv * 1e-3,
                Unit::Microvolt => mv * 1e3,
                _ => mv,
            })
        }
        _ => None,
    }
}

/// The shape to look for: what is given, else what the unit suggests; `None` if neither says.
pub(super) fn shape(head: &CurveHead, given: &Given) -> Option<Shape> {
    given.shape.or_else(|| match head.signal?.0 {
        Quantity::Ph | Quantity::Emf | Quantity::Voltage => Some(Shape::Jump),
        Quantity::Conductance | Quantity::Absorbance | Quantity::Transmittance | Quantity::Current => {
            Some(Shape::Bend)
        }
        _ => None,
    })
}
