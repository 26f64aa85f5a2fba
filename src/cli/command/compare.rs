//! Two evaluations of a run side by side.

use super::list::local_time;
use crate::cli::{Exit, Fault};
use crate::dashboard::visible;
use crate::store::{Reader, StoredReckoning, StoredRun};
use serde_json::{Value, json};

/// What `show --compare A,B` prints.
///
/// # Errors
/// When there are not two, or one of them is not of this run.
pub(super) fn compare(reader: &Reader, run: &StoredRun, ids: &[i64], as_json: bool) -> Result<String, Fault> {
    let number = run.row.run;
    let [a, b] = ids else {
        return Err(Fault::misuse(
            "name two reckonings, as in --compare 3,7; `dropwise show RUN` lists them",
        ));
    };
    let (a, b) = (reader.reckoning(*a)?, reader.reckoning(*b)?);
    for one in [&a, &b] {
        if one.run != number {
            return Err(Fault::misuse(format!(
                "reckoning {} is of run {}, not of run {number}",
                one.id, one.run
            )));
        }
    }
    if as_json {
        let text = serde_json::to_string(&as_value(&a, &b));
        return text.map_err(|e| Fault { text: e.to_string(), exit: Exit::OwnFault });
    }
    Ok(as_text(run, &a, &b))
}

/// With what the two were made differently.
pub(in crate::cli) fn changed(a: &StoredReckoning, b: &StoredReckoning) -> Vec<&'static str> {
    let profiles = |one: &StoredReckoning| {
        one.decodings.iter().map(|d| (d.line_id, d.profile_hash.clone())).collect::<Vec<_>>()
    };
    let mut changed = Vec::new();
    if a.program != b.program {
        changed.push("program");
    }
    if profiles(a) != profiles(b) {
        changed.push("profile");
    }
    if a.procedure_hash != b.procedure_hash {
        changed.push("procedure");
    }
    changed
}

fn as_value(a: &StoredReckoning, b: &StoredReckoning) -> Value {
    let pairs = a.findings.len().min(b.findings.len());
    let moved: Vec<Value> = (0..pairs)
        .map(|i| {
            let (a, b) = (&a.findings[i], &b.findings[i]);
            json!({ "by": b.titrant - a.titrant, "standard_uncertainties": in_uncertainties(a.u, b.titrant - a.titrant) })
        })
        .collect();
    json!({ "run": a.run, "changed": changed(a, b), "moved": moved, "reckonings": [a, b] })
}

fn in_uncertainties(u: Option<f64>, by: f64) -> Option<f64> {
    u.filter(|u| *u > 0.0).map(|u| by / u)
}

fn as_text(run: &StoredRun, a: &StoredReckoning, b: &StoredReckoning) -> String {
    let unit = run.row.titrant.unit().symbol();
    let mut lines = Vec::new();
    let mut line = |what: &str, left: String, right: String, note: String| {
        lines.push(visible(format!("{what:<11} {left:<34}  {right:<34}  {note}").trim_end()));
    };
    let short = |hash: &str| format!("sha256 {}", hash.get(..16).unwrap_or(hash));
    let differs = |yes: bool| if yes { "changed".to_owned() } else { String::new() };
    let changed = changed(a, b);
    let who = |one: &StoredReckoning| {
        one.ledger.as_ref().map_or_else(|| "not in the ledger".to_owned(), |row| format!("by {}", row.who))
    };
    let why = |one: &StoredReckoning| one.ledger.as_ref().map_or_else(String::new, |row| row.why.clone());
    line("run", run.row.run.to_string(), String::new(), run.row.title.clone());
    line("reckoning", a.id.to_string(), b.id.to_string(), String::new());
    line("made", local_time(a.utc_us), local_time(b.utc_us), String::new());
    line("", who(a), who(b), String::new());
    line("why", why(a), why(b), String::new());
    line("program", a.program.clone(), b.program.clone(), differs(changed.contains(&"program")));
    for i in 0..a.decodings.len().max(b.decodings.len()) {
        let hash =
            |one: &StoredReckoning| one.decodings.get(i).map_or_else(String::new, |d| short(&d.profile_hash));
        line("profile", hash(a), hash(b), differs(hash(a) != hash(b)));
    }
    let procedure =
        |one: &StoredReckoning| one.procedure_hash.as_deref().map_or_else(|| "none".to_owned(), short);
    line("procedure", procedure(a), procedure(b), differs(changed.contains(&"procedure")));
    let by = b.points - a.points;
    let note = if by == 0 { String::new() } else { format!("{by:+} points") };
    line("points", a.points.to_string(), b.points.to_string(), note);
    for i in 0..a.findings.len().max(b.findings.len()) {
        let (left, right) = (a.findings.get(i), b.findings.get(i));
        let word = |e: Option<&crate::detector::EndPoint>| {
            e.map_or_else(
                || "none".to_owned(),
                |e| {
                    let u = e.u.map_or_else(String::new, |u| format!(" ± {u:.4}"));
                    format!("{:.4}{u} {unit}", e.titrant)
                },
            )
        };
        let note = left.zip(right).map_or_else(
            || "only in one of them".to_owned(),
            |(left, right)| {
                let by = right.titrant - left.titrant;
                let times = in_uncertainties(left.u, by)
                    .map_or_else(String::new, |times| format!(", {times:+.1} standard uncertainties"));
                format!("moved by {by:+.4} {unit}{times}")
            },
        );
        line(&format!("end-point {}", i + 1), word(left), word(right), note);
        let method = |e: Option<&crate::detector::EndPoint>| e.map_or_else(String::new, |e| e.method.clone());
        line("", method(left), method(right), differs(method(left) != method(right)));
    }
    for warning in &a.warnings {
        let both = b.warnings.contains(warning);
        lines.push(visible(&format!(
            "warning     {} {warning}",
            if both { "in both:" } else { "only in the first:" }
        )));
    }
    for warning in b.warnings.iter().filter(|warning| !a.warnings.contains(warning)) {
        lines.push(visible(&format!("warning     only in the second: {warning}")));
    }
    lines.join("\n")
}
