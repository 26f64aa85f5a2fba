//! `dropwise record verify REPORT`: a report is checked by what it carries, without a record.

use super::anchor::named_anchors;
use super::unwritable;
use super::verify::repeat_all;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault};
use crate::live::{OtherInput, inputs_again};
use crate::report::{compare, read_back, stated};
use crate::store::{Reader, WrongRow, check_excerpt, verify};
use serde_json::json;
use std::path::Path;

/// Verifies a report; exit code 5 when something is not as it should be.
///
/// # Errors
/// When the file is no report of this program, or an anchor cannot be understood.
pub(super) fn verify_report(
    path: &Path,
    anchors: &[String],
    as_json: bool,
    output: &mut Output,
) -> Result<Exit, Fault> {
    let not_understood = |text: String| Fault { text, exit: Exit::Record };
    let carried = read_back(path).map_err(not_understood)?;
    let summary = &carried.summary;
    let mut kept = Vec::new();
    for text in anchors {
        kept.extend(named_anchors(text)?);
    }
    let mut faults: Vec<WrongRow> = Vec::new();
    let mut add = |row: &str, what: String| faults.push(WrongRow { row: row.to_owned(), what });
    for what in &carried.wrong {
        add("the file", what.clone());
    }
    for anchor in &kept {
        let row = carried.ledger.iter().find(|row| row.n == anchor.n);
        match row {
            Some(row) if row.hash == anchor.hash => {}
            Some(_) => {
                add(&format!("ledger (n {})", anchor.n), "is not the row that the anchor tells of".to_owned())
            }
            None => add(
                &format!("ledger (n {})", anchor.n),
                "does not go with this report, so that the anchor cannot be compared".to_owned(),
            ),
        }
    }
    let record = carried.record();
    // An excerpt that was altered may not even open; that is a finding, and the rest is still told.
    let mut same = 0;
    let mut remarks = Vec::new();
    let mut rows = 0;
    let checked = (|| -> Result<Vec<WrongRow>, Fault> {
        let mut wrong = Vec::new();
        let report = verify(record, None, &[], &|_, _| {})?;
        rows = report.rows;
        wrong.extend(report.faults);
        wrong.extend(check_excerpt(record, &carried.ledger, &summary.anchor)?);
        let again = repeat_all(record, 0)?;
        same = again.same;
        wrong.extend(again.faults);
        remarks = again.remarks;
        wrong.extend(Reader::open(record)?.wrong_signatures_of_excerpt()?);
        let (other, more) = other_inputs(&Reader::open(record)?)?;
        wrong.extend(other);
        remarks.extend(more);
        let numbers = stated(&Reader::open(record)?, &summary.subject)?;
        let compared = compare(&carried, &numbers);
        same += compared.same as u64;
        let own = concat!("dropwise ", env!("CARGO_PKG_VERSION"));
        let made = if summary.program == own {
            String::new()
        } else {
            format!(" ({} made it, this is {own}: another version may compute otherwise)", summary.program)
        };
        let of_report =
            |what: String| WrongRow { row: "the report".to_owned(), what: format!("{what}{made}") };
        wrong.extend(compared.differs.into_iter().map(of_report));
        Ok(wrong)
    })();
    match checked {
        Ok(wrong) => faults.extend(wrong),
        Err(fault) => {
            let row = "evidence.db".to_owned();
            faults.push(WrongRow { row, what: format!("cannot be read: {fault}") });
        }
    }
    if as_json {
        let text = json!({
            "report": summary.id, "file": path.display().to_string(), "in_order": faults.is_empty(),
            "rows": rows, "ledger_rows": carried.ledger.len(), "found_again": same, "not_repeated": remarks,
            "anchor": summary.anchor, "anchors": kept.len(), "stated": summary.stated, "faults": faults,
        });
        output.line(&text.to_string()).map_err(unwritable)?;
    } else {
        for WrongRow { row, what } in &faults {
            output.line(&crate::dashboard::visible(&format!("WRONG  {row}: {what}"))).map_err(unwritable)?;
        }
        for remark in &remarks {
            output.line(&crate::dashboard::visible(&format!("remark {remark}"))).map_err(unwritable)?;
        }
        output
            .line(&format!(
                "report {}: {rows} rows, {} rows of the ledger, {same} reckonings and results found again from the bytes",
                summary.id,
                carried.ledger.len()
            ))
            .map_err(unwritable)?;
        for stated in &summary.stated {
            let line = format!("{}  {}: {}", stated.role.word(), stated.sample, stated.line);
            output.line(&crate::dashboard::visible(&line)).map_err(unwritable)?;
        }
        output.line(&summary.anchor.to_string()).map_err(unwritable)?;
        let verdict = match (faults.is_empty(), kept.is_empty()) {
            (true, false) => {
                "what is printed is what comes out of the bytes, and the anchor is the one that was kept"
            }
            (true, true) => {
                "what is printed is what comes out of the bytes; whether the anchor is the lab's only one kept elsewhere can tell (--anchor)"
            }
            _ => "NOT everything is as it was: keep this file as it is, and compare it with the record",
        };
        output.line(verdict).map_err(unwritable)?;
    }
    Ok(if faults.is_empty() { Exit::Done } else { Exit::Record })
}

/// Values that entered a result and are not what its run and the documents that came with it give: what was measured or
/// typed for the run cannot have changed; a blank may have been set aside since, and equipment entered anew.
fn other_inputs(reader: &Reader) -> Result<(Vec<WrongRow>, Vec<String>), Fault> {
    let (mut wrong, mut remarks) = (Vec::new(), Vec::new());
    for (run, _) in reader.ended_runs(0)? {
        for OtherInput { name, entered, now, of_the_run } in inputs_again(reader, run)? {
            let now = now.map_or_else(|| "nothing".to_owned(), |now| now.to_string());
            let what =
                format!("{name} entered its result as {entered}, the run and the documents here give {now}");
            if of_the_run {
                wrong.push(WrongRow { row: format!("run (run_id {run})"), what });
            } else {
                remarks.push(format!("run {run}: {what}"));
            }
        }
    }
    Ok((wrong, remarks))
}
