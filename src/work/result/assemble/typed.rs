//! Values as people type them.

use crate::results::{Quantity, Unit};

/// A typed amount of titrant in `unit`, with its standard uncertainty if one was typed behind `+-`.
///
/// # Errors
/// In words, when it is no quantity or measured in something else.
pub fn typed_titrant(text: &str, unit: &str) -> Result<(f64, Option<f64>), String> {
    let (quantity, u) = typed_with_unit(text, unit)?;
    let wanted = Unit::parse(unit).map_err(|wrong| wrong.to_string())?;
    let value = quantity.in_unit(&wanted).ok_or_else(|| format!("\"{text}\" is not measured in {unit}"))?;
    Ok((value, u.map(|u| u * quantity.unit.scale() / wanted.scale())))
}

/// A typed quantity: `5.0231 g`, `5.0231` in the usual unit, `18.64 mL +- 0.013` with its standard uncertainty.
///
/// # Errors
/// In words, with what would be right.
pub fn typed_with_unit(text: &str, usual: &str) -> Result<(Quantity, Option<f64>), String> {
    let (value, u) = text
        .split_once("+-")
        .or_else(|| text.split_once('±'))
        .map_or((text, None), |(value, u)| (value, Some(u)));
    let mut quantity = Quantity::parse(value).map_err(|wrong| wrong.to_string())?;
    if value.trim().parse::<f64>().is_ok() {
        quantity.unit = Unit::parse(usual).map_err(|wrong| wrong.to_string())?;
    }
    let u = u.map(|u| {
        let own = Quantity::parse(u).map_err(|wrong| wrong.to_string())?;
        let bare = u.trim().parse::<f64>().is_ok();
        let scaled = if bare { own.value } else { own.value * own.unit.scale() / quantity.unit.scale() };
        if !bare && own.dimension() != quantity.dimension() {
            return Err(format!("the uncertainty in \"{text}\" is in another kind of unit"));
        }
        if scaled < 0.0 {
            return Err(format!("the uncertainty in \"{text}\" is negative"));
        }
        Ok(scaled)
    });
    Ok((quantity, u.transpose()?))
}
