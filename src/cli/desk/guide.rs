//! The guide to a bench: places, listening, drafts, files.

use crate::cli::bench::{complete, profile_text};
use crate::cli::command::draft::heard_line;
use crate::cli::{Exit, Fault, Settings, practice as practising};
use crate::dashboard::desk::{Answer, Drafted, Heard, NewBench, Place};
use crate::profile::draft::{self, DraftAnswer, HeardChunk};
use crate::reading::{LineSettings, Quantity};
use crate::source::listen::try_settings;
use crate::source::{Opening, Port, SourceEvent, open, ports};
use crate::store::Reader;
use crate::work::{Bench, Instrument, RunPlan, VolumeFrom};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// How long each setting of a line is tried.
const TRIAL: Duration = Duration::from_secs(3);
/// How long the line is listened to for a draft, and the bytes that are enough for one.
const LISTEN: Duration = Duration::from_secs(12);
const ENOUGH: usize = 3_000;
/// Silence that ends the listening once something came.
const SILENCE: Duration = Duration::from_secs(6);
/// Lines that are shown of what was heard.
const SHOWN: usize = 12;

/// What was heard, for the drafts.
#[derive(Debug, Clone)]
pub(super) struct Listened {
    /// Where.
    pub(super) port: String,
    heard: draft::Heard,
}

fn instrument(text: impl Into<String>) -> Fault {
    Fault { text: text.into(), exit: Exit::Instrument }
}

/// The places that may be listened to; the practice bench last.
pub(super) fn places() -> Result<Answer, Fault> {
    let found = ports::list().map_err(|e| instrument(e.to_string()))?;
    let mut places: Vec<Place> = found
        .into_iter()
        .map(|port| {
            let words = match &port.usb {
                Some(usb) => {
                    let names: Vec<&str> =
                        [&usb.maker, &usb.title].into_iter().flatten().map(String::as_str).collect();
                    format!("USB {}", names.join(" "))
                }
                None => format!("serial port, {}", port.kind),
            };
            Place { port: port.name, words, simulated: false }
        })
        .collect();
    places.push(Place {
        port: "simulator@10:1".to_owned(),
        words: "practice bench: a simulated burette and meter, ten times as fast as life".to_owned(),
        simulated: true,
    });
    Ok(Answer::Places(places))
}

/// Listens at a place without sending.
pub(super) fn listen(place: &str) -> Result<(Listened, Answer), Fault> {
    let port: Port = place.parse().map_err(|e: crate::source::PortError| Fault::misuse(e.to_string()))?;
    if matches!(port, Port::Simulator { .. } | Port::Capture { .. } | Port::Stdin | Port::Hand) {
        return Err(Fault::misuse(
            "only a serial port, a network port or a growing file is listened to here",
        ));
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Fault { text: e.to_string(), exit: Exit::OwnFault })?;
    runtime.block_on(async {
        let cancel = CancellationToken::new();
        let mut line = LineSettings::default();
        let mut words = "as they come".to_owned();
        if matches!(port, Port::Serial { .. } | Port::Usb { .. }) {
            let trials = try_settings(&port, TRIAL, &cancel, |_| {}).await.map_err(instrument)?;
            if let Some(best) = trials.first() {
                line = best.line;
                words = format!("{}, {:.0} % of it text", best.line, best.text * 100.0);
            }
        }
        let chunks = gather(port, line, cancel).await?;
        let bytes: Vec<u8> = chunks.iter().flat_map(|chunk| chunk.bytes.iter().copied()).collect();
        let text = String::from_utf8_lossy(&bytes);
        let sample = text.split(['\n', '\r']).filter(|l| !l.trim().is_empty()).take(SHOWN);
        let answer = Answer::Heard(Heard {
            port: place.to_owned(),
            line: words,
            bytes: bytes.len(),
            sample: sample.map(str::to_owned).collect(),
        });
        let heard = draft::Heard { chunks, timed: true, line: heard_line(line) };
        Ok((Listened { port: place.to_owned(), heard }, answer))
    })
}

async fn gather(port: Port, line: LineSettings, cancel: CancellationToken) -> Result<Vec<HeardChunk>, Fault> {
    let opening = Opening { line, must_exist: true, ..Opening::default() };
    let mut source = open(port, opening, cancel.clone());
    let end = tokio::time::Instant::now() + LISTEN;
    let mut chunks: Vec<HeardChunk> = Vec::new();
    let mut count = 0;
    while count < ENOUGH {
        let wait = if chunks.is_empty() { end } else { end.min(tokio::time::Instant::now() + SILENCE) };
        match tokio::time::timeout_at(wait, source.events.recv()).await {
            Ok(Some(SourceEvent::Bytes { at, bytes })) => {
                count += bytes.len();
                chunks.push(HeardChunk { at_s: at.seconds(), sent: false, bytes: bytes.to_vec() });
            }
            Ok(Some(SourceEvent::Failed { why, .. })) => return Err(instrument(why)),
            Ok(Some(SourceEvent::Gone { why, .. })) if chunks.is_empty() => return Err(instrument(why)),
            Ok(Some(SourceEvent::Gone { .. }) | None) | Err(_) => break,
            Ok(Some(_)) => {}
        }
    }
    cancel.cancel();
    while source.events.recv().await.is_some() {}
    Ok(chunks)
}

/// What was heard as a profile.
pub(super) fn drafted(listened: &Listened, answers: &[(usize, String)]) -> Answer {
    let answers: Vec<DraftAnswer> =
        answers.iter().map(|(number, text)| DraftAnswer { number: *number, text: text.clone() }).collect();
    let made = draft::draft(&listened.heard, &answers);
    let column = |c: &draft::DraftColumn| {
        let what = c.quantity.map_or_else(|| "not known".to_owned(), |q| q.to_string());
        let unit = c.unit.map_or("", |u| u.symbol());
        let (first, last) = c.from_to;
        let state = if c.live { "is read" } else { "is left out" };
        format!(
            "{}: {what} {unit}, {first} to {last}, {:.0} % sure, {state}",
            c.channel,
            c.confidence * 100.0
        )
    };
    let question = |q: &draft::Question| {
        let mut words = vec![q.text.clone()];
        words.extend(q.examples.iter().flat_map(|e| e.lines().map(|l| format!("  {l}"))));
        words.push(format!("This decides {}.", q.changes));
        (q.number, words, q.choices.clone())
    };
    Answer::Drafted(Drafted {
        columns: made.columns.iter().map(column).collect(),
        questions: made.questions.iter().map(question).collect(),
        not_understood: made.not_understood.first().cloned(),
        sends_volume: made.columns.iter().any(|c| c.live && c.quantity == Some(Quantity::Volume)),
        profile_text: made.profile_text,
    })
}

/// Writes profile and bench, and checks them as they will be used.
pub(super) fn new_bench(settings: &Settings, new: &NewBench) -> Result<Answer, Fault> {
    let profile = match &new.profile {
        Err(shipped) => shipped.clone(),
        Ok(text) => {
            let path = write(&settings.configuration.join("instruments"), &new.title, text)?;
            // The file is there to be mended where the check finds a mistake.
            let name = stem(&path);
            profile_text(&name, settings)?;
            name
        }
    };
    let volume = if new.keyed { VolumeFrom::Keyed { step_ml: None } } else { VolumeFrom::Line };
    let bench = Bench {
        title: new.title.clone(),
        instrument: vec![Instrument { profile, port: new.port.clone() }],
        volume,
        burette: None,
        settling: None,
        people: crate::work::People::default(),
        anchors: None,
    };
    let text = toml::to_string(&bench).map_err(|e| Fault { text: e.to_string(), exit: Exit::OwnFault })?;
    write(&settings.configuration.join("benches"), &new.title, &text)?;
    if new.port.starts_with("simulator") {
        let port = practising::port_with(&new.port, None, 1);
        return Ok(Answer::Bench(Box::new(practising::bench(&new.title, &port)?.plan), None));
    }
    Ok(Answer::Bench(Box::new(complete(bench, text, settings)?), None))
}

fn stem(path: &Path) -> String {
    path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default()
}

/// Writes a file under a name made of a title; one that is there with other words is left alone.
fn write(folder: &Path, title: &str, text: &str) -> Result<PathBuf, Fault> {
    let plain = |c: char| if c.is_alphanumeric() { c.to_ascii_lowercase() } else { '-' };
    let name: String = title.chars().map(plain).take(60).collect();
    let fail =
        |path: &Path, e: std::io::Error| Fault::misuse(format!("{} cannot be written: {e}", path.display()));
    std::fs::create_dir_all(folder).map_err(|e| fail(folder, e))?;
    for n in 1..100 {
        let numbered = if n == 1 { format!("{name}.toml") } else { format!("{name}-{n}.toml") };
        let path = folder.join(numbered);
        if std::fs::read_to_string(&path).is_ok_and(|there| there == text) {
            return Ok(path);
        }
        match std::fs::File::create_new(&path) {
            Ok(mut file) => {
                use std::io::Write;
                file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(|e| fail(&path, e))?;
                return Ok(path);
            }
            Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(e) => return Err(fail(&path, e)),
        }
    }
    Err(Fault::misuse(format!(
        "{} holds a hundred files of this name; choose another title",
        folder.display()
    )))
}

/// The practice bench with the next beaker under the electrode.
pub(super) fn practice(
    reader: &Reader,
    (title, _profile, port): &(String, String, String),
    plan: Option<&RunPlan>,
) -> Result<Answer, Fault> {
    let nth = reader.runs(1)?.first().map_or(0, |row| row.run) + 1;
    let port = practising::port_with(port, plan, nth);
    let bench = practising::bench(title, &port)?.plan;
    Ok(Answer::Bench(Box::new(bench), plan.map(|plan| Box::new(plan.clone()))))
}
