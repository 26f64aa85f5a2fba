//! What reacts, checked for its kind.

use super::super::form::{ReactionForm, ReactionWord};
use super::super::{Protons, Reaction};
use super::Reader;
use toml::Spanned;

impl Reader<'_, '_> {
    pub(super) fn reaction(&mut self, form: &Spanned<ReactionForm>) -> Option<Reaction> {
        let (r, span) = (form.get_ref(), form.span());
        let mut needed = |value: Option<f64>, key: &str| {
            if value.is_none() {
                let message = format!("the rehearsal needs `{key}` for this kind of reaction");
                self.error("missing-key", span.clone(), message, &format!("add `{key}` to [reaction]"));
            }
            value.filter(|v| v.is_finite())
        };
        let reaction = match r.kind {
            ReactionWord::Acid | ReactionWord::Base => {
                let is_base = r.kind == ReactionWord::Base;
                let protons = u32::try_from(r.pka.len()).unwrap_or(u32::MAX);
                let off = r.protons_off.unwrap_or(if is_base { protons } else { 0 });
                let all = if is_base { off } else { protons.saturating_sub(off) }.max(1);
                Reaction::Protons(Protons {
                    is_base,
                    // A strong acid is its anion, a strong base its cation.
                    charge: r.charge.unwrap_or(match (is_base, protons) {
                        (true, _) => 1,
                        (false, 0) => -1,
                        (false, _) => 0,
                    }),
                    off,
                    steps: r.steps.unwrap_or(all),
                    pka: r.pka.clone(),
                })
            }
            ReactionWord::Silver => Reaction::Silver { pksp: needed(r.pksp, "pksp")? },
            ReactionWord::Complex => Reaction::Complex { log_k: needed(r.log_k, "log_k")? },
            ReactionWord::Redox => {
                let analyte_mv = needed(r.analyte_mv, "analyte_mv")?;
                let titrant_mv = needed(r.titrant_mv, "titrant_mv")?;
                Reaction::Redox { analyte_mv, titrant_mv, electrons: r.electrons.unwrap_or([1, 1]) }
            }
        };
        if let Reaction::Protons(p) = &reaction
            && (p.off as usize > p.pka.len() || p.pka.iter().any(|pk| !pk.is_finite() || pk.abs() > 30.0))
        {
            let message = "more protons are off than there are pKa, or a pKa is none".to_owned();
            self.error("reaction", span, message, "state pKa, first dissociation first, and `protons_off`");
            return None;
        }
        Some(reaction)
    }
}
