//! One run in a report: curve, end-points, the points about them, every evaluation.

use super::words::{exact, fate, moment, number, person, unit};
use super::{Error, procedure_of};
use crate::detector::{EndPoint, Evaluation, evaluate};
use crate::reading::{Curve, Point};
use crate::report::{Document, picture};
use crate::store::{Choice, LedgerRow, Reader, Signature, StoredReckoning, StoredRun};
use crate::work::result::PortionResult;
use crate::work::{Kept, Procedure, RunId};

/// Points on each side of an end-point that are listed.
const ABOUT: usize = 4;

/// Everything that a report says of a run.
#[derive(Debug, Clone)]
pub(super) struct Portion {
    pub(super) stored: StoredRun,
    pub(super) procedure: Option<Procedure>,
    pub(super) procedure_hash: Option<String>,
    pub(super) result: Option<Kept<PortionResult>>,
    pub(super) reckonings: Vec<StoredReckoning>,
    /// Which of them is reported by a person's choice.
    pub(super) choice: Option<Choice>,
    /// The procedure by which the reported one looks for end-points.
    looks: Option<Procedure>,
    pub(super) signatures: Vec<Signature>,
    /// Local time minus UTC at the start, in seconds.
    pub(super) offset_s: i32,
    /// When it ended, with the distance from UTC.
    pub(super) ended: Option<(i64, i32)>,
    /// The curve fitted again.
    pub(super) fitted: Option<Evaluation>,
}

impl Portion {
    pub(super) fn read(reader: &Reader, run: RunId) -> Result<Self, Error> {
        let stored = reader.run(run)?;
        let ledger: Vec<LedgerRow> = reader.ledger_of(&format!("run {run}"))?;
        let row = |verb: &str| ledger.iter().find(|row| row.verb == verb);
        let mut reckonings = Vec::new();
        let mut signatures = Vec::new();
        for id in reader.reckoning_ids(run)? {
            reckonings.push(reader.reckoning(id)?);
            signatures.extend(reader.signatures(&format!("reckoning {id}"))?);
        }
        let reported = reckonings.iter().find(|kept| Some(kept.id) == stored.reckoning);
        let looks = match reported.and_then(|kept| kept.procedure_hash.as_deref()) {
            Some(hash) => procedure_of(&reader.text(hash)?),
            None => None,
        };
        let procedure_hash = match stored.head.plan.procedure.as_str() {
            "" => None,
            text => Some(crate::store::text_hash(text)),
        };
        Ok(Self {
            procedure: procedure_of(&stored.head.plan.procedure),
            procedure_hash,
            result: reader.result(run)?,
            reckonings,
            choice: reader.choice_of_reckoning(run)?,
            looks,
            signatures,
            offset_s: row("begin").map_or(0, |row| row.utc_offset_s),
            ended: row("end").map(|row| (row.utc_us, row.utc_offset_s)),
            fitted: None,
            stored,
        })
    }

    /// Fits the curve again for its picture, as the procedure has it looked at.
    pub(super) fn fit(&mut self) {
        let looks = self.looks.as_ref().map(Procedure::looks).unwrap_or_default();
        let given = looks.into_iter().next().unwrap_or_default();
        if self.stored.points.len() > 4 {
            self.fitted = Some(evaluate(&self.curve(), &given));
        }
    }

    pub(super) fn curve(&self) -> Curve {
        Curve { head: self.stored.head.curve, points: self.stored.points.clone() }
    }

    fn unit(&self) -> &'static str {
        self.stored.row.titrant.unit().symbol()
    }

    fn signal_unit(&self) -> &'static str {
        self.stored.head.curve.signal.map_or("", |(_, unit)| unit.symbol())
    }

    pub(super) fn section(&self, document: &mut Document) {
        let stored = &self.stored;
        let row = &stored.row;
        let sample =
            if row.sample.is_empty() { String::new() } else { format!(", {}", picture::short(&row.sample)) };
        let role = stored.head.plan.role.word();
        document.heading(
            2,
            format!("Run {}: {role}{sample}, portion {} of {}", row.run, row.portion, row.portions),
        );
        let mut pairs = vec![
            ("started", format!("{} by {}", moment(row.started_utc_us, self.offset_s), person(&stored.who))),
            ("what became of it", fate(row)),
            ("origin", row.origin.word().to_owned()),
        ];
        for line in &stored.lines {
            pairs.push(("instrument", format!("{} at {}", line.instrument, line.port)));
            pairs.push(("profile SHA-256", line.profile_hash.clone()));
        }
        let typed: Vec<String> =
            stored.head.plan.values.iter().map(|(name, value)| format!("{name} = {value}")).collect();
        pairs.push(("values as typed", typed.join(", ")));
        pairs.push(("mass", stored.head.plan.mass_g.map_or_else(String::new, |mass| format!("{mass} g"))));
        pairs.push(("started in spite of", stored.head.plan.warnings.join("; ")));
        pairs.push(("reason given", stored.head.plan.reason.clone().unwrap_or_default()));
        pairs.push(("points", stored.points.len().to_string()));
        document.pairs(pairs);
        self.picture(document);
        self.evaluations(document);
        for end in &stored.findings {
            self.points_about(document, end);
        }
        self.result_of(document);
        let mut said: Vec<&String> = stored.warnings.iter().collect();
        if let Some(result) = &self.result {
            said.extend(&result.it.warnings);
        }
        for warning in said {
            document.words(format!("warning: {warning}"));
        }
        for (at, note) in &stored.notes {
            document.words(format!("note at {at:.0} s: {note}"));
        }
    }

    fn picture(&self, document: &mut Document) {
        let shown = Evaluation {
            end_points: self.stored.findings.clone(),
            curve: self.fitted.as_ref().map(|f| f.curve.clone()).unwrap_or_default(),
            ..Evaluation::default()
        };
        let drawn = picture::curve("", &self.curve(), &shown, false).and_then(|picture| picture.svg());
        match drawn {
            Ok(drawn) => {
                let run = self.stored.row.run;
                document.figure(
                    drawn,
                    &format!("run {run}: the points, the curve fitted to them, and the steepness; bands are two standard uncertainties on each side of an end-point"),
                );
            }
            Err(why) => document.words(why),
        }
    }

    /// Every evaluation; which one the result rests on, and who made it.
    fn evaluations(&self, document: &mut Document) {
        let unit = self.unit();
        let mut rows = Vec::new();
        for (n, reckoning) in self.reckonings.iter().enumerate() {
            let ends: Vec<String> = reckoning
                .findings
                .iter()
                .map(|end| {
                    let u = end.u.map_or_else(|| "u not known".to_owned(), |u| format!("u = {u:.4} {unit}"));
                    let at =
                        end.signal.map_or_else(String::new, |s| format!(" at {s:.3} {}", self.signal_unit()));
                    format!("{:.4} {unit}, {u}{at} ({})", end.titrant, end.method)
                })
                .collect();
            let ends = if ends.is_empty() { "no end-point".to_owned() } else { ends.join("; ") };
            let made = reckoning.ledger.as_ref().map_or_else(
                || moment(reckoning.utc_us, self.offset_s),
                |row| format!("{} by {}", moment(row.utc_us, row.utc_offset_s), row.who),
            );
            let why = reckoning.ledger.as_ref().map_or("", |row| row.why.as_str());
            let what = match (n == 0, self.stored.reckoning == Some(reckoning.id)) {
                (true, true) => "the first, reported",
                (true, false) => "the first",
                (false, true) => "later, REPORTED by choice",
                (false, false) => "later, beside the first",
            };
            rows.push(vec![
                reckoning.id.to_string(),
                what.to_owned(),
                ends,
                format!("{made}, {}", reckoning.program),
                why.to_owned(),
            ]);
        }
        document.table(&[">reckoning", "which", "end-points", "made", "why"], rows);
        match &self.choice {
            Some(choice) => document.words(format!(
                "The result rests on reckoning {}, which {} chose on {}; the reason: {}. The first stands beside it.",
                choice.reckoning,
                person(&choice.who),
                moment(choice.utc_us, choice.utc_offset_s),
                choice.why
            )),
            None if self.reckonings.len() > 1 => document.words(
                "The result rests on the first reckoning, which the recorder made when the run ended; nobody chose another.",
            ),
            None => {}
        }
    }

    fn points_about(&self, document: &mut Document, end: &EndPoint) {
        let points = &self.stored.points;
        let Some(before) = points.iter().rposition(|p| p.titrant <= end.titrant) else { return };
        let from = (before + 1).saturating_sub(ABOUT);
        let to = (before + 1 + ABOUT).min(points.len());
        let (unit, signal) = (self.unit(), self.signal_unit());
        let mut rows = Vec::new();
        for at in from..to {
            let Point { titrant, signal, temperature_c, t_s } = points[at];
            let slope = at
                .checked_sub(1)
                .map(|b| points[b])
                .filter(|b| titrant > b.titrant)
                .map_or_else(String::new, |b| number((signal - b.signal) / (titrant - b.titrant)));
            rows.push(vec![
                (at + 1).to_string(),
                format!("{titrant:.3}"),
                format!("{signal:.3}"),
                slope,
                temperature_c.map_or_else(String::new, |t| format!("{t:.1}")),
                // A time that is nothing has no sign.
                t_s.map_or_else(String::new, |t| format!("{:.1}", (t * 10.0).round() / 10.0 + 0.0)),
            ]);
            if at == before {
                let at = end.signal.map_or_else(String::new, |s| format!("{s:.3}"));
                rows.push(vec!["end-point".to_owned(), format!("{:.4}", end.titrant), at]);
            }
        }
        document.table(
            &[
                ">point",
                &format!(">titrant / {unit}"),
                &format!(">signal / {signal}"),
                &format!(">steepness / {signal} per {unit}"),
                ">temperature / °C",
                ">time / s",
            ],
            rows,
        );
    }

    fn result_of(&self, document: &mut Document) {
        let Some(kept) = &self.result else { return };
        for value in &kept.it.results {
            document.pairs([(value.name.as_str(), value.line())]);
        }
        for missing in &kept.it.missing {
            document.words(format!("no result: {missing}"));
        }
        let rows = kept
            .it
            .inputs
            .iter()
            .map(|input| {
                vec![
                    input.name.clone(),
                    exact(input.value),
                    unit(&input.unit).to_owned(),
                    input.from.clone(),
                    input.datum.map_or_else(String::new, |id| format!("document {id}")),
                ]
            })
            .collect();
        document.table(&["value that entered", ">value", "unit", "from", "in the record"], rows);
    }
}
