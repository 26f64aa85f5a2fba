//! `dropwise sign`: a person stands for an evaluation.

use crate::cli::enter::enter;
use crate::cli::key::{KeyFile, ask_phrase};
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::source::Clock;
use crate::store::{
    Anchor, Meaning, PublicKey, Reader, SIGNATURE, Signed, StoredReckoning, StoredRun, Unsigned,
};
use crate::work::{Document, Origin, Procedure};
use clap::{Args, ValueEnum};

/// Arguments of `sign`.
#[derive(Debug, Args)]
pub struct SignArgs {
    /// The number of the reckoning, as `dropwise show RUN` lists them
    #[arg(required_unless_present = "new_key", conflicts_with = "new_key")]
    reckoning: Option<i64>,
    /// Whose key signs
    #[arg(long = "as", value_name = "NAME", required_unless_present = "new_key")]
    name: Option<String>,
    /// What the signature means
    #[arg(long, value_enum, required_unless_present = "new_key")]
    meaning: Option<Means>,
    /// Make a key for this person, behind a pass-phrase, and enrol it in the record
    #[arg(long, value_name = "NAME")]
    new_key: Option<String>,
    /// Anything to say with it
    #[arg(long, default_value = "")]
    why: String,
}

/// Meanings as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Means {
    /// I did the work
    Performed,
    /// I went through it
    Reviewed,
    /// It may go out
    Approved,
}

impl From<Means> for Meaning {
    fn from(means: Means) -> Self {
        match means {
            Means::Performed => Self::Performed,
            Means::Reviewed => Self::Reviewed,
            Means::Approved => Self::Approved,
        }
    }
}

impl SignArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When what is to be signed may not be, the key does not open, or the record cannot be written.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let unwritable = |e: std::io::Error| Fault {
            text: format!("the output cannot be written: {e}"),
            exit: Exit::OwnFault,
        };
        if let Some(name) = &self.new_key {
            let key = new_key(settings, name, &self.why)?;
            let text = format!("a key of {name} is made and enrolled (public key {})", key.public);
            output.line(&text).map_err(unwritable)?;
            return Ok(Exit::Done);
        }
        let (Some(id), Some(name), Some(meaning)) = (self.reckoning, &self.name, self.meaning) else {
            return Err(Fault::misuse("say which reckoning, --as whom, and with which --meaning"));
        };
        let meaning = Meaning::from(meaning);
        let reader = Reader::open(&settings.record)?;
        let key = KeyFile::read(settings, name)?;
        let signed = signable(&reader, id, meaning, &key)?;
        let run = match &signed {
            Signed::Reckoning { run, .. } => *run,
            Signed::Ledger { .. } => 0,
        };
        sign(settings, &reader, signed, meaning, &key, &self.why)?;
        let text = format!("reckoning {id} of run {run} is signed: {} by {name}", meaning.word());
        output.line(&text).map_err(unwritable)?;
        Ok(Exit::Done)
    }
}

/// What a signature under a reckoning stands for.
///
/// # Errors
/// When it may not be signed, or not by this person.
pub(in crate::cli) fn signable(
    reader: &Reader,
    id: i64,
    meaning: Meaning,
    key: &KeyFile,
) -> Result<Signed, Fault> {
    let kept = reader.reckoning(id)?;
    let run = reader.run(kept.run)?;
    let content = may_be_signed(&run, &kept)?;
    second_person(reader, &kept, meaning, key)?;
    Ok(Signed::Reckoning { reckoning: id, run: kept.run, content, portions: reader.portions_with(kept.run)? })
}

fn refused(why: String) -> Fault {
    Fault { text: format!("this cannot be signed: {why}"), exit: Exit::Record }
}

/// What of the evaluation is signed: its content in the ledger.
fn may_be_signed(run: &StoredRun, kept: &StoredReckoning) -> Result<String, Fault> {
    let number = run.row.run;
    if !run.row.origin.is_real() {
        let origin = run.row.origin.word();
        return Err(refused(format!("run {number} comes from a {origin}; it is not the result of a sample")));
    }
    if let Some(reason) = &run.row.set_aside {
        return Err(refused(format!("run {number} was set aside: {reason}")));
    }
    if run.row.ended.is_none() {
        return Err(refused(format!("run {number} was cut off, or still goes on")));
    }
    let row = kept.ledger.as_ref();
    row.map(|row| row.content_hash.clone()).ok_or_else(|| {
        refused(format!("reckoning {} does not stand in the ledger; reckon the run again", kept.id))
    })
}

/// Where the procedure asks for it, who reviews or approves is not who performed.
fn second_person(
    reader: &Reader,
    kept: &StoredReckoning,
    meaning: Meaning,
    key: &KeyFile,
) -> Result<(), Fault> {
    let demanded = match &kept.procedure_hash {
        Some(hash) => Procedure::parse("of the reckoning", &reader.text(hash)?)
            .is_ok_and(|procedure| procedure.second_person),
        None => false,
    };
    if !demanded || meaning == Meaning::Performed {
        return Ok(());
    }
    let performed: Vec<_> = reader
        .signatures(&format!("reckoning {}", kept.id))?
        .into_iter()
        .filter(|signature| signature.unsigned.meaning == Meaning::Performed)
        .collect();
    if performed.is_empty() {
        return Err(refused("the procedure asks for two people; who performed it signs first".to_owned()));
    }
    if performed.iter().any(|one| one.unsigned.public == key.public || one.unsigned.name == key.name) {
        return Err(refused(format!(
            "the procedure asks for a second person, and {} signed that he or she performed it",
            key.name
        )));
    }
    Ok(())
}

/// Opens the key, signs, and enters the signature.
///
/// # Errors
/// When the key is not enrolled or does not open, or the record cannot be written.
pub(super) fn sign(
    settings: &Settings,
    reader: &Reader,
    signed: Signed,
    meaning: Meaning,
    key: &KeyFile,
    why: &str,
) -> Result<Anchor, Fault> {
    let phrase = ask_phrase(&format!("Pass-phrase of {}:", key.name))?;
    let (document, anchor) = signature(reader, signed, meaning, key, &phrase, why)?;
    enter(settings, document)?;
    Ok(anchor)
}

/// The signature as the recorder takes it, and the head of the ledger that it was made over.
///
/// # Errors
/// When the key is not enrolled or does not open.
pub(in crate::cli) fn signature(
    reader: &Reader,
    signed: Signed,
    meaning: Meaning,
    key: &KeyFile,
    phrase: &str,
    why: &str,
) -> Result<(Document, Anchor), Fault> {
    if reader.enrolled_key(&key.name)?.as_ref() != Some(&key.public) {
        return Err(refused(format!("the key of {} is not enrolled in this record", key.name)));
    }
    let anchor =
        reader.anchor()?.ok_or_else(|| refused("nothing has been decided in this record yet".to_owned()))?;
    let secret = key.open(phrase)?;
    let unsigned = Unsigned {
        signed,
        meaning,
        name: key.name.clone(),
        public: key.public.clone(),
        anchor: anchor.clone(),
        utc_us: Clock::start().stamp().utc_us,
    };
    let own = |e: serde_json::Error| Fault { text: e.to_string(), exit: Exit::OwnFault };
    let name = unsigned.signed.name();
    let signature = unsigned.sign(&secret).map_err(own)?;
    let document = Document {
        kind: SIGNATURE.to_owned(),
        name,
        body: serde_json::to_string(&signature).map_err(own)?,
        origin: Origin::Keyed,
        verb: "sign".to_owned(),
        why: format!("{} by {} (key {}) {why}", meaning.word(), key.name, key.fingerprint())
            .trim_end()
            .to_owned(),
    };
    Ok((document, anchor))
}

fn new_key(settings: &Settings, name: &str, why: &str) -> Result<KeyFile, Fault> {
    let phrase = ask_phrase(&format!("A pass-phrase for the key of {name}:"))?;
    let again = ask_phrase("The same once more:")?;
    if phrase != again {
        return Err(Fault::misuse("the two pass-phrases differ; nothing was made"));
    }
    let key = KeyFile::make(settings, name, &phrase)?;
    enter(settings, enrolment(&key, why)?)?;
    Ok(key)
}

/// The public part of a key as the recorder takes it.
///
/// # Errors
/// When it cannot be written as JSON.
pub(in crate::cli) fn enrolment(key: &KeyFile, why: &str) -> Result<Document, Fault> {
    let body = serde_json::to_string(&PublicKey { public: key.public.clone() })
        .map_err(|e| Fault { text: e.to_string(), exit: Exit::OwnFault })?;
    Ok(Document {
        kind: "key".to_owned(),
        name: key.name.clone(),
        body,
        origin: Origin::Keyed,
        verb: "enrol".to_owned(),
        why: why.to_owned(),
    })
}
