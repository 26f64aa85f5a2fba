//! `dropwise capture`: the raw wire with its times to a capture file.

use super::line_options::LineOptions;
use super::stop;
use crate::cli::bench::profile_text;
use crate::cli::output::complain;
use crate::cli::{Exit, Fault, Settings};
use crate::profile::Profile;
use crate::reading::{LineSettings, Stamp};
use crate::source::capture::{CaptureHeader, CaptureWriter, Captured};
use crate::source::{Opening, Port, SourceEvent, SourceHandle, open};
use clap::Args;
use std::fs::{File, OpenOptions};
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use tokio_util::sync::CancellationToken;

/// How often the count of bytes is shown on a terminal.
const SHOW_EVERY: Duration = Duration::from_millis(500);

/// Arguments of `capture`.
#[derive(Debug, Args)]
pub struct Capture {
    /// Where the bytes come from: /dev/ttyUSB0, usb:VENDOR:PRODUCT:SERIAL, tcp:HOST:PORT, file:PATH, stdin
    port: Port,
    /// The capture file to write
    #[arg(short, long, value_name = "F")]
    output: PathBuf,
    /// What is captured, in words
    #[arg(long, value_name = "TEXT")]
    title: Option<String>,
    /// Stop after this time, such as 60s, 10min, 2h
    #[arg(long = "for", value_name = "TIME", value_parser = duration)]
    length: Option<Duration>,
    /// Wait for a port that is not there yet
    #[arg(long)]
    wait: bool,
    /// Take the line settings of this profile: one that ships, or a file
    #[arg(long, value_name = "PROFILE")]
    profile: Option<String>,
    /// Overwrite an existing file
    #[arg(long)]
    force: bool,
    #[command(flatten)]
    line: LineOptions,
}

/// Reads a time such as `60s`; a bare number is seconds.
fn duration(text: &str) -> Result<Duration, String> {
    let digits = text.trim_end_matches(|c: char| c.is_ascii_alphabetic() || c == ' ');
    let factor = match text[digits.len()..].trim() {
        "ms" => 1e-3,
        "" | "s" => 1.0,
        "min" => 60.0,
        "h" => 3_600.0,
        unit => return Err(format!("`{unit}` is no unit of time; write ms, s, min or h")),
    };
    let seconds = digits.parse::<f64>().map_err(|_| format!("`{digits}` is no number"))? * factor;
    match Duration::try_from_secs_f64(seconds) {
        Ok(length) if !length.is_zero() && seconds <= 1e9 => Ok(length),
        _ => Err("the time must be above 0".to_owned()),
    }
}

/// What has been captured so far.
#[derive(Debug, Default)]
struct Sum {
    bytes: u64,
    chunks: u64,
    last: Stamp,
}

impl Capture {
    /// Captures until the source ends, the time is over, or somebody asks to stop.
    ///
    /// # Errors
    /// When the file is there already or cannot be written, or the port or the profile cannot be used.
    pub fn run(self, settings: &Settings) -> Result<Exit, Fault> {
        let line = self.line.over(self.line_of_profile(settings)?);
        if self.output.exists() && !self.force {
            return Err(Fault::misuse(format!(
                "{} is there already; choose another name, or add --force to overwrite it",
                self.output.display()
            )));
        }
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
        let runtime = runtime.map_err(|error| Fault { text: error.to_string(), exit: Exit::OwnFault })?;
        runtime.block_on(self.capture(line))
    }

    fn line_of_profile(&self, settings: &Settings) -> Result<LineSettings, Fault> {
        let Some(name) = &self.profile else { return Ok(LineSettings::default()) };
        let (name, text) = profile_text(name, settings)?;
        // The text has been checked; a mistake in it has been told by now.
        Ok(Profile::parse(&name, &text).map_or_else(|_| LineSettings::default(), |it| (&it.wire).into()))
    }

    async fn capture(self, line: LineSettings) -> Result<Exit, Fault> {
        let cancel = CancellationToken::new();
        let opening = Opening { line, must_exist: !self.wait, ..Opening::default() };
        let mut source = open(self.port.clone(), opening, cancel.clone());
        let ends = self.length;
        let stopper = tokio::spawn(async move {
            match ends {
                None => stop::asked().await,
                Some(length) => tokio::select! {
                    () = stop::asked() => {}
                    () = tokio::time::sleep(length) => {}
                },
            }
            cancel.cancel();
        });
        let sum = self.write_all(&mut source, line).await;
        stopper.abort();
        let sum = sum?;
        complain(&format!(
            "{} bytes in {} chunks over {:.1} s, in {}",
            sum.bytes,
            sum.chunks,
            sum.last.seconds(),
            self.output.display()
        ));
        if sum.bytes == 0 {
            complain(
                "nothing came: is the instrument on, does it send by itself, and are the line settings right? See `dropwise ports --listen`.",
            );
        }
        Ok(Exit::Done)
    }

    /// Writes what happens until the source ends; the file is made when something has happened.
    async fn write_all(&self, source: &mut SourceHandle, line: LineSettings) -> Result<Sum, Fault> {
        let mut sum = Sum::default();
        let mut writer: Option<CaptureWriter<File>> = None;
        let mut shown = Instant::now();
        let on_terminal = io::stderr().is_terminal();
        while let Some(event) = source.events.recv().await {
            let (at, what) = match event {
                SourceEvent::Failed { why, .. } => return Err(Fault { text: why, exit: Exit::Instrument }),
                SourceEvent::Opened { at, what, remarks } => {
                    let text = [vec![format!("open: {what}")], remarks].concat().join("; ");
                    complain(&text);
                    (at, Captured::Note(text))
                }
                SourceEvent::Bytes { at, bytes } => {
                    sum.bytes += bytes.len() as u64;
                    sum.chunks += 1;
                    (at, Captured::In(bytes.into()))
                }
                SourceEvent::Sent { at, bytes } => (at, Captured::Out(bytes.into())),
                SourceEvent::NotSent { .. } => continue,
                SourceEvent::Warning { at, text: why }
                | SourceEvent::Gone { at, why }
                | SourceEvent::Over { at, why } => {
                    complain(&why);
                    (at, Captured::Note(why))
                }
            };
            sum.last = at;
            let failed = |error: io::Error| Fault {
                text: format!(
                    "{} cannot be written: {error}; {} bytes were kept",
                    self.output.display(),
                    sum.bytes
                ),
                exit: Exit::Record,
            };
            if writer.is_none() {
                writer = Some(self.begin(line, at).map_err(failed)?);
            }
            if let Some(writer) = &mut writer {
                writer.write(at.seconds(), &what).map_err(failed)?;
            }
            if on_terminal && shown.elapsed() > SHOW_EVERY {
                shown = Instant::now();
                drop(write!(io::stderr(), "\r{} bytes ", sum.bytes));
            }
        }
        if let Some(writer) = writer
            && let Err(error) = writer.into_inner().sync_all()
        {
            complain(&format!("{} may not be safe on the disk yet: {error}", self.output.display()));
        }
        Ok(sum)
    }

    fn begin(&self, line: LineSettings, at: Stamp) -> io::Result<CaptureWriter<File>> {
        let file = create(&self.output, self.force)?;
        let is_serial = matches!(self.port, Port::Serial { .. } | Port::Usb { .. });
        let started_us = at.utc_us - i64::try_from(at.elapsed_ns / 1_000).unwrap_or(i64::MAX);
        let header = CaptureHeader {
            title: self.title.clone(),
            port: Some(self.port.to_string()),
            line: is_serial.then_some(line),
            // A source without a date gives 0.
            started: (at.utc_us != 0).then(|| jiff::Timestamp::from_microsecond(started_us).ok()).flatten(),
            ..CaptureHeader::default()
        };
        CaptureWriter::new(file, &header)
    }
}

fn create(path: &Path, force: bool) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.write(true);
    if force {
        options.create(true).truncate(true)
    } else {
        options.create_new(true)
    };
    options.open(path)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::source::capture::CaptureReader;
    use clap::Parser;

    #[derive(Parser)]
    struct Only {
        #[command(flatten)]
        capture: Capture,
    }

    fn run(args: &[&str]) -> Result<Exit, String> {
        let only = Only::try_parse_from([&["x"], args].concat()).map_err(|error| error.to_string())?;
        let nowhere = std::env::temp_dir().join("no-such-dropwise-home");
        let settings = Settings {
            configuration: nowhere.clone(),
            record: nowhere.join("record.db"),
            log: nowhere.join("log"),
            name: None,
        };
        only.capture.run(&settings).map_err(|fault| fault.text)
    }

    #[test]
    fn times_are_read_with_their_units() {
        for (text, seconds) in
            [("60s", 60.0), ("90", 90.0), ("1.5 min", 90.0), ("2h", 7_200.0), ("20ms", 0.02)]
        {
            assert_eq!(duration(text).unwrap(), Duration::from_secs_f64(seconds));
        }
        for text in ["", "0", "-1s", "5 days", "NaN", "1e300h", "s"] {
            assert!(duration(text).is_err(), "{text}");
        }
    }

    #[test]
    fn bytes_are_captured_and_an_existing_file_is_kept() {
        let folder = tempfile::tempdir().unwrap();
        let log = folder.path().join("meter.log");
        std::fs::write(&log, b"6.87 pH\r\n\x00\xff").unwrap();
        let port = format!("file:{}", log.display());
        let output = folder.path().join("meter.capture");
        let output = output.to_str().unwrap();
        let args = [port.as_str(), "-o", output, "--title", "a log", "--for", "400ms"];
        assert_eq!(run(&args), Ok(Exit::Done));
        let reader = CaptureReader::open(Path::new(output)).unwrap();
        let header = reader.header().unwrap().clone();
        assert_eq!(header.title.as_deref(), Some("a log"));
        assert_eq!(header.port.as_deref(), Some(port.as_str()));
        let now = jiff::Timestamp::now();
        assert!(now.duration_since(header.started.unwrap()).as_secs().abs() < 60);
        let bytes: Vec<u8> = reader
            .filter_map(|entry| match entry.unwrap().what {
                Captured::In(bytes) => Some(bytes),
                _ => None,
            })
            .flatten()
            .collect();
        assert_eq!(bytes, b"6.87 pH\r\n\x00\xff");

        let before = std::fs::read(output).unwrap();
        assert!(run(&args).unwrap_err().contains("is there already"));
        assert_eq!(std::fs::read(output).unwrap(), before);
        std::fs::write(&log, b"new").unwrap();
        assert_eq!(run(&[&args[..], &["--force"]].concat()), Ok(Exit::Done));
        assert!(std::fs::read_to_string(output).unwrap().contains("\"in\":\"new\""));
    }

    #[test]
    fn a_port_that_is_not_there_leaves_no_file() {
        let folder = tempfile::tempdir().unwrap();
        let output = folder.path().join("x.capture");
        let error = run(&["/dev/no-such-port", "-o", output.to_str().unwrap()]).unwrap_err();
        assert!(error.contains("there is no port /dev/no-such-port"), "{error}");
        let args = ["/dev/no-such-port", "-o", output.to_str().unwrap(), "--profile", "no-such-profile"];
        assert!(run(&args).unwrap_err().contains("there is no profile"));
        assert!(!output.exists());
    }
}
