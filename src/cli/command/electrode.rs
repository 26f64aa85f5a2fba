//! `dropwise electrode`: an electrode is checked in buffers, by dipping it; the checks are kept and listed.

use super::run::{signals, with_bench};
use crate::cli::bench::{BenchArgs, ReadyBench};
use crate::cli::enter::enter;
use crate::cli::output::Output;
use crate::cli::typed::{stock, utc};
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::live::Session;
use crate::results::electrode::ElectrodeLimits;
use crate::store::Reader;
use crate::work::{Checking, Event, Health, LaneEvent, LaneId, Origin};
use clap::{Args, Subcommand};
use std::time::Duration;

/// Commands about electrodes.
#[derive(Debug, Subcommand)]
pub enum ElectrodeCommand {
    /// Check an electrode: dip it from buffer to buffer, no key is needed
    Check(Box<CheckArgs>),
    /// List the checks of all electrodes, the latest last
    List {
        /// One JSON object a line
        #[arg(long)]
        json: bool,
    },
}

/// Arguments of `electrode check`.
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// The electrode, as it is entered in the equipment, or a new name
    #[arg(long)]
    electrode: String,
    /// The buffers in the order of dipping: a lot of the equipment, SET/NAME of a published table such as nbs/phthalate,
    /// or a pH
    #[arg(long = "buffer", required = true, num_args = 1, value_name = "BUFFER")]
    buffers: Vec<String>,
    #[command(flatten)]
    bench: BenchArgs,
    /// Temperature in degrees Celsius where the line does not send it
    #[arg(long, value_name = "DEGC")]
    temperature: Option<f64>,
    /// The signal must rest for so many seconds
    #[arg(long, value_name = "S", default_value_t = 20.0)]
    rest: f64,
    /// Lowest and highest slope in per cent of the Nernst slope
    #[arg(long, num_args = 2, value_names = ["FROM", "TO"])]
    slope: Option<Vec<f64>>,
    /// Largest potential at pH 7 in mV, to either side
    #[arg(long, value_name = "MV")]
    zero: Option<f64>,
    /// Largest residual of a buffer in pH
    #[arg(long, value_name = "PH")]
    residual: Option<f64>,
    /// Largest drift in mV a minute
    #[arg(long, value_name = "MV_PER_MIN")]
    drift: Option<f64>,
    /// Something to say about it
    #[arg(long, default_value = "")]
    reason: String,
    /// Print the check as one JSON object
    #[arg(long)]
    json: bool,
}

/// So long without an event after the end of a line, nothing more comes.
const AFTER_THE_END: Duration = Duration::from_secs(3);

impl ElectrodeCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// When a buffer is not known, the instrument or the record cannot be used, or no line can be drawn.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        match self {
            Self::Check(check) => check.run(settings, output),
            Self::List { json } => list(*json, settings, output),
        }
    }
}

impl CheckArgs {
    fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let mut met = Checking::begin(&self.electrode, &self.buffers, self.rest, &stock(settings)?)
            .map_err(Fault::misuse)?;
        met.temperature_c = self.temperature;
        met.limits = self.limits();
        let bench = self.bench.ready(settings)?;
        let origin = self.listen(settings, bench, &mut met, output)?;
        let record = met.record().map_err(Fault::misuse)?;
        for words in &record.words {
            output.line(&visible(words))?;
        }
        let verdict = if record.accepted { "accepted" } else { "NOT ACCEPTED" };
        output.line(&visible(&format!("electrode {}: {verdict}", record.electrode)))?;
        if !origin.is_real() {
            output.line("SIMULATED: this is no check of a real electrode")?;
        }
        let own = |text: String| Fault { text, exit: Exit::OwnFault };
        let document = record.document(origin, &self.reason).map_err(own)?;
        if self.json {
            output.line(&document.body)?;
        }
        enter(settings, document)?;
        if record.accepted { Ok(Exit::Done) } else { Ok(Exit::OutsideLimits) }
    }

    /// Listens to the bench until the signal has rested in each buffer; through the recorder that has the record, so
    /// that every byte of the check is kept.
    fn listen(
        &self,
        settings: &Settings,
        bench: ReadyBench,
        met: &mut Checking,
        output: &mut Output,
    ) -> Result<Origin, Fault> {
        let origin = if bench.plan.lines.iter().any(|line| line.port.starts_with("simulator")) {
            Origin::Simulator
        } else {
            Origin::Serial
        };
        with_bench(settings, bench, None, async |session, lane, seen| {
            self.follow(session, lane, seen, met, output).await
        })?;
        Ok(origin)
    }

    async fn follow(
        &self,
        session: &mut Session,
        lane: LaneId,
        seen: Vec<Event>,
        met: &mut Checking,
        output: &mut Output,
    ) -> Result<(), Fault> {
        let mut interrupted = signals();
        self.ask(met, output)?;
        for event in seen {
            self.event(met, lane, &event, output)?;
        }
        let mut over = false;
        while met.dips().len() < self.buffers.len() {
            tokio::select! {
                event = session.events.recv() => match event {
                    Some(event) => over |= self.event(met, lane, &event, output)?,
                    None => break,
                },
                // What was received before the end may still be on its way through the record.
                () = tokio::time::sleep(AFTER_THE_END), if over => break,
                Some(_) = interrupted.recv() => {
                    return Err(Fault::misuse("the check was broken off; nothing is entered"));
                }
            }
        }
        if met.dips().len() < self.buffers.len() {
            let text = format!(
                "the signal rested in {} of {} buffers, then the line ended; nothing is entered",
                met.dips().len(),
                self.buffers.len()
            );
            return Err(Fault { text, exit: Exit::Instrument });
        }
        Ok(())
    }

    /// Takes an event; `true`: nothing more will come.
    fn event(
        &self,
        met: &mut Checking,
        lane: LaneId,
        event: &Event,
        output: &mut Output,
    ) -> Result<bool, Fault> {
        let Event::Lane { lane: of, what } = event else { return Ok(false) };
        if *of != lane {
            return Ok(false);
        }
        match what {
            LaneEvent::Readings { readings } => {
                if met.dips().len() < self.buffers.len() && met.take(readings) {
                    let dip = met.dips().last().copied();
                    let unit = met.unit();
                    if let Some(dip) = dip {
                        output.line(&visible(&format!(
                            "buffer {} of {}: {}  {:.3} {unit}, at rest after {:.0} s, drift {:.3} {unit}/min",
                            met.dips().len(),
                            self.buffers.len(),
                            self.buffers[met.dips().len() - 1],
                            dip.settled.mean,
                            dip.settled.settle_s,
                            dip.settled.drift_min
                        )))?;
                    }
                    self.ask(met, output)?;
                }
                Ok(false)
            }
            LaneEvent::Line { health: Health::Over { .. } } => Ok(true),
            LaneEvent::Line { health: Health::Failed { why } } => {
                Err(Fault { text: why.clone(), exit: Exit::Instrument })
            }
            _ => Ok(false),
        }
    }

    fn ask(&self, met: &Checking, output: &mut Output) -> Result<(), Fault> {
        if let Some(next) = self.buffers.get(met.dips().len()) {
            output.line(&visible(&format!(
                "rinse the electrode and dip it into {next}; it is taken when it rests"
            )))?;
            output.flush()?;
        }
        Ok(())
    }

    fn limits(&self) -> ElectrodeLimits {
        let usual = ElectrodeLimits::default();
        ElectrodeLimits {
            slope_percent: self
                .slope
                .as_ref()
                .and_then(|s| Some((*s.first()?, *s.get(1)?)))
                .or(usual.slope_percent),
            zero_mv: self.zero.map(|z| (-z.abs(), z.abs())).or(usual.zero_mv),
            residual_most_ph: self.residual.or(usual.residual_most_ph),
            drift_most_mv_min: self.drift,
            settle_most_s: None,
        }
    }
}

fn list(json: bool, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
    let stock = Reader::open(&settings.record)?.stock()?;
    for kept in &stock.checks {
        let c = &kept.it;
        let when = utc(kept.utc_us);
        if json {
            let object =
                serde_json::json!({ "datum": kept.datum, "checked": when, "by": kept.who, "check": c });
            output.line(&object.to_string())?;
        } else {
            let verdict = if c.accepted { "accepted" } else { "NOT ACCEPTED" };
            output.line(&visible(&format!(
                "{when}  {}  slope {:.2} %  {:.1} mV at pH 7  {} buffers  {verdict}",
                c.electrode,
                c.slope_percent,
                c.zero_mv,
                c.buffers.len()
            )))?;
        }
    }
    if stock.checks.is_empty() && !json {
        output.line("no check yet; `dropwise electrode check` makes one")?;
    }
    Ok(Exit::Done)
}
