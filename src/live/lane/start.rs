//! How a run begins: by a person, by the mass on a balance, or by a mark in the line.

use super::{Going, Lane, Line};
use crate::detector::Prior;
use crate::live::outcome;
use crate::profile::{Mark, MarkKind};
use crate::reading::{Quantity, Stamp};
use crate::results::Dimension;
use crate::store::{Entry, Reader, ReckoningRows};
use crate::work::{
    Beginning, DEFAULT_WARN_BEFORE, Expectation, FROM_BALANCE, HowWord, LaneEvent, Pairing, Procedure,
    RECORDER, Run, RunHead, RunPlan, Stock, VolumeFrom, begins, checklist, choose_signal, decide, expected,
    open_words, steps_of,
};
use std::sync::atomic::Ordering;

impl Lane {
    /// Starts the portion that waited for the balance, once its mass is there.
    pub(super) async fn start_weighed(&mut self) {
        let Some((mut plan, who)) = self.weighed_first.take() else { return };
        let started = match self.weigh(&mut plan) {
            Ok(false) => {
                self.weighed_first = Some((plan, who));
                return;
            }
            Ok(true) => Box::pin(self.start(plan, who)).await,
            Err(why) => Err(why),
        };
        if let Err(text) = started {
            let at = self.parts.lines.first().map(Line::now).unwrap_or_default();
            self.warning(0, at, text).await;
        }
    }

    /// Puts the mass on the balance in the place of the word for it; false while it is not there.
    ///
    /// # Errors
    /// In words, when the bench has no balance for portions, or the procedure does not ask for that value.
    fn weigh(&mut self, plan: &mut RunPlan) -> Result<bool, String> {
        let wanted = plan.values.iter().find(|(_, text)| text.trim() == FROM_BALANCE);
        let Some(name) = wanted.map(|(name, _)| name.clone()) else { return Ok(true) };
        if self.parts.bench.bench.volume == VolumeFrom::Mass {
            return Err(
                "the balance of this bench weighs the titrant, not the portions: type the mass".to_owned()
            );
        }
        let weighs = |line: &Line| line.profile.measures.contains(&Quantity::Mass);
        if !self.parts.lines.iter().any(weighs) {
            return Err("no instrument of this bench is a balance: type the mass".to_owned());
        }
        let how = match plan.procedure.as_str() {
            "" => HowWord::OneReading,
            text => {
                let procedure = Procedure::read("of this run", text)?;
                procedure
                    .asked
                    .iter()
                    .find(|a| a.name == name || name == "mass" && a.unit.dimension() == Dimension::MASS)
                    .map(|asked| asked.how)
                    .ok_or_else(|| format!("the procedure does not ask for {name}"))?
            }
        };
        let Some(weighed) = self.weighing.portion(how) else { return Ok(false) };
        plan.values.insert(name, format!("{:.5} g", weighed.mass_g));
        plan.weighed = Some(weighed.words);
        Ok(true)
    }

    /// A sample changer began or ended a run.
    pub(super) async fn marked(&mut self, mark: &Mark) {
        match mark.kind {
            MarkKind::RunStart => {
                if self.going.is_some() {
                    self.end("the line began the next run".to_owned(), RECORDER.to_owned()).await;
                }
                let said = Beginning {
                    position: mark.text("position").and_then(|text| text.trim().parse().ok()),
                    sample: mark.text("sample").map(|text| text.trim().to_owned()),
                };
                let begun = begins(self.queue.get_or_insert_default(), &said);
                let started = match begun {
                    Ok(plan) => Box::pin(self.start(plan, RECORDER.to_owned())).await,
                    Err(why) => Err(why),
                };
                if let Err(text) = started {
                    let at = self.parts.lines.first().map(Line::now).unwrap_or_default();
                    self.warning(0, at, text).await;
                }
            }
            MarkKind::RunEnd => self.end("the line ended the run".to_owned(), RECORDER.to_owned()).await,
            _ => {}
        }
    }

    pub(super) async fn start(&mut self, mut plan: RunPlan, who: String) -> Result<(), String> {
        if let Some(going) = &self.going {
            return Err(format!("run {} is going on; end it first", going.head.run));
        }
        if !self.weigh(&mut plan)? {
            self.weighed_first = Some((plan, who));
            let text = "waiting for the balance to come to rest with the portion on it".to_owned();
            self.show(LaneEvent::Warning { text }).await;
            return Ok(());
        }
        self.weighed_first = None;
        let procedure = match plan.procedure.as_str() {
            "" => None,
            text => Some(Procedure::read("of this run", text)?),
        };
        let measured: Vec<Quantity> =
            self.parts.lines.iter().flat_map(|l| l.profile.measures.iter().copied()).collect();
        let stock = if procedure.is_some() { self.stock().await } else { Ok(Stock::default()) };
        let ph_from = match &procedure {
            Some(procedure) => outcome::ph_from(procedure, &plan, &measured, &stock)?,
            None => None,
        };
        let wanted = procedure.as_ref().and_then(Procedure::signal);
        let signal = match ph_from {
            Some(_) => Quantity::Ph,
            None => choose_signal(wanted, &measured)
                .ok_or("the profiles of this bench measure no signal: name one in `measures`")?,
        };
        if ph_from.is_none() && !measured.contains(&signal) {
            return Err(format!(
                "the procedure looks at {signal}, which no instrument of this bench measures"
            ));
        }
        let at = self.parts.lines.first().map(Line::now).unwrap_or_default();
        if let Some(procedure) = procedure.as_ref().filter(|_| plan.series.trim().is_empty()) {
            plan.series = format!("{} {}", procedure.id, local_date(at));
        }
        if let Some(procedure) = &procedure {
            plan.warnings = self.checked(procedure, &plan, &stock, at)?;
            plan.warnings.extend(self.unticked(procedure, &plan).await);
        }
        let bench = &self.parts.bench.bench;
        let pairing = Pairing::new(bench.volume, signal, bench.settling, at);
        let bench_supply = bench.burette;
        let mut head = RunHead {
            run: self.parts.numbers.run.fetch_add(1, Ordering::Relaxed),
            title: procedure.as_ref().map_or_else(|| "free run".to_owned(), |p| p.title.clone()),
            origin: self.parts.origin,
            curve: pairing.head(),
            warn_before: procedure.as_ref().map_or(DEFAULT_WARN_BEFORE, Procedure::warn_before),
            cautions: procedure.iter().flat_map(|p| p.cautions.iter().cloned()).collect(),
            at,
            plan,
            expectation: Expectation::default(),
        };
        head.expectation = Expectation { prior: self.prior(&head).await, supply: bench_supply, ph_from };
        let reckoning_id = self.parts.numbers.reckoning.fetch_add(1, Ordering::Relaxed);
        let decodings = self.parts.lines.iter().map(|l| (l.decoding_id, l.decoded_to + 1)).collect();
        let entries = vec![
            Entry::Run { head: Box::new(head.clone()), who },
            Entry::Reckoning { reckoning_id, run: head.run, decodings, utc_us: at.utc_us },
        ];
        self.parts.writer.write_and_go_on(entries).await;
        self.tell(super::FromLane::Busy(true)).await;
        self.show(LaneEvent::Started { head: Box::new(head.clone()) }).await;
        for text in head.plan.warnings.clone() {
            self.show(LaneEvent::Warning { text }).await;
        }
        let looks = procedure.as_ref().map(Procedure::looks).unwrap_or_default();
        let run = Run::of_looks(pairing, looks, head.expectation);
        self.going = Some(Going {
            run,
            head,
            rows: ReckoningRows::new(reckoning_id),
            marks: 0,
            notes: 0,
            burette_start_ml: 0.0,
        });
        Ok(())
    }

    /// What the record knows beside runs; words where it cannot be asked.
    async fn stock(&self) -> Result<Stock, String> {
        let record = self.parts.record.clone();
        let asked = tokio::task::spawn_blocking(move || outcome::stock(&record)).await;
        asked.unwrap_or_else(|failure| Err(failure.to_string()))
    }

    /// Goes through the checklist of a portion: what it starts with all the same, or why it does not start.
    fn checked(
        &self,
        procedure: &Procedure,
        plan: &RunPlan,
        stock: &Result<Stock, String>,
        at: Stamp,
    ) -> Result<Vec<String>, String> {
        let nothing = Stock::default();
        let known = stock.as_ref().unwrap_or(&nothing);
        let real = self.parts.origin.is_real();
        let list = checklist(procedure, plan, known, (at.utc_us, local_date(at)), real);
        let unasked =
            stock.as_ref().err().map(|why| format!("the record could not be asked what is fresh: {why}"));
        Ok(unasked.into_iter().chain(decide(&list, plan.reason.as_deref())?).collect())
    }

    /// What is said of steps of preparation that nobody ticked or skipped; a record that cannot be read says nothing.
    async fn unticked(&self, procedure: &Procedure, plan: &RunPlan) -> Option<String> {
        let (path, series) = (self.parts.record.clone(), plan.series.clone());
        let read = move || Reader::open(&path)?.steps(&series);
        let kept = tokio::task::spawn_blocking(read).await.ok()?.ok()?;
        open_words(&steps_of(procedure, plan, &kept))
    }

    /// What the record says about earlier portions of the sample; a record that cannot be read says nothing.
    async fn prior(&self, head: &RunHead) -> Option<Prior> {
        let (path, head) = (self.parts.record.clone(), head.clone());
        let mass_g = head.plan.mass_g;
        let read = move || Reader::open(&path)?.earlier_portions(&head);
        match tokio::task::spawn_blocking(read).await {
            Ok(Ok(earlier)) => expected(&earlier, mass_g),
            Ok(Err(why)) => {
                tracing::warn!(%why, "earlier portions cannot be read");
                None
            }
            Err(_) => None,
        }
    }
}

/// The day of the place, for the name of a series.
fn local_date(at: Stamp) -> jiff::civil::Date {
    let utc = jiff::Timestamp::from_microsecond(at.utc_us).unwrap_or_default();
    utc.to_zoned_datetime(jiff::tz::TimeZone::system()).date()
}
