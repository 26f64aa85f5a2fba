//! `dropwise profile draft`: a profile proposed from a capture.

use crate::cli::output::{Output, complain};
use crate::cli::{Exit, Fault};
use crate::profile::draft::{Draft, DraftAnswer, Heard, HeardChunk, HeardLine, Question, draft};
use crate::source::capture::{CaptureReader, Captured};
use clap::Args;
use serde_json::{Value, json};
use std::io::{BufRead, IsTerminal, Write};
use std::path::{Path, PathBuf};

/// No more than this is held in memory: a draft looks at the first MiB.
const MOST_BYTES: usize = 4 << 20;

/// Arguments of `profile draft`.
#[derive(Debug, Args)]
pub struct DraftArgs {
    /// The capture file: with times (dropwise capture), or plain bytes
    capture: PathBuf,
    /// Where the profile goes; standard output without
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// An answer to a question, such as 1=mass or "2=emf mV"; may stand several times
    #[arg(long, value_name = "N=TEXT", value_parser = answer)]
    answer: Vec<DraftAnswer>,
    /// Print profile, columns and questions as one JSON object
    #[arg(long)]
    json: bool,
    /// Ask nothing: what is open stays in the profile as comments
    #[arg(long)]
    no_questions: bool,
}

/// `2=mass g`.
fn answer(text: &str) -> Result<DraftAnswer, String> {
    let (number, said) = text.split_once('=').ok_or("an answer is written N=TEXT, such as 1=mass")?;
    let number = number.trim().parse().map_err(|_| format!("{number:?} is no number of a question"))?;
    Ok(DraftAnswer { number, text: said.trim().to_owned() })
}

impl DraftArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the capture cannot be read, an answer means nothing, or the file cannot be written.
    pub fn run(&self, output: &mut Output) -> Result<Exit, Fault> {
        let heard = heard(&self.capture)?;
        let mut proposed = draft(&heard, &self.answer);
        if let Some(why) = proposed.not_understood.first() {
            return Err(Fault::misuse(format!("an answer was not understood: {why}")));
        }
        let may_ask = !self.no_questions
            && !self.json
            && self.answer.is_empty()
            && std::io::stdin().is_terminal()
            && std::io::stderr().is_terminal();
        if may_ask && !proposed.questions.is_empty() {
            let answers = ask(&heard, &proposed);
            proposed = draft(&heard, &answers);
        }
        if self.json {
            output.line(&as_json(&proposed).to_string()).map_err(unwritable)?;
        }
        match &self.output {
            Some(path) => std::fs::write(path, &proposed.profile_text).map_err(|e| {
                Fault::misuse(format!("the profile cannot be written to {}: {e}", path.display()))
            })?,
            None if !self.json => output.line(proposed.profile_text.trim_end()).map_err(unwritable)?,
            None => {}
        }
        if !self.json {
            for line in summary(&proposed) {
                complain(&line);
            }
        }
        Ok(Exit::Done)
    }
}

fn unwritable(error: std::io::Error) -> Fault {
    Fault::misuse(format!("the profile cannot be written: {error}"))
}

/// Reads the head of a capture.
fn heard(path: &Path) -> Result<Heard, Fault> {
    let reader = CaptureReader::open(path).map_err(|e| Fault::misuse(e.to_string()))?;
    let header = reader.header().cloned();
    let mut heard = Heard { timed: header.is_some(), ..Heard::default() };
    if let Some(line) = header.and_then(|h| h.line) {
        heard.line = heard_line(line);
    }
    let mut bytes = 0;
    for entry in reader {
        let entry = entry.map_err(|e| Fault::misuse(e.to_string()))?;
        let (sent, data) = match entry.what {
            Captured::In(data) => (false, data),
            Captured::Out(data) => (true, data),
            Captured::Note(_) => continue,
        };
        bytes += data.len();
        if bytes > MOST_BYTES {
            break;
        }
        heard.chunks.push(HeardChunk { at_s: entry.t_s, sent, bytes: data });
    }
    if heard.chunks.iter().all(|c| c.sent) {
        let text = format!(
            "{} holds nothing that an instrument sent; capture at least twenty lines and try again",
            path.display()
        );
        return Err(Fault::misuse(text));
    }
    Ok(heard)
}

/// The settings of a line as a draft is told of them.
pub(in crate::cli) fn heard_line(line: crate::reading::LineSettings) -> HeardLine {
    HeardLine {
        baud: line.baud,
        data_bits: line.data_bits.into(),
        parity: match line.parity {
            crate::reading::Parity::None => "none",
            crate::reading::Parity::Odd => "odd",
            crate::reading::Parity::Even => "even",
        }
        .to_owned(),
        stop_bits: line.stop_bits.into(),
        flow: match line.flow {
            crate::reading::Flow::None => "none",
            crate::reading::Flow::XonXoff => "xon-xoff",
            crate::reading::Flow::RtsCts => "hardware",
        }
        .to_owned(),
    }
}

/// A question as it is shown: example lines with the place marked, the choices, what changes.
fn question_lines(question: &Question) -> Vec<String> {
    let mut lines = vec![String::new(), format!("{}. {}", question.number, question.text)];
    for example in &question.examples {
        lines.extend(example.lines().map(|l| format!("     {l}")));
    }
    for (i, choice) in question.choices.iter().enumerate() {
        let guess = if i == 0 { "  (guess)" } else { "" };
        lines.push(format!("   {}  {choice}{guess}", i + 1));
    }
    lines.push(format!("   This decides {}.", question.changes));
    lines
}

/// Asks on the terminal. An empty answer takes the guess; a wrong one shows at once in what is read back.
fn ask(heard: &Heard, proposed: &Draft) -> Vec<DraftAnswer> {
    let mut answers: Vec<DraftAnswer> = Vec::new();
    for question in &proposed.questions {
        for line in question_lines(question) {
            complain(&line);
        }
        loop {
            let mut to = std::io::stderr();
            if write!(to, "   your answer (Enter leaves it open): ").and_then(|()| to.flush()).is_err() {
                return answers;
            }
            let mut said = String::new();
            let read = std::io::stdin().lock().read_line(&mut said);
            if !read.is_ok_and(|n| n > 0) {
                return answers;
            }
            if said.trim().is_empty() {
                break;
            }
            let mut trial = answers.clone();
            trial.push(DraftAnswer { number: question.number, text: said.trim().to_owned() });
            let tried = draft(heard, &trial);
            match tried.not_understood.first() {
                Some(why) => complain(&format!("   not understood: {why}")),
                None => {
                    for line in summary(&tried).into_iter().filter(|l| l.starts_with("  ")) {
                        complain(&format!(" {line}"));
                    }
                    answers = trial;
                    break;
                }
            }
        }
    }
    answers
}

/// What is read back: each column with its first and last value.
fn summary(proposed: &Draft) -> Vec<String> {
    let mut lines = vec![format!("{} frames looked at", proposed.lines)];
    if proposed.unread_bytes > 0 {
        lines.push(format!("{} bytes at the end were not needed", proposed.unread_bytes));
    }
    for column in &proposed.columns {
        let what = column.quantity.map_or_else(|| "?".to_owned(), |q| q.to_string());
        let unit = column.unit.map_or("", |u| u.symbol());
        let (first, last) = column.from_to;
        let state = if column.live { "read" } else { "left as a comment" };
        lines.push(format!(
            "  {:14} {what} {unit}, {first} to {last}, {:.0} % sure, {state}",
            column.channel,
            column.confidence * 100.0
        ));
    }
    let open = proposed.questions.len();
    if open > 0 {
        lines.push(format!(
            "{open} open questions stand in the profile as comments; answer with --answer N=TEXT"
        ));
    }
    lines
}

fn as_json(proposed: &Draft) -> Value {
    json!({
        "profile": proposed.profile_text,
        "columns": proposed.columns.iter().map(|c| json!({
            "channel": c.channel,
            "quantity": c.quantity,
            "unit": c.unit,
            "confidence": (c.confidence * 1000.0).round() / 1000.0,
            "live": c.live,
            "because": c.because,
            "first": c.from_to.0,
            "last": c.from_to.1,
        })).collect::<Vec<_>>(),
        "questions": proposed.questions.iter().map(|q| json!({
            "number": q.number,
            "text": q.text,
            "examples": q.examples,
            "choices": q.choices,
            "changes": q.changes,
        })).collect::<Vec<_>>(),
        "frames": proposed.lines,
        "unread_bytes": proposed.unread_bytes,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_answer_has_a_number_and_a_text() {
        assert_eq!(answer("2=mass g").unwrap(), DraftAnswer { number: 2, text: "mass g".into() });
        assert!(answer("mass").is_err());
        assert!(answer("x=mass").is_err());
    }

    #[test]
    fn a_question_is_shown_with_its_guess_first() {
        let question = Question {
            number: 1,
            text: "What is number 1?".into(),
            examples: vec!["12.3\n^^^^".into()],
            choices: vec!["emf mV".into(), "mass g".into()],
            changes: "the quantity".into(),
        };
        let lines = question_lines(&question);
        assert_eq!(lines[2], "     12.3");
        assert_eq!(lines[3], "     ^^^^");
        assert!(lines[4].ends_with("emf mV  (guess)"));
    }
}
