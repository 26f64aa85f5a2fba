//! A check of an electrode as it goes on: which buffer comes next, whether the signal rests, what the check comes to.

use super::{
    BufferRecord, CheckRecord, Dip, DipRules, Dips, Document, EquipmentKind, Origin, Stock, Wait, kind,
};
use crate::chemistry::buffers::Buffer;
use crate::reading::{Quantity, Reading};
use crate::results::electrode::{BufferReading, ElectrodeCheck, ElectrodeLimits, Judged, MeterCheck};

/// A buffer as it was named, and how its pH is found.
#[derive(Debug, Clone)]
enum Named {
    Table(Buffer, f64),
    Fixed(f64, f64),
}

impl Named {
    fn of(text: &str, stock: &Stock) -> Result<Self, String> {
        if let Some(lot) = stock.named(EquipmentKind::Buffer, text) {
            let u = lot.it.u.unwrap_or(0.01);
            if let Some(table) = &lot.it.table {
                return table_of(table).map(|buffer| Self::Table(buffer, u));
            }
            return lot
                .it
                .value
                .map(|ph| Self::Fixed(ph, u))
                .ok_or_else(|| format!("the buffer \"{text}\" has neither a value nor a table"));
        }
        match text.replace(',', ".").parse::<f64>() {
            // A typed pH is as good as its label: within 0.01 (common practice, no source).
            Ok(ph) if (0.0..=14.0).contains(&ph) => Ok(Self::Fixed(ph, 0.01 / 3.0_f64.sqrt())),
            _ => table_of(text).map(|buffer| {
                let u = buffer.half_width.max(0.005) / 3.0_f64.sqrt();
                Self::Table(buffer, u)
            }),
        }
    }

    /// pH at a temperature and its standard uncertainty.
    fn ph(&self, temperature_c: f64) -> Result<(f64, f64), String> {
        match self {
            Self::Fixed(ph, u) => Ok((*ph, *u)),
            Self::Table(buffer, u) => buffer.ph(temperature_c).map(|ph| (ph, *u)).map_err(|e| e.to_string()),
        }
    }
}

fn table_of(text: &str) -> Result<Buffer, String> {
    let found = text.split_once('/').and_then(|(set, name)| Buffer::find(set, name));
    found.ok_or_else(|| {
        let known: Vec<String> = Buffer::all().map(|b| format!("{}/{}", b.set, b.name)).collect();
        format!("\"{text}\" is no lot, no pH and no table; tables are: {}", known.join(", "))
    })
}

/// An electrode on its way through its buffers.
#[derive(Debug, Clone)]
pub struct Checking {
    /// The electrode.
    pub electrode: String,
    /// Temperature in degrees Celsius where the line sends none.
    pub temperature_c: Option<f64>,
    /// What the check is judged by.
    pub limits: ElectrodeLimits,
    buffers: Vec<(String, Named)>,
    rest_s: f64,
    signal: Option<Quantity>,
    watch: Option<Dips>,
    sent_c: Option<f64>,
    dips: Vec<Dip>,
}

impl Checking {
    /// A check that begins: the buffers in the order of dipping, each a lot of the equipment, `SET/NAME` of a
    /// published table, or a pH. The signal must rest for `rest_s`.
    ///
    /// # Errors
    /// In words, when a buffer is not known.
    pub fn begin(electrode: &str, buffers: &[String], rest_s: f64, stock: &Stock) -> Result<Self, String> {
        if buffers.is_empty() {
            return Err("name at least one buffer".to_owned());
        }
        let named: Result<Vec<_>, String> =
            buffers.iter().map(|text| Named::of(text, stock).map(|named| (text.clone(), named))).collect();
        Ok(Self {
            electrode: electrode.to_owned(),
            temperature_c: None,
            limits: ElectrodeLimits::default(),
            buffers: named?,
            rest_s,
            signal: None,
            watch: None,
            sent_c: None,
            dips: Vec::new(),
        })
    }

    /// The names of the buffers in the order of dipping.
    pub fn buffers(&self) -> impl Iterator<Item = &str> {
        self.buffers.iter().map(|(name, _)| name.as_str())
    }

    /// The buffers met so far, in the same order.
    #[must_use]
    pub fn dips(&self) -> &[Dip] {
        &self.dips
    }

    /// The buffer to dip into now; `None`: all have been met.
    #[must_use]
    pub fn next(&self) -> Option<&str> {
        self.buffers.get(self.dips.len()).map(|(name, _)| name.as_str())
    }

    /// The unit of the signal: mV, or pH of a meter that sends no mV.
    #[must_use]
    pub fn unit(&self) -> &'static str {
        if self.signal == Some(Quantity::Emf) { "mV" } else { "pH" }
    }

    /// How the wait for the next rest stands; `None` before the first reading.
    #[must_use]
    pub fn wait(&self) -> Option<Wait> {
        self.watch.as_ref().and_then(Dips::wait)
    }

    /// The temperature that counts, in degrees Celsius.
    #[must_use]
    pub fn temperature(&self) -> Option<f64> {
        self.temperature_c.or(self.sent_c)
    }

    /// Takes the readings of one frame; `true`: the signal has come to rest in a further buffer.
    pub fn take(&mut self, readings: &[Reading]) -> bool {
        if self.next().is_none() {
            return false;
        }
        let valid = |quantity: Quantity| {
            readings.iter().find(|r| r.quantity == quantity).and_then(|r| Some((r.canonical()?, r.at)))
        };
        if let Some((temperature_c, _)) = valid(Quantity::Temperature) {
            self.sent_c = Some(temperature_c);
        }
        // Millivolts tell more than the meter's own pH, so they are taken where they come.
        let first = if valid(Quantity::Emf).is_some() {
            Some(Quantity::Emf)
        } else {
            valid(Quantity::Ph).map(|_| Quantity::Ph)
        };
        let Some(signal) = self.signal.or(first) else { return false };
        self.signal = Some(signal);
        let Some((value, at)) = valid(signal) else { return false };
        let rules = if signal == Quantity::Emf { DipRules::MILLIVOLTS } else { DipRules::PH };
        let rest_s = self.rest_s;
        let watch = self.watch.get_or_insert_with(|| Dips::new(DipRules { window_s: rest_s, ..rules }));
        let dip = watch.take(at.elapsed_ns as f64 * 1e-9, value, self.sent_c);
        self.dips.extend(dip);
        dip.is_some()
    }

    /// What the check comes to.
    ///
    /// # Errors
    /// In words, when buffers or the temperature are missing, or no line can be drawn.
    pub fn record(&self) -> Result<CheckRecord, String> {
        if let Some(next) = self.next() {
            return Err(format!("the signal has not rested in {next} yet"));
        }
        let mut readings = Vec::new();
        for ((text, buffer), dip) in self.buffers.iter().zip(&self.dips) {
            let temperature_c = self
                .temperature_c
                .or(dip.temperature_c)
                .ok_or("the line sends no temperature; it has to be given (--temperature DEGC)")?;
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
        if self.signal == Some(Quantity::Emf) { self.by_potential(&readings) } else { self.by_ph(&readings) }
    }

    fn by_potential(&self, readings: &[BufferReading]) -> Result<CheckRecord, String> {
        let check = ElectrodeCheck::of(readings).map_err(|e| e.to_string())?;
        let judged = check.judge(&self.limits);
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
    fn by_ph(&self, readings: &[BufferReading]) -> Result<CheckRecord, String> {
        let pairs: Vec<(f64, f64)> = readings.iter().map(|r| (r.ph, r.emf_mv)).collect();
        let check = MeterCheck::of(&pairs).map_err(|e| e.to_string())?;
        let most = self.limits.residual_most_ph.unwrap_or(0.05);
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
}

impl CheckRecord {
    /// The check as the recorder takes it.
    ///
    /// # Errors
    /// In words, when it cannot be written as JSON.
    pub fn document(&self, origin: Origin, why: &str) -> Result<Document, String> {
        Ok(Document {
            kind: kind::CHECK.to_owned(),
            name: self.electrode.clone(),
            body: serde_json::to_string(self).map_err(|e| e.to_string())?,
            origin,
            verb: "check".to_owned(),
            why: why.to_owned(),
        })
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
