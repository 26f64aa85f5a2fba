//! Blanks by the rule of the procedure.

use super::typed::typed_titrant;
use super::{Gathering, InputSource};
use crate::results::{Distribution, Kind};
use crate::work::procedure::{BlankWord, blank_name};
use crate::work::{BlankValue, Kept};

impl<'a> Gathering<'a> {
    pub(super) fn blanks(&mut self) {
        let (procedure, facts, stock) = (self.procedure, self.facts, self.stock);
        let rule = &procedure.blank;
        if rule.rule == BlankWord::None {
            return;
        }
        let unit = self.titrant_unit();
        for find in &procedure.finds {
            let name = blank_name(&find.name);
            if let Some(text) = facts.values.get(&name) {
                match typed_titrant(text, unit) {
                    Ok((value, u)) => self.blank(&name, value, u, "keyed", None),
                    Err(why) => self.out.missing.push(format!("the blank {name}: {why}")),
                }
                continue;
            }
            if rule.rule == BlankWord::Fixed {
                match rule.fixed {
                    Some((value, u)) => self.blank(&name, value, u, "fixed by the procedure", None),
                    None => self.out.missing.push(format!("the blank {name} has no value")),
                }
                continue;
            }
            let good = |kept: &&Kept<BlankValue>| {
                let age_s = (facts.utc_us - kept.utc_us) as f64 / 1e6;
                kept.it.procedure == procedure.id
                    && kept.it.find == find.name
                    && !kept.it.set_aside
                    && (rule.rule != BlankWord::MeanOfSeries || kept.it.series == facts.series)
                    && rule.within_s.is_none_or(|within| age_s <= within)
            };
            let mut found: Vec<&Kept<BlankValue>> = stock.blanks.iter().filter(good).collect();
            let take = match rule.rule {
                BlankWord::MeanOfLast => rule.last,
                BlankWord::LatestValid => 1,
                _ => found.len(),
            };
            let found = found.split_off(found.len().saturating_sub(take));
            self.mean_blank(&name, &found);
        }
    }

    fn mean_blank(&mut self, name: &str, found: &[&Kept<BlankValue>]) {
        let n = found.len();
        if n == 0 {
            let where_from = match self.procedure.blank.rule {
                BlankWord::MeanOfSeries => "titrated in this series",
                _ => "of this procedure that is still good",
            };
            self.out.missing.push(format!("there is no blank {where_from} for {name}; titrate one"));
            return;
        }
        let mean = found.iter().map(|b| b.it.value).sum::<f64>() / n as f64;
        let own = found.iter().map(|b| b.it.u.unwrap_or(0.0).powi(2)).sum::<f64>().sqrt() / n as f64;
        let variance = found.iter().map(|b| (b.it.value - mean).powi(2)).sum::<f64>() / (n.max(2) - 1) as f64;
        let scatter = (variance / n as f64).sqrt();
        if let Some(most) = self.procedure.blank.most.filter(|most| mean > *most) {
            self.out.warnings.push(format!("{name} is {mean:.3}, the procedure allows at most {most}"));
        }
        let runs: Vec<String> = found.iter().map(|b| b.it.run.to_string()).collect();
        let from = format!("mean of {n}: run {}", runs.join(", "));
        let datum = found.last().map(|b| b.datum);
        if n > 1 && scatter > own {
            let source = InputSource {
                degrees: Some((n - 1) as f64),
                distribution: Distribution::Student,
                ..InputSource::shared(
                    format!("scatter of {name}"),
                    Kind::Blank,
                    scatter,
                    self.titrant_unit(),
                    &*from,
                )
            };
            self.blank_with(name, mean, vec![source], &from, datum);
        } else {
            self.blank(name, mean, Some(own), &from, datum);
        }
    }

    fn blank(&mut self, name: &str, value: f64, u: Option<f64>, from: &str, datum: Option<i64>) {
        let unit = self.titrant_unit();
        let sources = u.map(|u| InputSource::shared(format!("blank {name}"), Kind::Blank, u, unit, from));
        self.blank_with(name, value, sources.into_iter().collect(), from, datum);
    }

    fn blank_with(
        &mut self,
        name: &str,
        value: f64,
        sources: Vec<InputSource>,
        from: &str,
        datum: Option<i64>,
    ) {
        let unit = self.titrant_unit();
        self.put(name, value, unit, from, datum, sources);
    }
}
