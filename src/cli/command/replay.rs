//! `dropwise replay`: a capture through the whole path.

use super::run::{PortionArgs, plain};
use crate::cli::bench::{BenchArgs, procedure_text, profile_text};
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::profile::{Decoded, Decoder, Profile};
use crate::reading::{Reading, Validity};
use crate::source::capture::{CaptureReader, Captured};
use crate::work::VolumeFrom;
use clap::Args;
use serde_json::{Map, Value, json};
use std::path::PathBuf;
use std::sync::Arc;

/// Arguments of `replay`.
#[derive(Debug, Args)]
pub struct ReplayArgs {
    /// The capture file
    capture: PathBuf,
    /// The profile of the instrument: a name that ships, or a profile file
    #[arg(long, value_name = "PROFILE")]
    profile: String,
    /// Print the readings only, one JSON object a line; nothing is kept
    #[arg(long)]
    json: bool,
    /// The procedure: a name that ships, or a procedure file
    #[arg(long, value_name = "PROCEDURE")]
    procedure: Option<String>,
    /// How many times as fast as it was recorded; as fast as it goes without
    #[arg(long, value_name = "TIMES")]
    speed: Option<f64>,
    /// Where the amount of titrant comes from, as for `dropwise run`
    #[arg(long, value_name = "FROM", default_value = "line", value_parser = crate::cli::bench::volume_from)]
    volume: VolumeFrom,
    #[command(flatten)]
    portion: PortionArgs,
}

impl ReplayArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the capture, the profile, the procedure or the record cannot be used.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        if self.json {
            return self.readings(settings, output);
        }
        let pace = self.speed.map_or_else(|| "fast".to_owned(), |speed| speed.to_string());
        let bench = BenchArgs {
            port: Some(format!("capture@{pace}:{}", self.capture.display())),
            profile: Some(self.profile.clone()),
            volume: self.volume,
            ..BenchArgs::default()
        };
        let procedure = procedure_text(self.procedure.as_deref(), settings)?;
        plain(settings, bench.ready(settings)?, self.portion.plan(procedure), false, output)
    }

    fn readings(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let (name, text) = profile_text(&self.profile, settings)?;
        let profile = Profile::parse(&name, &text).map_err(|_| Fault {
            text: format!("the profile {name} cannot be used"),
            exit: Exit::Definition,
        })?;
        let mut decoder = Decoder::new(Arc::new(profile));
        let reader = CaptureReader::open(&self.capture).map_err(|e| Fault::misuse(e.to_string()))?;
        let header = reader.header().cloned().unwrap_or_default();
        let mut decoded = Vec::new();
        for entry in reader {
            let entry = entry.map_err(|e| Fault::misuse(e.to_string()))?;
            let at = header.stamp(entry.t_s);
            // A frame that ends by a pause ends before the next chunk.
            // What it would ask is left: a capture takes nothing.
            let _not_sent = decoder.tick(at, &mut decoded);
            match &entry.what {
                Captured::In(bytes) => decoder.feed(at, bytes, &mut decoded),
                Captured::Out(bytes) => decoder.sent(at, bytes),
                Captured::Note(_) => {}
            }
            print(&mut decoded, output)?;
            if output.is_closed() {
                return Ok(Exit::Done);
            }
        }
        decoder.finish(&mut decoded);
        print(&mut decoded, output)?;
        Ok(Exit::Done)
    }
}

fn print(decoded: &mut Vec<Decoded>, output: &mut Output) -> Result<(), Fault> {
    for reading in decoded.drain(..).flat_map(|one| one.readings) {
        output.line(&reading_json(&reading).to_string()).map_err(|e| Fault {
            text: format!("standard output cannot be written: {e}"),
            exit: Exit::OwnFault,
        })?;
    }
    Ok(())
}

/// One reading as design and scorer know it.
#[must_use]
pub fn reading_json(reading: &Reading) -> Value {
    let mut object = Map::new();
    let mut put = |key: &str, value: Value| object.insert(key.to_owned(), value);
    put("frame", json!(reading.frame));
    put("t", json!((reading.at.seconds() * 1e6).round() / 1e6));
    put("quantity", json!(reading.quantity.name()));
    put("value", json!(reading.value));
    put("unit", json!(reading.unit.symbol()));
    put("valid", json!(reading.validity == Validity::Valid));
    if let Validity::NotValid(reason) = &reading.validity {
        put("because", json!(reason));
    }
    if let Some(steady) = reading.steady {
        put("steady", json!(steady));
    }
    if &*reading.channel != reading.quantity.name() {
        put("channel", json!(&*reading.channel));
    }
    Value::Object(object)
}
