//! `dropwise electrode`: an electrode is checked in buffers, by dipping it; the checks are kept and listed.

use super::run::{signals, with_bench};
use crate::chemistry::buffers::Buffer;
use crate::cli::bench::{BenchArgs, ReadyBench};
use crate::cli::enter::enter;
use crate::cli::output::Output;
use crate::cli::typed::{stock, utc};
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::live::Session;
use crate::reading::{Quantity, Reading};
use crate::results::electrode::{BufferReading, ElectrodeCheck, ElectrodeLimits, Judged, MeterCheck};
use crate::store::Reader;
use crate::work::{
    BufferRecord, CheckRecord, Dip, DipRules, Dips, Document, EquipmentKind, Event, Health, LaneEvent,
    LaneId, Origin, Stock, kind,
};
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

/// A buffer as it was named, and how its pH is found.
enum Named {
    Table(Buffer, f64),
    Fixed(f64, f64),
}

impl Named {
    fn of(text: &str, stock: &Stock) -> Result<Self, Fault> {
        if let Some(lot) = stock.named(EquipmentKind::Buffer, text) {
            let u = lot.it.u.unwrap_or(0.01);
            if let Some(table) = &lot.it.table {
                return table_of(table).map(|buffer| Self::Table(buffer, u));
            }
            return lot.it.value.map(|ph| Self::Fixed(ph, u)).ok_or_else(|| {
                Fault::misuse(format!("the buffer \"{text}\" has neither a value nor a table"))
            });
        }
        match text.parse::<f64>() {
            // A typed pH is as good as its label: within 0.01 (common practice, no source).
            Ok(ph) if (0.0..=14.0).contains(&ph) => Ok(Self::Fixed(ph, 0.01 / 3.0_f64.sqrt())),
            _ => table_of(text).map(|buffer| {
                let u = buffer.half_width.max(0.005) / 3.0_f64.sqrt();
                Self::Table(buffer, u)
            }),
        }
    }

    /// pH at a temperature and its standard uncertainty.
    fn ph(&self, temperature_c: f64) -> Result<(f64, f64), Fault> {
        match self {
            Self::Fixed(ph, u) => Ok((*ph, *u)),
            Self::Table(buffer, u) => {
                buffer.ph(temperature_c).map(|ph| (ph, *u)).map_err(|e| Fault::misuse(e.to_string()))
            }
        }
    }
}

fn table_of(text: &str) -> Result<Buffer, Fault> {
    let found = text.split_once('/').and_then(|(set, name)| Buffer::find(set, name));
    found.ok_or_else(|| {
        let known: Vec<String> = Buffer::all().map(|b| format!("{}/{}", b.set, b.name)).collect();
        Fault::misuse(format!("\"{text}\" is no lot, no pH and no table; tables are: {}", known.join(", ")))
    })
}

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
        let stock = stock(settings)?;
        let named: Vec<Named> =
            self.buffers.iter().map(|text| Named::of(text, &stock)).collect::<Result<_, _>>()?;
        let bench = self.bench.ready(settings)?;
        let (origin, met) = self.listen(settings, bench, output)?;
        let record = self.record(&named, &met)?;
        for words in &record.words {
            output.line(&visible(words))?;
        }
        let verdict = if record.accepted { "accepted" } else { "NOT ACCEPTED" };
        output.line(&visible(&format!("electrode {}: {verdict}", record.electrode)))?;
        if !origin.is_real() {
            output.line("SIMULATED: this is no check of a real electrode")?;
        }
        let body = serde_json::to_string(&record)
            .map_err(|e| Fault { text: e.to_string(), exit: Exit::OwnFault })?;
        if self.json {
            output.line(&body)?;
        }
        let document = Document {
            kind: kind::CHECK.to_owned(),
            name: self.electrode.clone(),
            body,
            origin,
            verb: "check".to_owned(),
            why: self.reason.clone(),
        };
        enter(settings, document)?;
        if record.accepted { Ok(Exit::Done) } else { Ok(Exit::OutsideLimits) }
    }

    /// Listens to the bench until the signal has rested in each buffer; through the recorder that has the record, so
    /// that every byte of the check is kept.
    fn listen(
        &self,
        settings: &Settings,
        bench: ReadyBench,
        output: &mut Output,
    ) -> Result<(Origin, Met), Fault> {
        let origin = if bench.plan.lines.iter().any(|line| line.port.starts_with("simulator")) {
            Origin::Simulator
        } else {
            Origin::Serial
        };
        let met = with_bench(settings, bench, None, async |session, lane, seen| {
            self.follow(session, lane, seen, output).await
        })?;
        Ok((origin, met))
    }

    async fn follow(
        &self,
        session: &mut Session,
        lane: LaneId,
        seen: Vec<Event>,
        output: &mut Output,
    ) -> Result<Met, Fault> {
        let mut interrupted = signals();
        let mut met = Met::new(self.rest);
        self.ask(&met, output)?;
        for event in seen {
            self.event(&mut met, lane, &event, output)?;
        }
        let mut over = false;
        while met.dips.len() < self.buffers.len() {
            tokio::select! {
                event = session.events.recv() => match event {
                    Some(event) => over |= self.event(&mut met, lane, &event, output)?,
                    None => break,
                },
                // What was received before the end may still be on its way through the record.
                () = tokio::time::sleep(AFTER_THE_END), if over => break,
                Some(_) = interrupted.recv() => {
                    return Err(Fault::misuse("the check was broken off; nothing is entered"));
                }
            }
        }
        if met.dips.len() < self.buffers.len() {
            let text = format!(
                "the signal rested in {} of {} buffers, then the line ended; nothing is entered",
                met.dips.len(),
                self.buffers.len()
            );
            return Err(Fault { text, exit: Exit::Instrument });
        }
        Ok(met)
    }

    /// Takes an event; `true`: nothing more will come.
    fn event(&self, met: &mut Met, lane: LaneId, event: &Event, output: &mut Output) -> Result<bool, Fault> {
        let Event::Lane { lane: of, what } = event else { return Ok(false) };
        if *of != lane {
            return Ok(false);
        }
        match what {
            LaneEvent::Readings { readings } => {
                if met.dips.len() < self.buffers.len() && met.take(readings) {
                    let dip = met.dips.last().copied();
                    let unit = met.unit();
                    if let Some(dip) = dip {
                        output.line(&visible(&format!(
                            "buffer {} of {}: {}  {:.3} {unit}, at rest after {:.0} s, drift {:.3} {unit}/min",
                            met.dips.len(),
                            self.buffers.len(),
                            self.buffers[met.dips.len() - 1],
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

    fn ask(&self, met: &Met, output: &mut Output) -> Result<(), Fault> {
        if let Some(next) = self.buffers.get(met.dips.len()) {
            output.line(&visible(&format!(
                "rinse the electrode and dip it into {next}; it is taken when it rests"
            )))?;
            output.flush()?;
        }
        Ok(())
    }

    fn record(&self, named: &[Named], met: &Met) -> Result<CheckRecord, Fault> {
        let no_temperature =
            || Fault::misuse("the line sends no temperature; give it with --temperature DEGC");
        let mut readings = Vec::new();
        for ((buffer, text), dip) in named.iter().zip(&self.buffers).zip(&met.dips) {
            let temperature_c = self.temperature.or(dip.temperature_c).ok_or_else(no_temperature)?;
            let (ph, u_ph) = buffer.ph(temperature_c)?;
            readings.push(BufferReading {
                name: text.clone(),
                ph,
                u_ph,
                temperature_c,
                emf_mv: dip.settled.mean,
                // The scatter of the mean, and the last digit of the display.
                u_mv: (dip.settled.s / (dip.readings.max(1) as f64).sqrt()).hypot(0.03),
                drift_mv_min: Some(dip.settled.drift_min),
                settle_s: Some(dip.settled.settle_s),
            });
        }
        if met.signal == Some(Quantity::Emf) { self.by_potential(&readings) } else { self.by_ph(&readings) }
    }

    fn by_potential(&self, readings: &[BufferReading]) -> Result<CheckRecord, Fault> {
        let check = ElectrodeCheck::of(readings).map_err(|e| Fault::misuse(e.to_string()))?;
        let judged = check.judge(&self.limits());
        let mut words = vec![format!(
            "slope {:.2} mV/pH, {:.2} % of the Nernst slope at {:.1} degC; {:.2} mV at pH 7, 0 mV at pH {:.3}",
            check.slope_mv,
            check.slope_percent(),
            check.temperature_c,
            check.zero_mv,
            check.zero_ph
        )];
        words.extend(judged.iter().map(said));
        let [u2_zero, covariance, u2_slope] = check.covariance;
        Ok(CheckRecord {
            electrode: self.electrode.clone(),
            slope_mv: check.slope_mv,
            u_slope_mv: u2_slope.sqrt(),
            slope_percent: check.slope_percent(),
            zero_mv: check.zero_mv,
            u_zero_mv: u2_zero.sqrt(),
            covariance,
            zero_ph: check.zero_ph,
            temperature_c: check.temperature_c,
            accepted: judged.iter().all(|j| j.passes),
            words,
            buffers: records(readings, check.residuals.iter().map(|(mv, _)| *mv)),
        })
    }

    /// A meter that sends only pH: what it shows is held against the buffers.
    fn by_ph(&self, readings: &[BufferReading]) -> Result<CheckRecord, Fault> {
        let pairs: Vec<(f64, f64)> = readings.iter().map(|r| (r.ph, r.emf_mv)).collect();
        let check = MeterCheck::of(&pairs).map_err(|e| Fault::misuse(e.to_string()))?;
        let most = self.limits().residual_most_ph.unwrap_or(0.05);
        let largest = check.largest();
        let passes = largest <= most;
        let words = vec![
            "the meter sends only pH: its own calibration is part of what was checked".to_owned(),
            format!("slope of the readings {:.4}, offset at pH 7 {:.3}", check.slope, check.offset_ph),
            said(&Judged {
                what: "difference",
                passes,
                words: format!("largest difference {largest:.3} pH, at most {most}"),
            }),
        ];
        let temperature_c = readings.iter().map(|r| r.temperature_c).sum::<f64>() / readings.len() as f64;
        let nernst = crate::chemistry::constants::nernst_slope_mv(temperature_c);
        Ok(CheckRecord {
            electrode: self.electrode.clone(),
            slope_mv: -nernst * check.slope,
            u_slope_mv: 0.0,
            slope_percent: 100.0 * check.slope,
            zero_mv: -nernst * check.offset_ph,
            u_zero_mv: 0.0,
            covariance: 0.0,
            zero_ph: 7.0 - check.offset_ph,
            temperature_c,
            accepted: passes,
            words,
            buffers: records(readings, check.differences.iter().copied()),
        })
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

fn said(judged: &Judged) -> String {
    format!("{}  {}", if judged.passes { "ok     " } else { "OUTSIDE" }, judged.words)
}

fn records(readings: &[BufferReading], residuals: impl Iterator<Item = f64>) -> Vec<BufferRecord> {
    let one = |(r, residual): (&BufferReading, f64)| BufferRecord {
        name: r.name.clone(),
        ph: r.ph,
        reading: r.emf_mv,
        residual,
        drift_per_min: r.drift_mv_min,
        settled_s: r.settle_s,
        temperature_c: Some(r.temperature_c),
    };
    readings.iter().zip(residuals).map(one).collect()
}

/// What the electrode has met so far.
struct Met {
    rest_s: f64,
    signal: Option<Quantity>,
    watch: Option<Dips>,
    temperature_c: Option<f64>,
    dips: Vec<Dip>,
}

impl Met {
    fn new(rest_s: f64) -> Self {
        Self { rest_s, signal: None, watch: None, temperature_c: None, dips: Vec::new() }
    }

    fn unit(&self) -> &'static str {
        if self.signal == Some(Quantity::Emf) { "mV" } else { "pH" }
    }

    /// Takes the readings of one frame; `true`: the signal has come to rest in a further buffer.
    fn take(&mut self, readings: &[Reading]) -> bool {
        let valid = |quantity: Quantity| {
            readings.iter().find(|r| r.quantity == quantity).and_then(|r| Some((r.canonical()?, r.at)))
        };
        if let Some((temperature_c, _)) = valid(Quantity::Temperature) {
            self.temperature_c = Some(temperature_c);
        }
        // Millivolts tell more than the meter's own pH, so they are taken where they come.
        let signal = *self
            .signal
            .get_or_insert_with(|| if valid(Quantity::Emf).is_some() { Quantity::Emf } else { Quantity::Ph });
        let Some((value, at)) = valid(signal) else { return false };
        let rules = if signal == Quantity::Emf { DipRules::MILLIVOLTS } else { DipRules::PH };
        let rest_s = self.rest_s;
        let watch = self.watch.get_or_insert_with(|| Dips::new(DipRules { window_s: rest_s, ..rules }));
        let dip = watch.take(at.elapsed_ns as f64 * 1e-9, value, self.temperature_c);
        self.dips.extend(dip);
        dip.is_some()
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
