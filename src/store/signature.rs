//! Signatures: who stands for what, proved by a key.

use super::{Anchor, Error, Reader};
use crate::work::RunId;
use ed25519_dalek::{Signer, SigningKey, Verifier, VerifyingKey};
use serde::{Deserialize, Serialize};

/// Kind of the documents that hold signatures; they are named after what is signed.
pub const SIGNATURE: &str = "signature";

/// Kind of the documents that hold the public keys of people, named after them.
const KEY: &str = "key";

/// Stands before everything that is signed, so that no signature can be taken for one of another program.
const CONTEXT: &[u8] = b"dropwise signature 1\n";

/// Stands before a challenge that a person's key answers, so that the answer can be taken for no signature.
const PERSON: &[u8] = b"dropwise person 1\n";

/// What a secret key of 32 bytes makes of a challenge, hexadecimal.
#[must_use]
pub fn prove(secret: &[u8; 32], challenge: &str) -> String {
    let made = SigningKey::from_bytes(secret).sign(&[PERSON, challenge.as_bytes()].concat());
    super::ledger::hex(&made.to_bytes())
}

/// Whether the secret part of a public key (hexadecimal) made that of a challenge.
#[must_use]
pub fn proves(public: &str, challenge: &str, proof: &str) -> bool {
    let check = || -> Option<bool> {
        let public: [u8; 32] = unhex(public)?.try_into().ok()?;
        let made: [u8; 64] = unhex(proof)?.try_into().ok()?;
        let key = VerifyingKey::from_bytes(&public).ok()?;
        let message = [PERSON, challenge.as_bytes()].concat();
        Some(key.verify(&message, &ed25519_dalek::Signature::from_bytes(&made)).is_ok())
    };
    check().unwrap_or(false)
}

/// The first digits of a public key, for people.
#[must_use]
pub fn short(public: &str) -> &str {
    public.get(..16).unwrap_or(public)
}

/// What a signature means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Meaning {
    /// I did the work.
    Performed,
    /// I went through it.
    Reviewed,
    /// It may go out.
    Approved,
}

impl Meaning {
    /// The word for people.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Performed => "performed",
            Self::Reviewed => "reviewed",
            Self::Approved => "approved",
        }
    }
}

/// A run of the same sample, as it stood when somebody signed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Portion {
    /// The run.
    pub run: RunId,
    /// The content of its end in the ledger; empty: it was cut off.
    pub content: String,
    /// Why it was set aside, if it was.
    pub set_aside: Option<String>,
}

/// What is signed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "what")]
pub enum Signed {
    /// An evaluation, with every portion of its sample.
    Reckoning {
        /// The evaluation.
        reckoning: i64,
        /// Its run.
        run: RunId,
        /// Its content in the ledger.
        content: String,
        /// Every run of the sample.
        portions: Vec<Portion>,
    },
    /// Rows of the ledger, gone through.
    Ledger {
        /// The first.
        from: i64,
        /// The last.
        to: i64,
    },
}

impl Signed {
    /// The name of its document.
    #[must_use]
    pub fn name(&self) -> String {
        match self {
            Self::Reckoning { reckoning, .. } => format!("reckoning {reckoning}"),
            Self::Ledger { .. } => "ledger".to_owned(),
        }
    }
}

/// A signature before it is made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Unsigned {
    /// What is signed.
    pub signed: Signed,
    /// What the signature means.
    pub meaning: Meaning,
    /// Name of who signs.
    pub name: String,
    /// His or her public key, hexadecimal.
    pub public: String,
    /// The head of the ledger that was looked at.
    pub anchor: Anchor,
    /// When, microseconds since 1970 UTC.
    pub utc_us: i64,
}

/// A signature.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Signature {
    /// What it stands for.
    #[serde(flatten)]
    pub unsigned: Unsigned,
    /// Over everything above, hexadecimal.
    pub signature: String,
}

impl Unsigned {
    fn message(&self) -> Result<Vec<u8>, serde_json::Error> {
        Ok([CONTEXT, &serde_json::to_vec(self)?].concat())
    }

    /// Signs it with a secret key of 32 bytes.
    ///
    /// # Errors
    /// When it cannot be written as JSON.
    pub fn sign(self, secret: &[u8; 32]) -> Result<Signature, serde_json::Error> {
        let made = SigningKey::from_bytes(secret).sign(&self.message()?);
        Ok(Signature { signature: super::ledger::hex(&made.to_bytes()), unsigned: self })
    }
}

impl Signature {
    /// Whether the key that it names made it.
    #[must_use]
    pub fn holds(&self) -> bool {
        let check = || -> Option<bool> {
            let public: [u8; 32] = unhex(&self.unsigned.public)?.try_into().ok()?;
            let made: [u8; 64] = unhex(&self.signature)?.try_into().ok()?;
            let key = VerifyingKey::from_bytes(&public).ok()?;
            let message = self.unsigned.message().ok()?;
            Some(key.verify(&message, &ed25519_dalek::Signature::from_bytes(&made)).is_ok())
        };
        check().unwrap_or(false)
    }
}

pub(super) fn unhex(text: &str) -> Option<Vec<u8>> {
    if !text.len().is_multiple_of(2) {
        return None;
    }
    (0..text.len()).step_by(2).map(|i| u8::from_str_radix(text.get(i..i + 2)?, 16).ok()).collect()
}

/// The public key of a secret one, hexadecimal.
#[must_use]
pub fn public_of(secret: &[u8; 32]) -> String {
    super::ledger::hex(SigningKey::from_bytes(secret).verifying_key().as_bytes())
}

impl Reader {
    /// The public key that was enrolled last under a name.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn enrolled_key(&self, name: &str) -> Result<Option<String>, Error> {
        let datum = self.latest_datum(KEY, name)?;
        Ok(datum.and_then(|datum| serde_json::from_str::<PublicKey>(&datum.body).ok()).map(|key| key.public))
    }

    /// The signatures of a reckoning (`reckoning 7`) or of reviews (`ledger`), in order.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn signatures(&self, name: &str) -> Result<Vec<Signature>, Error> {
        let versions = self.datum_versions(SIGNATURE, name)?;
        Ok(versions.iter().filter_map(|datum| serde_json::from_str(&datum.body).ok()).collect())
    }

    /// Every run of the sample and title of a run, as a signature covers them.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn portions_with(&self, run: RunId) -> Result<Vec<Portion>, Error> {
        let sql = "SELECT other.run_id, reason FROM run AS own JOIN run AS other ON other.run_id = own.run_id
            OR (own.sample <> '' AND other.sample = own.sample AND other.title = own.title)
            LEFT JOIN set_aside ON set_aside.run_id = other.run_id WHERE own.run_id = ? ORDER BY other.run_id";
        let runs: Vec<(RunId, Option<String>)> = self.all(sql, run, |row| Ok((row.get(0)?, row.get(1)?)))?;
        let mut portions = Vec::new();
        for (run, set_aside) in runs {
            let ledger = self.ledger_of(&format!("run {run}"))?;
            let end = ledger.into_iter().find(|row| row.verb == "end");
            portions.push(Portion {
                run,
                content: end.map(|row| row.content_hash).unwrap_or_default(),
                set_aside,
            });
        }
        Ok(portions)
    }

    /// Signatures that do not hold, each with what is wrong, in words.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn wrong_signatures(&self) -> Result<Vec<super::WrongRow>, Error> {
        self.check_signatures(true)
    }

    /// As [`Self::wrong_signatures`], for an excerpt, which does not have the rows of the ledger that were looked at.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn wrong_signatures_of_excerpt(&self) -> Result<Vec<super::WrongRow>, Error> {
        self.check_signatures(false)
    }

    fn check_signatures(&self, with_ledger: bool) -> Result<Vec<super::WrongRow>, Error> {
        let mut wrong = Vec::new();
        for datum in self.all_of_kind(SIGNATURE)? {
            let mut add = |what: &str| {
                wrong.push(super::WrongRow {
                    row: format!("datum (datum_id {})", datum.id),
                    what: what.to_owned(),
                });
            };
            let Ok(signature) = serde_json::from_str::<Signature>(&datum.body) else {
                add("is no signature that this program understands");
                continue;
            };
            let Unsigned { signed, name, public, anchor, .. } = &signature.unsigned;
            if !signature.holds() {
                add("was not made with the key that it names");
            }
            let keys = self.datum_versions(KEY, name)?;
            if !keys.iter().any(|key| key.id < datum.id && key.body.contains(public.as_str())) {
                add("was made with a key that had not been enrolled under that name");
            }
            let looked_at = self.ledger(anchor.n - 1)?.first().map(|row| row.hash.clone());
            if with_ledger && looked_at.as_ref() != Some(&anchor.hash) {
                add("tells of another ledger than this one");
            }
            if let Signed::Reckoning { reckoning, content, .. } = signed {
                let kept = self.ledger_of(&format!("reckoning {reckoning}"))?;
                if !kept.iter().any(|row| row.content_hash == *content) {
                    add("was made over another content of that reckoning");
                }
            }
        }
        Ok(wrong)
    }
}

/// A public key as a document.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PublicKey {
    /// Hexadecimal.
    pub public: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_answers_its_own_challenge_alone() {
        let (secret, other) = ([7; 32], [8; 32]);
        let public = public_of(&secret);
        let proof = prove(&secret, "c1");
        assert!(proves(&public, "c1", &proof));
        assert!(!proves(&public, "c2", &proof) && !proves(&public_of(&other), "c1", &proof));
        for odd in ["", "zz", "é", "00"] {
            assert!(!proves(odd, "c1", &proof) && !proves(&public, "c1", odd));
        }
    }
}
