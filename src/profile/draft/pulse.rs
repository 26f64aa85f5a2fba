//! Burettes that count pulses instead of telling a volume.

use super::pipeline::Found;
use super::words;
use crate::reading::Unit;

/// A burette that counts pulses: whole numbers that rise in a few sizes of step, under no name of a quantity.
pub(super) fn mark(found: &mut Found) {
    let size = found.lines.iter().take(40).find_map(|l| {
        l.tokens.windows(2).find_map(|w| {
            let n = w[0].number()?;
            (n.decimals >= 2
                && n.value > 0.0
                && n.value <= 0.1
                && words::unit(&w[1].text).is_some_and(|u| u.0 == Unit::Millilitre))
            .then_some(n.value)
        })
    });
    for column in &mut found.columns {
        let named = column.other.as_deref().is_none_or(|o| o.starts_with("the word"));
        let says = column.evidence.iter().any(|(_, w, from)| *w > 0.45 && from != "its numbers");
        let alone = found.templates[column.template].number_slots().len() == 1;
        let label = column.label.as_deref().map(words::plain).unwrap_or_default();
        let counts =
            ["N", "CNT", "COUNT", "PULSE", "PULSES", "IMP", "IMPULSE", "STEPS", "P", "CT", "PLS", "I"]
                .contains(&label.as_str())
                || label.is_empty();
        let says = says && (!counts || !column.units.is_empty());
        if column.main_decimals() == 0
            && alone
            && named
            && !says
            && counts
            && !column.run.counter
            && column.run.rising > 0.88
            && column.run.few_steps > 0.4
            && column.run.min >= 0.0
            && column.run.max > 20.0
            && column.run.climbing > 0.1
        {
            column.is_pulses = true;
            column.evidence.clear();
            match size {
                Some(ml) => column.set_pulse(ml),
                None => {
                    column.other = Some("it counts pulses, and the volume of one is not known".to_owned())
                }
            }
        }
    }
}
