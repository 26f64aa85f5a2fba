//! The desk of the dashboard: answers from the record and from this place.

mod book;
mod guide;

use super::command::sign::{enrolment, signable, signature};
use super::key::KeyFile;
use super::{Fault, Settings};
use crate::dashboard::desk::{Answer, Desk, Piece, Question, Signing};
use crate::store::{Meaning, Reader};
use crate::work::{Document, EquipmentKind, read_equipment};
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
            Question::AcceptSeries { series, sample } => book::accept_series(&self.reader()?, series, sample),
            Question::AcceptFactor { lot, series } => book::accept_factor(&self.reader()?, lot, series),
            Question::Sign(signing) => self.sign(signing),
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
        }
    }

    fn sign(&self, signing: &Signing) -> Result<Answer, Fault> {
        let Some(reckoning) = signing.reckoning else {
            let key = KeyFile::make(&self.settings, &signing.name, &signing.phrase.0)?;
            let words = format!("a key of {} is made and enrolled", key.name);
            return Ok(Answer::Documents(vec![enrolment(&key, "")?], words));
        };
        let meaning = [Meaning::Performed, Meaning::Reviewed, Meaning::Approved]
            .into_iter()
            .find(|meaning| meaning.word() == signing.meaning)
            .ok_or_else(|| Fault::misuse("the meaning is performed, reviewed or approved"))?;
        let reader = self.reader()?;
        let key = KeyFile::read(&self.settings, &signing.name)
            .map_err(|_| Fault::misuse(format!("there is no key of {}: k makes one", signing.name)))?;
        let signed = signable(&reader, reckoning, meaning, &key)?;
        let (document, _) = signature(&reader, signed, meaning, &key, &signing.phrase.0, &signing.why)?;
        let words = format!("reckoning {reckoning} is signed: {} by {}", meaning.word(), signing.name);
        Ok(Answer::Documents(vec![document], words))
    }

    fn equipment(&self, piece: &Piece) -> Result<Answer, Fault> {
        let mut table = toml::Table::new();
        let mut item = toml::Table::new();
        for (key, text) in
            [("name", &piece.name), ("what", &piece.what), ("value", &piece.value), ("within", &piece.within)]
        {
            if !text.is_empty() {
                item.insert(key.to_owned(), toml::Value::String(text.clone()));
            }
        }
        if !piece.within.is_empty() && piece.kind == EquipmentKind::Burette {
            item.insert("distribution".to_owned(), toml::Value::String("triangular".to_owned()));
        }
        table.insert(piece.kind.word().to_owned(), toml::Value::Array(vec![toml::Value::Table(item)]));
        let entries = read_equipment("as typed", &table.to_string()).map_err(|faults| {
            let first = faults.first().map(ToString::to_string).unwrap_or_default();
            Fault::misuse(first.lines().next().unwrap_or_default().to_owned())
        })?;
        let documents: Vec<Document> =
            super::command::equipment::documents(&entries, &self.reader()?.stock()?, "")?;
        let words = format!("{} {} is entered", piece.kind.word(), piece.name);
        if documents.is_empty() {
            return Err(Fault::misuse("it stands in the record like that already"));
        }
        Ok(Answer::Documents(documents, words))
    }
}

impl Desk for OwnDesk {
    fn answer(&self, question: &Question) -> Result<Answer, String> {
        self.asked(question).map_err(|fault| fault.text)
    }
}
