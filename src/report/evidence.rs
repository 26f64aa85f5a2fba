//! What goes with a report so that it proves itself, and what comes back out of it.
//!
//! The attachments: `evidence.db` (the runs as a small sealed record), `ledger.jsonl` (rows of the record's ledger),
//! `report.json` (what is stated, and the hash of every other attachment), and for people the texts of procedure and
//! profiles, the documents that entered, and the wire of each run as a capture that `dropwise replay` plays.

use super::gather::Error;
use super::{Attachment, Gathered, Subject, html, pdf};
use crate::source::capture::{CaptureHeader, CaptureWriter, Captured};
use crate::store::{Anchor, LedgerRow, Reader};
use crate::work::Role;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

const RECORD: &str = "evidence.db";
const LEDGER: &str = "ledger.jsonl";
const SUMMARY: &str = "report.json";

/// A number as a report states it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stated {
    /// What the portions are for.
    pub role: Role,
    /// The sample.
    pub sample: String,
    /// The run, for the result of a single one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub run: Option<i64>,
    /// What it is.
    pub name: String,
    /// The unit of everything here.
    pub unit: String,
    /// The full value.
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
    /// Coverage factor.
    pub k: f64,
    /// Probability of the stated interval.
    pub coverage: f64,
    /// The value as told.
    pub told: String,
    /// The expanded uncertainty as told.
    pub told_expanded: String,
    /// As it is printed.
    pub line: String,
    /// Portions that count.
    pub counted: usize,
    /// Portions that were started.
    pub started: usize,
}

impl Stated {
    /// Coverage and number of portions in words.
    #[must_use]
    pub fn interval(&self) -> String {
        let coverage = if self.u > 0.0 {
            format!("coverage factor k = {:.2} for {:.1} %; ", self.k, self.coverage * 100.0)
        } else {
            String::new()
        };
        match self.run {
            Some(run) => format!("{coverage}result of run {run}"),
            None => format!("{coverage}{} of {} portions started count", self.counted, self.started),
        }
    }

    fn of(&self) -> String {
        let sample = if self.sample.is_empty() { "not named" } else { &self.sample };
        format!("{} {sample}, {}", self.role.word(), self.name)
    }
}

/// What a report states, for programs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// Version of this form.
    pub dropwise_report: u32,
    /// The report.
    pub id: String,
    /// When it was made, microseconds since 1970 UTC.
    pub made_utc_us: i64,
    /// Name and version of the program.
    pub program: String,
    /// What it is about.
    pub subject: Subject,
    /// What has to be said on every page.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub mark: String,
    /// The head of the ledger.
    pub anchor: Anchor,
    /// The numbers.
    pub stated: Vec<Stated>,
    /// SHA-256 of the other attachments by their names, hexadecimal.
    pub parts: BTreeMap<String, String>,
}

/// The attachments of a report.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// What it states.
    pub summary: Summary,
    /// All of them, the summary first.
    pub attachments: Vec<Attachment>,
}

impl Evidence {
    /// Takes out of the record what a report rests on.
    ///
    /// # Errors
    /// When the record cannot be read, or there is no room for a file in the folder of passing files.
    pub fn of(reader: &Reader, gathered: &Gathered) -> Result<Self, Error> {
        let mut parts = vec![record(reader, gathered)?, ledger(gathered)?, documents(reader, gathered)?];
        texts(reader, gathered, &mut parts)?;
        let hashes = parts.iter().map(|part| (part.name.clone(), sha256(&part.bytes))).collect();
        let summary = Summary {
            dropwise_report: 1,
            id: gathered.document.id.clone(),
            made_utc_us: gathered.document.made_utc_us,
            program: concat!("dropwise ", env!("CARGO_PKG_VERSION")).to_owned(),
            subject: gathered.subject.clone(),
            mark: gathered.document.mark.clone(),
            anchor: gathered.anchor.clone(),
            stated: gathered.stated.clone(),
            parts: hashes,
        };
        let own =
            attachment(SUMMARY, "what this report states, for programs", "application/json", json(&summary)?);
        parts.insert(0, own);
        Ok(Self { summary, attachments: parts })
    }
}

fn attachment(name: &str, what: &str, media: &'static str, bytes: Vec<u8>) -> Attachment {
    Attachment { name: name.to_owned(), what: what.to_owned(), media, bytes }
}

fn json(value: &impl Serialize) -> Result<Vec<u8>, Error> {
    let text = serde_json::to_string_pretty(value).map_err(|e| Error::Words(e.to_string()))?;
    Ok((text + "\n").into_bytes())
}

fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// A file that is gone when this is dropped.
struct Passing(PathBuf);

impl Passing {
    fn new(ending: &str) -> Self {
        static COUNT: AtomicU64 = AtomicU64::new(0);
        let n = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = format!("dropwise-{}-{n}-{ending}", std::process::id());
        Self(std::env::temp_dir().join(name))
    }
}

impl Drop for Passing {
    fn drop(&mut self) {
        // Nobody misses it.
        let _gone = std::fs::remove_file(&self.0);
    }
}

fn record(reader: &Reader, gathered: &Gathered) -> Result<Attachment, Error> {
    let file = Passing::new(RECORD);
    let by = (gathered.who.as_str(), gathered.document.made_utc_us);
    drop(std::fs::remove_file(&file.0));
    reader.write_excerpt(&gathered.excerpt, &file.0, &gathered.anchor, by)?;
    let bytes = std::fs::read(&file.0)
        .map_err(|e| Error::Words(format!("{} cannot be read: {e}", file.0.display())))?;
    Ok(attachment(RECORD, "the runs as a small sealed record (SQLite)", "application/vnd.sqlite3", bytes))
}

fn ledger(gathered: &Gathered) -> Result<Attachment, Error> {
    let mut bytes = Vec::new();
    for row in &gathered.ledger {
        serde_json::to_writer(&mut bytes, row).map_err(|e| Error::Words(e.to_string()))?;
        bytes.push(b'\n');
    }
    Ok(attachment(LEDGER, "rows of the ledger up to the anchor", "application/jsonl", bytes))
}

fn documents(reader: &Reader, gathered: &Gathered) -> Result<Attachment, Error> {
    let mut all = Vec::new();
    for id in &gathered.excerpt.datums {
        if let Some(datum) = reader.datum(*id)? {
            let body: serde_json::Value = serde_json::from_str(&datum.body).unwrap_or_default();
            let mut object = serde_json::to_value(&datum).map_err(|e| Error::Words(e.to_string()))?;
            object["body"] = body;
            all.push(object);
        }
    }
    Ok(attachment(
        "documents.json",
        "equipment, factors, checks, blanks, results, signatures",
        "application/json",
        json(&all)?,
    ))
}

/// Procedures and profiles as they are, and the wire of each run as a capture.
fn texts(reader: &Reader, gathered: &Gathered, parts: &mut Vec<Attachment>) -> Result<(), Error> {
    let mut profiles = BTreeSet::new();
    let mut procedures = BTreeMap::new();
    for run in &gathered.excerpt.runs {
        let stored = reader.run(*run)?;
        let procedure = &stored.head.plan.procedure;
        if !procedure.is_empty() {
            procedures.insert(crate::store::text_hash(procedure), procedure.clone());
        }
        for line in &stored.lines {
            profiles.insert(line.profile_hash.clone());
            let header = CaptureHeader {
                title: Some(format!("run {run} of {}", line.instrument)),
                port: Some(line.port.clone()),
                started: jiff::Timestamp::from_microsecond(stored.row.started_utc_us).ok(),
                ..CaptureHeader::default()
            };
            let failed = |e: std::io::Error| Error::Words(format!("the wire cannot be written: {e}"));
            let mut writer = CaptureWriter::new(Vec::new(), &header).map_err(failed)?;
            let span = line.from_seq..=line.to_seq.unwrap_or(i64::MAX);
            let mut failure = None;
            reader.wire(line.line_id, |chunk| {
                if span.contains(&chunk.seq) {
                    let at = chunk.at.seconds();
                    let what =
                        if chunk.incoming { Captured::In(chunk.bytes) } else { Captured::Out(chunk.bytes) };
                    failure = writer.write(at, &what).err();
                }
            })?;
            if let Some(e) = failure {
                return Err(failed(e));
            }
            let name = format!("run-{run}-line-{}.jsonl", line.line_id);
            parts.push(attachment(
                &name,
                "what came over the line, as a capture",
                "application/jsonl",
                writer.into_inner(),
            ));
        }
    }
    for (hash, text) in procedures {
        let name = format!("procedure-{}.toml", &hash[..hash.len().min(12)]);
        parts.push(attachment(&name, "the procedure", "application/toml", text.into_bytes()));
    }
    for hash in profiles {
        let text = reader.text(&hash)?;
        let name = format!("profile-{}.toml", hash.get(..12).unwrap_or(&hash));
        parts.push(attachment(&name, "the profile of an instrument", "application/toml", text.into_bytes()));
    }
    Ok(())
}

/// What a report carries, read back.
#[derive(Debug)]
pub struct Carried {
    /// What it states.
    pub summary: Summary,
    /// The rows of the ledger.
    pub ledger: Vec<LedgerRow>,
    /// Attachments that are not what the summary says.
    pub wrong: Vec<String>,
    words: String,
    record: Passing,
}

impl std::fmt::Debug for Passing {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

impl Carried {
    /// The small record, in a file that is there as long as this.
    #[must_use]
    pub fn record(&self) -> &Path {
        &self.record.0
    }
}

/// Reads a report, PDF or HTML, back with what it carries.
///
/// # Errors
/// In words, when it is no report of this program, or cannot be read.
pub fn read_back(path: &Path) -> Result<Carried, String> {
    let place = path.display();
    let bytes = std::fs::read(path).map_err(|e| format!("{place} cannot be read: {e}; check the path"))?;
    let page = if bytes.starts_with(b"%PDF") { None } else { String::from_utf8(bytes.clone()).ok() };
    let part = |name: &str| -> Result<Option<Vec<u8>>, String> {
        match &page {
            Some(page) => Ok(html::attachment(page, name)),
            None => pdf::attachment(&bytes, name).map_err(|why| format!("{place}: {why}")),
        }
    };
    let needed = |name: &str| {
        part(name)?.ok_or_else(|| {
            format!("{place} carries no {name}: it is no report of this program, or its attachments were taken out")
        })
    };
    let words = match &page {
        Some(page) => html::words(page),
        None => pdf::words(&bytes).map_err(|why| format!("{place}: {why}"))?,
    };
    let summary: Summary = serde_json::from_slice(&needed(SUMMARY)?)
        .map_err(|e| format!("{place}: its {SUMMARY} cannot be understood: {e}"))?;
    let mut wrong = Vec::new();
    for (name, hash) in &summary.parts {
        match part(name) {
            Ok(Some(bytes)) if sha256(&bytes) == *hash => {}
            Ok(Some(_)) => {
                wrong.push(format!("the attachment {name} is not the one that the report was made with"))
            }
            Ok(None) => wrong.push(format!("the attachment {name} is missing")),
            Err(why) => wrong.push(why),
        }
    }
    let mut ledger = Vec::new();
    for line in String::from_utf8_lossy(&needed(LEDGER)?).lines() {
        match serde_json::from_str(line) {
            Ok(row) => ledger.push(row),
            Err(e) => wrong.push(format!("a row of {LEDGER} cannot be understood: {e}")),
        }
    }
    let record = Passing::new(RECORD);
    std::fs::write(&record.0, needed(RECORD)?)
        .map_err(|e| format!("{} cannot be written: {e}", record.0.display()))?;
    Ok(Carried { summary, ledger, wrong, words, record })
}

/// What a comparison of a report with what comes out again found.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Compared {
    /// Numbers that are what comes out.
    pub same: usize,
    /// What differs, in words.
    pub differs: Vec<String>,
}

/// How far a recomputed figure may be from the stated one, relative to it: other processors round otherwise.
const SAME: f64 = 1e-9;

/// Compares what a report states and prints with the numbers computed again.
#[must_use]
pub fn compare(carried: &Carried, again: &[Stated]) -> Compared {
    let mut compared = Compared::default();
    let squeezed = |text: &str| text.split_whitespace().collect::<String>();
    let printed = squeezed(&carried.words);
    let close = |a: f64, b: f64| (a - b).abs() <= SAME * a.abs().max(b.abs()).max(1e-300);
    for stated in &carried.summary.stated {
        let of = stated.of();
        let fits = |other: &&Stated| {
            (other.role, &other.sample, other.run, &other.name)
                == (stated.role, &stated.sample, stated.run, &stated.name)
        };
        let Some(found) = again.iter().find(fits) else {
            compared.differs.push(format!("{of}: nothing like it comes out of the evidence"));
            continue;
        };
        let mut differs = Vec::new();
        for (what, a, b) in
            [("value", stated.value, found.value), ("u", stated.u, found.u), ("k", stated.k, found.k)]
        {
            if !close(a, b) {
                differs.push(format!("{of}: {what} is stated as {a}, computed again {b}"));
            }
        }
        if stated.line != found.line || stated.unit != found.unit || stated.told != found.told {
            differs.push(format!("{of}: stated \"{}\", computed again \"{}\"", stated.line, found.line));
        }
        if (stated.counted, stated.started) != (found.counted, found.started) {
            differs.push(format!(
                "{of}: {} of {} portions are said to count, {} of {} do",
                stated.counted, stated.started, found.counted, found.started
            ));
        }
        if !printed.contains(&squeezed(&crate::reading::visible(&found.line))) {
            differs.push(format!("{of}: \"{}\" comes out, and is not what is printed", found.line));
        }
        if differs.is_empty() {
            compared.same += 1;
        }
        compared.differs.append(&mut differs);
    }
    for found in again.iter().filter(|found| {
        !carried
            .summary
            .stated
            .iter()
            .any(|s| (s.role, &s.sample, &s.name) == (found.role, &found.sample, &found.name))
    }) {
        compared
            .differs
            .push(format!("{}: it comes out of the evidence, and the report does not state it", found.of()));
    }
    for (what, words) in [
        ("the name of the report", carried.summary.id.as_str()),
        ("the hash of the anchor", carried.summary.anchor.hash.as_str()),
        ("what is said of the origin", carried.summary.mark.as_str()),
    ] {
        if !printed.contains(&squeezed(words)) {
            compared.differs.push(format!("{what} is not printed as its {SUMMARY} has it"));
        }
    }
    compared
}
