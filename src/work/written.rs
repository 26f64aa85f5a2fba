//! Quantities in the files that people write, with their mistakes told in place.

use crate::form::{Form, Mistakes};
use crate::results::Quantity;
use toml::Spanned;

/// A number with its unit; `like` shows how it is written.
pub(super) fn quantity(
    text: &Spanned<String>,
    like: &str,
    form: Form,
    mistakes: &mut Mistakes<'_>,
) -> Option<Quantity> {
    Quantity::parse(text.get_ref())
        .map_err(|wrong| {
            let remedy = format!("write a number and a unit, such as \"{like}\"");
            mistakes.error(form.code("quantity"), text.span(), wrong.to_string(), Some(remedy));
        })
        .ok()
}
