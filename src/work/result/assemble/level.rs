//! What the check of the electrode leaves open at a fixed level: the same error for every portion.

use super::{Gathering, InputSource};
use crate::detector::EndPoint;
use crate::reading::{Point, Quantity};
use crate::results::Kind;
use crate::work::EquipmentKind;
use crate::work::procedure::Find;

/// Titrant for a unit of signal at each end-point, by the two points of the curve around it; an end-point beyond the
/// curve, or on a flat piece, has none.
#[must_use]
pub fn titrant_per_signal(points: &[Point], end_points: &[EndPoint]) -> Vec<(f64, f64)> {
    let mut sorted: Vec<&Point> =
        points.iter().filter(|p| p.titrant.is_finite() && p.signal.is_finite()).collect();
    sorted.sort_by(|a, b| a.titrant.total_cmp(&b.titrant));
    let at = |end_point: &EndPoint| {
        let behind = sorted.partition_point(|p| p.titrant < end_point.titrant);
        let (before, behind) = (sorted.get(behind.checked_sub(1)?)?, sorted.get(behind)?);
        let per_signal = (behind.titrant - before.titrant) / (behind.signal - before.signal);
        per_signal.is_finite().then_some((end_point.titrant, per_signal))
    };
    end_points.iter().filter_map(at).collect()
}

impl Gathering<'_> {
    /// The source that a level in pH has beside its end-point: the line through the buffers.
    pub(super) fn by_electrode(&mut self, find: &Find, titrant: f64) -> Option<InputSource> {
        let level = find.level.filter(|_| find.signal == Some(Quantity::Ph))?;
        let electrode = self.procedure.electrode.as_ref()?;
        let kept = self.equipment(EquipmentKind::Electrode, &find.name, |e| {
            e.what.as_deref() == Some(electrode.kind.as_str())
        });
        let check = kept.and_then(|kept| self.stock.check(&kept.it.name, self.facts.utc_us));
        if check.is_none() && level.u_signal <= 0.0 {
            self.out.warnings.push(format!(
                "no check of the electrode is in the record: how well it keeps pH {} at {} is not in the budget",
                level.signal, find.name
            ));
        }
        let check = check?;
        let (_, per_signal) = self.facts.per_signal.iter().find(|(at, _)| (at - titrant).abs() < 1e-9)?;
        let (check, u_ph) = (&check.it, check.it.u_ph(level.signal));
        Some(InputSource::shared(
            format!("electrode {} at pH {} for {}", check.electrode, level.signal, find.name),
            Kind::Electrode,
            (per_signal * u_ph).abs(),
            self.titrant_unit(),
            format!("electrode check, u = {u_ph:.3} pH"),
        ))
    }

    /// What the procedure states of the uncertainty of its level, in mL or g.
    pub(super) fn u_of_level(&self, find: &Find, titrant: f64) -> f64 {
        let per_signal = self.facts.per_signal.iter().find(|(at, _)| (at - titrant).abs() < 1e-9);
        find.level.zip(per_signal).map_or(0.0, |(level, (_, per_signal))| (per_signal * level.u_signal).abs())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_slope_is_that_of_the_points_around() {
        let point = |titrant, signal| Point { titrant, signal, temperature_c: None, t_s: None };
        let points = [point(1.0, 4.0), point(2.0, 5.0), point(3.0, 9.0), point(4.0, 9.0)];
        let end = |titrant| EndPoint {
            titrant,
            u: None,
            signal: None,
            confirmed_at: None,
            confirmed_at_point: None,
            method: String::new(),
        };
        let found = titrant_per_signal(&points, &[end(2.5), end(3.5), end(9.0), end(1.5)]);
        assert_eq!(found, [(2.5, 0.25), (1.5, 1.0)]);
    }
}
