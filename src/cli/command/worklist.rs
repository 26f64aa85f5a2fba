//! `dropwise run --worklist`: one portion after the other, begun by a person or by a sample changer.

use super::run::{PortionArgs, signals, with_bench};
use crate::cli::bench::{ReadyBench, procedure};
use crate::cli::output::Output;
use crate::cli::plain::{Plain, follow};
use crate::cli::typed::check;
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::live::Session;
use crate::store::Reader;
use crate::work::{
    Command, EquipmentKind, Event, LaneId, Procedure, Queued, Role, RunPlan, WorklistRow, read_worklist,
};
use std::collections::BTreeMap;
use std::io::IsTerminal;
use std::path::Path;

/// Number of the first command that is sent for a portion.
const FIRST_COMMAND: u64 = 100;

/// The portions of a worklist; everything is checked before the first is titrated.
///
/// # Errors
/// When the list or a procedure that it names cannot be read: the line and what would be right.
pub(super) fn plans(list: &Path, common: &PortionArgs, settings: &Settings) -> Result<Vec<Queued>, Fault> {
    let text = std::fs::read_to_string(list)
        .map_err(|e| Fault::misuse(format!("the worklist {} cannot be read: {e}", list.display())))?;
    let rows =
        read_worklist(&text).map_err(|why| Fault::misuse(format!("worklist {}: {why}", list.display())))?;
    let reader = if settings.record.exists() { Some(Reader::open(&settings.record)?) } else { None };
    let mut counts: BTreeMap<(String, String, Role), u32> = BTreeMap::new();
    let mut queued = Vec::new();
    let mut wrong: Vec<Fault> = Vec::new();
    for row in rows {
        let position = row.position;
        let (procedure, mut plan) = match plan_of(row, common, settings) {
            Ok(planned) => planned,
            Err(fault) => {
                wrong.push(fault);
                continue;
            }
        };
        let key = (plan.series.clone(), plan.sample.clone(), plan.role);
        let count = match counts.get(&key) {
            Some(count) => *count,
            None => match &reader {
                Some(reader) if !plan.series.is_empty() => {
                    reader.started_in(&plan.series, &plan.sample, plan.role.word())?
                }
                _ => 0,
            },
        };
        counts.insert(key, count + 1);
        plan.portion = count + 1;
        plan.portions = procedure.limits.planned.max(plan.portion);
        queued.push(Queued { plan, position });
    }
    if let Some(first) = wrong.first() {
        let exit = first.exit;
        let text = wrong.iter().map(|fault| fault.text.as_str()).collect::<Vec<_>>().join("\n");
        return Err(Fault { text, exit });
    }
    if queued.is_empty() {
        return Err(Fault::misuse(format!("the worklist {} has no portion", list.display())));
    }
    Ok(queued)
}

/// The plan of one line, with its procedure.
fn plan_of(
    row: WorklistRow,
    common: &PortionArgs,
    settings: &Settings,
) -> Result<(Procedure, RunPlan), Fault> {
    let at = |fault: Fault| Fault { text: format!("worklist, line {}: {}", row.line, fault.text), ..fault };
    let (procedure, text) = procedure(&row.procedure, settings).map_err(at)?;
    let mut plan: RunPlan = common.plan(text);
    plan.values.extend(row.values.clone());
    procedure.name_the_mass(&mut plan.values);
    plan.sample.clone_from(&row.sample);
    plan.role = row.role;
    plan.uses.extend(row.titrant.clone().map(|lot| (EquipmentKind::Titrant.word().to_owned(), lot)));
    check(&procedure, &plan.values, &plan.uses).map_err(at)?;
    Ok((procedure, plan))
}

/// Titrates the portions in their order.
///
/// # Errors
/// When the bench or the record cannot be used.
pub(super) fn titrate_all(
    settings: &Settings,
    bench: ReadyBench,
    portions: Vec<Queued>,
    unattended: bool,
    json: bool,
    output: &mut Output,
) -> Result<Exit, Fault> {
    with_bench(settings, bench, None, async |session, lane, seen| {
        if unattended {
            changer(session, lane, seen, portions, json, output).await
        } else {
            by_hand(session, lane, seen, portions, json, output).await
        }
    })
}

/// A person places each beaker and says so with Enter; without a terminal the portions follow each other.
async fn by_hand(
    session: &mut Session,
    lane: LaneId,
    mut seen: Vec<Event>,
    portions: Vec<Queued>,
    json: bool,
    output: &mut Output,
) -> Result<Exit, Fault> {
    let mut interrupted = signals();
    let mut exit = Exit::Done;
    let asks = std::io::stdin().is_terminal();
    for (id, Queued { plan, .. }) in (FIRST_COMMAND..).zip(portions) {
        let words = format!("next: {} {} portion {}", plan.role.word(), plan.sample, plan.portion);
        output.line(&visible(&words))?;
        output.flush()?;
        if asks {
            output.line("place the beaker and press Enter")?;
            output.flush()?;
            let pressed =
                tokio::task::spawn_blocking(|| std::io::stdin().read_line(&mut String::new())).await;
            if !matches!(pressed, Ok(Ok(read)) if read > 0) {
                return Err(Fault::misuse(
                    "standard input has ended; the rest of the worklist is not titrated",
                ));
            }
        }
        let start = Command::Start { lane, plan: Box::new(plan) };
        // A recorder that has gone shows as the end of the events.
        let _gone = session.commands.send((id, start)).await;
        let how = Plain { json, obey_stdin: false };
        let one = follow(session, lane, std::mem::take(&mut seen), how, &mut interrupted, output).await?;
        if one != Exit::Done {
            exit = one;
        }
    }
    Ok(exit)
}

/// The marks of a sample changer begin and end each portion.
async fn changer(
    session: &mut Session,
    lane: LaneId,
    mut seen: Vec<Event>,
    portions: Vec<Queued>,
    json: bool,
    output: &mut Output,
) -> Result<Exit, Fault> {
    let mut interrupted = signals();
    let count = portions.len();
    let _gone = session.commands.send((FIRST_COMMAND, Command::Queue { lane, portions })).await;
    let mut exit = Exit::Done;
    for done in 0..count {
        let how = Plain { json, obey_stdin: false };
        match follow(session, lane, std::mem::take(&mut seen), how, &mut interrupted, output).await? {
            Exit::Done => {}
            // The line came to its end with no run going on.
            Exit::Instrument => {
                let text = format!("the line ended after {done} of {count} portions of the worklist");
                return Err(Fault { text, exit: Exit::Instrument });
            }
            // Broken off by a person before a portion began.
            Exit::Misuse => return Ok(Exit::Misuse),
            other => exit = other,
        }
    }
    Ok(exit)
}
