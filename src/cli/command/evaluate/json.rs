//! One JSON object a curve.

use crate::detector::{Change, EndPoint, Evaluation};
use crate::reading::Titrant;
use serde_json::{Map, Value, json};

/// Titrant amounts are written to 0.00001 mL or g.
const TITRANT_DECIMALS: i32 = 5;
/// Uncertainties and signals to so many figures.
const U_FIGURES: i32 = 3;
const SIGNAL_FIGURES: i32 = 7;

/// The object as one line.
pub(super) fn line(
    name: &str,
    titrant: Titrant,
    changes: &[Change],
    evaluation: &Evaluation,
    explain: bool,
) -> String {
    let keys = Keys::of(titrant);
    let mut object = Map::new();
    object.insert("run".to_owned(), json!(name));
    object.insert("endpoints".to_owned(), evaluation.end_points.iter().map(|e| keys.end_point(e)).collect());
    object.insert("watch".to_owned(), changes.iter().map(|c| keys.change(c)).collect());
    object.insert("warnings".to_owned(), json!(evaluation.warnings));
    if explain {
        object.insert("tried".to_owned(), json!(evaluation.tried));
        object.insert("classical".to_owned(), json!(evaluation.classical));
        object.insert("fitted".to_owned(), json!(evaluation.fitted));
    }
    Value::Object(object).to_string()
}

/// Names of the keys, which carry the unit of the titrant.
struct Keys {
    amount: &'static str,
    u_amount: &'static str,
    confirmed_at: &'static str,
    end_point: &'static str,
    u: &'static str,
}

impl Keys {
    const fn of(titrant: Titrant) -> Self {
        match titrant {
            Titrant::Volume => Self {
                amount: "volume_mL",
                u_amount: "u_volume_mL",
                confirmed_at: "confirmed_at_volume_mL",
                end_point: "end_point_mL",
                u: "u_mL",
            },
            Titrant::Mass => Self {
                amount: "mass_g",
                u_amount: "u_mass_g",
                confirmed_at: "confirmed_at_mass_g",
                end_point: "end_point_g",
                u: "u_g",
            },
        }
    }

    fn end_point(&self, end_point: &EndPoint) -> Value {
        json!({
            self.amount: decimals(end_point.titrant),
            self.u_amount: end_point.u.map(|u| figures(u, U_FIGURES)),
            "signal": end_point.signal.map(|s| figures(s, SIGNAL_FIGURES)),
            self.confirmed_at: end_point.confirmed_at.map(decimals),
            "confirmed_at_point": end_point.confirmed_at_point,
            "method": end_point.method,
        })
    }

    fn change(&self, change: &Change) -> Value {
        let mut object = Map::new();
        object.insert("point".to_owned(), json!(change.point));
        object.insert(self.amount.to_owned(), json!(decimals(change.titrant)));
        object.insert("state".to_owned(), json!(change.state.word()));
        if let Some(find) = change.find {
            object.insert("find".to_owned(), json!(find));
        }
        if let Some(end_point) = change.end_point {
            object.insert(self.end_point.to_owned(), json!(decimals(end_point)));
        }
        if let Some(u) = change.u {
            object.insert(self.u.to_owned(), json!(figures(u, U_FIGURES)));
        }
        object.insert("because".to_owned(), json!(change.because.to_string()));
        Value::Object(object)
    }
}

fn decimals(value: f64) -> f64 {
    let scale = 10_f64.powi(TITRANT_DECIMALS);
    (value * scale).round() / scale
}

/// Rounded to so many figures, as the shortest decimal number.
#[expect(clippy::cast_possible_truncation, reason = "the exponent of a finite number is small")]
fn figures(value: f64, figures: i32) -> f64 {
    if value.abs() < f64::MIN_POSITIVE || !value.is_finite() {
        return value;
    }
    let places = (figures - 1 - value.abs().log10().floor() as i32).clamp(0, 15);
    format!("{value:.*}", places.unsigned_abs() as usize).parse().unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_short() {
        assert_eq!(decimals(12.345_678_901).to_string(), "12.34568");
        assert_eq!(figures(0.004_321_9, 3).to_string(), "0.00432");
        assert_eq!(figures(-123.456_789_123, 7).to_string(), "-123.4568");
        assert_eq!(figures(0.0, 3).to_string(), "0");
    }

    #[test]
    fn a_curve_by_mass_has_keys_in_grams() {
        let text = line("m", Titrant::Mass, &[], &Evaluation::default(), false);
        assert_eq!(text, r#"{"run":"m","endpoints":[],"watch":[],"warnings":[]}"#);
        let end_point = EndPoint {
            titrant: 1.633_33,
            u: Some(0.000_123_4),
            signal: Some(4.3),
            confirmed_at: Some(1.7),
            confirmed_at_point: Some(35),
            method: "model".to_owned(),
        };
        let value = Keys::of(Titrant::Mass).end_point(&end_point);
        assert_eq!(value["mass_g"], json!(1.63333));
        assert_eq!(value["u_mass_g"], json!(0.000123));
        assert_eq!(value["confirmed_at_mass_g"], json!(1.7));
    }
}
