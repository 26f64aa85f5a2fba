//! End-points and blanks of a procedure file.

use super::super::form::{BlankForm, FindForm, Text};
use super::super::{Blank, BlankWord, Find, ShapeWord};
use super::Reader;
use crate::detector::Level;
use crate::form::nearest;
use crate::reading::{Quantity, Unit as SignalUnit};
use crate::results::Dimension;
use toml::Spanned;

impl Reader<'_, '_> {
    pub(super) fn find(&mut self, form: &FindForm) -> Find {
        self.declare(form.name.get_ref(), form.name.span(), "an end-point");
        let window = form.window.as_ref().and_then(|[from, to]| {
            let window = self.titrant(from).zip(self.titrant(to))?;
            if window.0 >= window.1 {
                let message = "the window is empty".to_owned();
                self.error("empty-range", from.span(), message, "write the smaller amount first");
                return None;
            }
            Some(window)
        });
        let named = form.signal.as_ref().and_then(|text| {
            let known = Quantity::parse(text.get_ref());
            if known.is_none() {
                let message = format!("\"{}\" is no signal", text.get_ref());
                let names: Vec<&str> = Quantity::ALL.into_iter().map(Quantity::name).collect();
                let remedy = match nearest(text.get_ref(), names.iter().copied()) {
                    Some(near) => format!("did you mean \"{near}\"?"),
                    None => format!("known are: {}", names.join(", ")),
                };
                self.error("signal", text.span(), message, &remedy);
            }
            known
        });
        let told = matches!(form.shape, Some(ShapeWord::Seen | ShapeWord::Printed));
        if let Some(u) = form.u.as_ref().filter(|_| !told) {
            let message = "only an end-point that a person or the instrument tells has its uncertainty here";
            let remedy = "leave `u` out: the curve tells it; for a level write `u_level`";
            self.error("u", u.span(), message.to_owned(), remedy);
        }
        let (level, signal) = match form.level.as_ref().and_then(|text| self.level(text, form, named)) {
            Some((level, signal)) => (Some(level), Some(signal)),
            None => (None, named),
        };
        if form.shape == Some(ShapeWord::Level) && form.level.is_none() {
            let message = "a level is looked for, and it is not said which".to_owned();
            self.error("level", form.name.span(), message, "add `level = \"8.2 pH\"`");
        }
        Find {
            name: form.name.get_ref().clone(),
            shape: form.shape,
            signal,
            window,
            warn_before: form.warn_before.as_ref().and_then(|text| self.titrant(text)),
            level,
            u_told: form.u.as_ref().filter(|_| told).and_then(|text| self.titrant(text)),
            model: form.model.clone(),
            may_be_missing: form.may_be_missing,
        }
    }

    /// The level, and the signal that it is a level of.
    fn level(&mut self, text: &Text, form: &FindForm, named: Option<Quantity>) -> Option<(Level, Quantity)> {
        let (number, unit) = split_number(text.get_ref().trim());
        let value = number.parse::<f64>().ok().filter(|v| v.is_finite());
        let (Some(value), Some(unit)) = (value, SignalUnit::parse(unit)) else {
            let message = format!("\"{}\" is no level of a signal", text.get_ref());
            self.error(
                "level",
                text.span(),
                message,
                "write a number and a unit, such as \"8.2 pH\" or \"250 mV\"",
            );
            return None;
        };
        let quantity = match named {
            Some(named) if !unit.quantities().contains(&named) => {
                let message = format!("\"{}\" is no level of {named}", text.get_ref());
                let like = named.canonical_unit().symbol();
                self.error("level", text.span(), message, &format!("state it in {like}"));
                return None;
            }
            Some(named) => named,
            None => *unit.quantities().first()?,
        };
        let stay_s =
            form.stay.as_ref().and_then(|stay| self.coherent(stay, Dimension::TIME, "10 s")).unwrap_or(0.0);
        let signal = unit.to_canonical(value);
        let u_signal = form.u_level.map_or(0.0, |u| (unit.to_canonical(value + u) - signal).abs());
        Some((Level { signal, u_signal, stay_s }, quantity))
    }

    pub(super) fn blank(&mut self, form: Option<&Spanned<BlankForm>>) -> Blank {
        let Some((form, span)) = form.map(|form| (form.get_ref(), form.span())) else {
            return Blank { rule: BlankWord::None, fixed: None, last: 1, within_s: None, most: None };
        };
        let value = form.value.as_ref().and_then(|text| self.titrant(text));
        let u = form.u.as_ref().and_then(|text| self.titrant(text));
        if form.rule == BlankWord::Fixed && form.value.is_none() {
            let message = "the blank is fixed, and its value is not said".to_owned();
            self.error("missing-key", span, message, "add `value = \"0.02 mL\"` to [blank]");
        }
        Blank {
            rule: form.rule,
            fixed: value.map(|value| (value, u)),
            last: form.last.map_or(3, |n| n as usize),
            within_s: form.within.as_ref().and_then(|text| self.coherent(text, Dimension::TIME, "7 d")),
            most: form.most.as_ref().and_then(|text| self.titrant(text)),
        }
    }
}

/// The number at the beginning of a text, and the rest.
fn split_number(text: &str) -> (&str, &str) {
    text.split_once(char::is_whitespace).map_or_else(
        || {
            let end = text
                .char_indices()
                .find(|(_, c)| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+' | 'e' | 'E')))
                .map_or(text.len(), |(at, _)| at);
            text.split_at(end)
        },
        |(number, unit)| (number, unit.trim()),
    )
}
