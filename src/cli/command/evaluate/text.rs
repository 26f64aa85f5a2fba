//! The same for people.

use crate::detector::{Change, Evaluation};
use crate::reading::Curve;

/// A paragraph about a curve; no line break at its end.
pub(super) fn report(
    name: &str,
    curve: &Curve,
    changes: &[Change],
    evaluation: &Evaluation,
    explain: bool,
) -> String {
    let unit = curve.head.titrant.unit();
    let signal_unit = curve.head.signal.map_or_else(String::new, |(_, unit)| format!(" {unit}"));
    let mut lines = vec![format!("{name}: {} points", curve.points.len())];
    for change in changes {
        let mut line = format!(
            "  point {:>5}  {:>9.4} {unit}  {:<9}",
            change.point,
            change.titrant,
            change.state.word()
        );
        if let (Some(find), Some(end_point)) = (change.find, change.end_point) {
            line.push_str(&format!("  find {find} at {end_point:.4} {unit}"));
        }
        line.push_str(&format!("  ({})", change.because));
        lines.push(line);
    }
    if evaluation.end_points.is_empty() {
        lines.push("  no end-point".to_owned());
    }
    for (i, end_point) in evaluation.end_points.iter().enumerate() {
        let u = end_point.u.map_or_else(|| "u not known".to_owned(), |u| format!("u = {u:.4} {unit}"));
        let signal = end_point.signal.map_or_else(String::new, |s| format!(", signal {s:.3}{signal_unit}"));
        let confirmed = end_point
            .confirmed_at
            .map_or_else(|| "not confirmed live".to_owned(), |v| format!("confirmed live at {v:.4} {unit}"));
        lines.push(format!(
            "  end-point {}: {:.4} {unit} ({u}){signal}; {confirmed}; {}",
            i + 1,
            end_point.titrant,
            end_point.method
        ));
    }
    lines.extend(evaluation.warnings.iter().map(|w| format!("  note: {w}")));
    if explain {
        explained(evaluation, &unit.to_string(), &mut lines);
    }
    lines.join("\n")
}

fn explained(evaluation: &Evaluation, unit: &str, lines: &mut Vec<String>) {
    if !evaluation.tried.is_empty() {
        lines.push(
            "  models tried (end-points; AICc above the best; weight; misfit; lag-1; runs):".to_owned(),
        );
    }
    for tried in &evaluation.tried {
        let at: Vec<String> = tried.end_points.iter().map(|(v, u)| format!("{v:.4} +- {u:.4}")).collect();
        let verdict = if tried.set_aside.is_empty() {
            String::new()
        } else {
            format!("  set aside: {}", tried.set_aside)
        };
        lines.push(format!(
            "    {:<34} {} {unit}  {:.1}  {:.2}  {:.2}  {:+.2}  {:+.1}{verdict}",
            tried.model,
            at.join(", "),
            tried.delta_aicc,
            tried.weight,
            tried.misfit,
            tried.lag_one,
            tried.runs_z
        ));
    }
    for fitted in &evaluation.fitted {
        lines.push(format!(
            "    fitted {:<27} {:.5} +- {:.5} {}",
            fitted.name, fitted.value, fitted.u, fitted.unit
        ));
    }
    for classical in &evaluation.classical {
        lines.push(format!("    classical {:<24} {:.4}", classical.method, classical.value));
    }
}
