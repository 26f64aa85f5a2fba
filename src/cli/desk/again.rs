//! Evaluations of stored runs: made again, chosen to be reported, and the curves of earlier portions.

use crate::cli::bench::{parsed, profile_text};
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::desk::{Answer, EarlierCurve, OtherSettings};
use crate::store::Reader;
use crate::work::{Command, RunHead, RunId, choice};

/// Runs that are looked through for earlier portions.
const LISTED: usize = 1_000;
/// Portions whose curves are drawn behind that of the next.
const EARLIER_DRAWN: usize = 3;
/// Points of such a curve.
const EARLIER_POINTS: usize = 300;

/// Another evaluation, as the command that makes it.
pub(super) fn reckon(settings: &Settings, reader: &Reader, other: &OtherSettings) -> Result<Answer, Fault> {
    let definition = |text: String| Fault { text, exit: Exit::Definition };
    let run = reader.run(other.run)?;
    let profile = match other.profile.as_str() {
        "" => None,
        name => {
            let (name, text) = profile_text(name, settings)?;
            parsed(&name, &text)?;
            Some((name, text))
        }
    };
    let procedure = if other.look.is_none() {
        other.procedure.clone()
    } else {
        let text = other.procedure.as_ref().unwrap_or(&run.head.plan.procedure);
        Some(other.look.applied(text).map_err(definition)?)
    };
    let command = Command::Reckon { run: other.run, profile, procedure, why: other.why.clone() };
    let words = format!(
        "run {} is evaluated again; what was found before stays, c chooses what is reported",
        other.run
    );
    Ok(Answer::Asks(vec![command], words))
}

/// The choice of what is reported.
pub(super) fn choose(reader: &Reader, run: RunId, reckoning: i64, why: &str) -> Result<Answer, Fault> {
    let origin = reader.run(run)?.row.origin;
    let document = choice(run, reckoning, origin, why).map_err(Fault::misuse)?;
    let words =
        format!("reckoning {reckoning} of run {run} is the reported one from now on; the others stay");
    Ok(Answer::Asks(vec![Command::Enter { document: Box::new(document) }], words))
}

/// The latest portions before a run: same sample and title, not set aside.
pub(super) fn earlier(reader: &Reader, head: &RunHead) -> Result<Answer, Fault> {
    let rows = reader.runs(LISTED)?;
    let same = rows.into_iter().filter(|row| {
        row.run < head.run
            && !head.plan.sample.is_empty()
            && row.sample == head.plan.sample
            && row.title == head.title
            && row.set_aside.is_none()
    });
    let mut curves = Vec::new();
    for row in same.take(EARLIER_DRAWN) {
        let run = reader.run(row.run)?;
        if run.head.curve != head.curve {
            continue;
        }
        let thin = run.points.len().div_ceil(EARLIER_POINTS).max(1);
        curves.push(EarlierCurve {
            run: row.run,
            portion: row.portion,
            points: run.points.iter().step_by(thin).map(|p| (p.titrant, p.signal)).collect(),
            end_point: row.end_points.first().map(|(at, _)| *at),
        });
    }
    Ok(Answer::Earlier(curves))
}
