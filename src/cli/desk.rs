//! The desk of the dashboard: answers from the record and from this place.

mod again;
mod book;
mod files;
mod guide;
mod looks;

use super::command::sign::{enrolment, signable, signature};
use super::key::KeyFile;
use super::{Fault, Settings};
use crate::dashboard::desk::{Answer, Desk, Piece, Question, Signable, Signing};
use crate::store::{Meaning, Reader, Signed, prove};
use crate::work::{Command, Document};
use std::sync::{Mutex, PoisonError};

/// The desk of one dashboard.
pub struct OwnDesk {
    settings: Settings,
    /// What was heard last, for the drafts made of it.
    heard: Mutex<Option<guide::Listened>>,
}

impl OwnDesk {
    /// The desk over the record of these settings.
    #[must_use]
    pub const fn new(settings: Settings) -> Self {
        Self { settings, heard: Mutex::new(None) }
    }

    fn reader(&self) -> Result<Reader, Fault> {
        Ok(Reader::open(&self.settings.record)?)
    }

    fn asked(&self, question: &Question) -> Result<Answer, Fault> {
        match question {
            Question::Readiness { plan, real } => book::readiness(&self.reader()?, plan, *real),
            Question::Stock => Ok(Answer::Stock(Box::new(self.reader()?.stock()?), book::now_us())),
            Question::Lots => book::lots(&self.settings, &self.reader()?),
            Question::SeriesList => book::series_list(&self.reader()?),
            Question::Series(name) => Ok(Answer::Series(book::groups_of(&self.reader()?, name)?)),
            Question::Runs => Ok(Answer::Runs(super::screen::stored_runs(&self.settings)?)),
            Question::Run(run) => book::run(&self.reader()?, *run),
            Question::AcceptSeries { series, sample, why } => {
                book::accept_series(&self.reader()?, series, sample, why)
            }
            Question::AcceptFactor { lot, series, why } => {
                book::accept_factor(&self.reader()?, lot, series, why)
            }
            Question::Reckon(other) => again::reckon(&self.settings, &self.reader()?, other),
            Question::Choose { run, reckoning, why } => again::choose(&self.reader()?, *run, *reckoning, why),
            Question::Earlier(head) => again::earlier(&self.reader()?, head),
            Question::Decisions { all } => looks::decisions(&self.reader()?, *all),
            Question::Charts => looks::charts(&self.reader()?),
            Question::Steps(plan) => looks::steps(&self.reader()?, plan),
            Question::Step(record) => looks::step(record),
            Question::Sign(signing) => self.sign(signing),
            Question::Prove { name, phrase, challenge } => {
                let secret = KeyFile::read(&self.settings, name)?.open(&phrase.0)?;
                Ok(Answer::Proof(prove(&secret, challenge)))
            }
            Question::Equipment(piece) => self.equipment(piece),
            Question::Practice { bench, plan } => guide::practice(&self.reader()?, bench, plan.as_deref()),
            Question::Places => guide::places(),
            Question::Listen(port) => {
                let (listened, answer) = guide::listen(port)?;
                *self.heard.lock().unwrap_or_else(PoisonError::into_inner) = Some(listened);
                Ok(answer)
            }
            Question::Draft { port, answers } => {
                let heard = self.heard.lock().unwrap_or_else(PoisonError::into_inner);
                let heard = heard.as_ref().filter(|heard| heard.port == *port);
                let heard = heard.ok_or_else(|| Fault::misuse(format!("nothing was heard at {port} yet")))?;
                Ok(guide::drafted(heard, answers))
            }
            Question::NewBench(bench) => guide::new_bench(&self.settings, bench),
            Question::File(wish) => files::write(&self.settings, &self.reader()?, wish),
        }
    }

    fn sign(&self, signing: &Signing) -> Result<Answer, Fault> {
        let keyed = || {
            KeyFile::read(&self.settings, &signing.name)
                .map_err(|_| Fault::misuse(format!("there is no key of {}: k makes one", signing.name)))
        };
        let (document, words) = match signing.what {
            Signable::NewKey => {
                let key = KeyFile::make(&self.settings, &signing.name, &signing.phrase.0)?;
                (enrolment(&key, "")?, format!("a key of {} is made and enrolled", key.name))
            }
            Signable::Reckoning(reckoning) => {
                let meaning = [Meaning::Performed, Meaning::Reviewed, Meaning::Approved]
                    .into_iter()
                    .find(|meaning| meaning.word() == signing.meaning)
                    .ok_or_else(|| Fault::misuse("the meaning is performed, reviewed or approved"))?;
                let (reader, key) = (self.reader()?, keyed()?);
                let signed = signable(&reader, reckoning, meaning, &key)?;
                let words =
                    format!("reckoning {reckoning} is signed: {} by {}", meaning.word(), signing.name);
                let made = signature(&reader, signed, meaning, &key, &signing.phrase.0, &signing.why)?;
                (made.0, words)
            }
            Signable::Ledger(from, to) => {
                let (reader, key) = (self.reader()?, keyed()?);
                let signed = Signed::Ledger { from, to };
                let words =
                    format!("rows {from} to {to} of the ledger are signed: reviewed by {}", signing.name);
                let phrase = &signing.phrase.0;
                let made = signature(&reader, signed, Meaning::Reviewed, &key, phrase, &signing.why)?;
                (made.0, words)
            }
        };
        Ok(Answer::Asks(entered(vec![document]), words))
    }

    fn equipment(&self, piece: &Piece) -> Result<Answer, Fault> {
        let entries = piece.entries().map_err(Fault::misuse)?;
        let documents: Vec<Document> =
            super::command::equipment::documents(&entries, &self.reader()?.stock()?, "")?;
        let words = format!("{} {} is entered", piece.kind.word(), piece.name);
        if documents.is_empty() {
            return Err(Fault::misuse("it stands in the record like that already"));
        }
        Ok(Answer::Asks(entered(documents), words))
    }
}

/// Documents as the commands that enter them.
fn entered(documents: Vec<Document>) -> Vec<Command> {
    documents.into_iter().map(|document| Command::Enter { document: Box::new(document) }).collect()
}

impl Desk for OwnDesk {
    fn answer(&self, question: &Question) -> Result<Answer, String> {
        self.asked(question).map_err(|fault| fault.text)
    }
}
