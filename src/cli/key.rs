//! Keys of people: a file behind a pass-phrase. The secret part never leaves the file unencrypted.

use super::{Exit, Fault, Settings};
use crate::store::public_of;
use argon2::{Algorithm, Argon2, Params, Version};
use chacha20poly1305::aead::{Aead, KeyInit};
use chacha20poly1305::{ChaCha20Poly1305, Key, Nonce};
use rand::TryRngCore;
use serde::{Deserialize, Serialize};
use std::io::{BufRead, IsTerminal, Write};
use std::path::PathBuf;

/// Memory for turning a pass-phrase into a key, in KiB, and passes over it: the second choice of RFC 9106.
const MEMORY_KIB: u32 = 64 * 1024;
const PASSES: u32 = 3;

/// A pass-phrase must not be shorter.
const SHORTEST: usize = 8;

/// A key file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeyFile {
    /// Version of this form.
    dropwise_key: u32,
    /// Whose it is.
    pub name: String,
    /// The public key, hexadecimal.
    pub public: String,
    memory_kib: u32,
    passes: u32,
    salt: [u8; 16],
    nonce: [u8; 12],
    /// The secret key, encrypted.
    sealed: Vec<u8>,
}

fn path(settings: &Settings, name: &str) -> Result<PathBuf, Fault> {
    let plain = !name.is_empty() && name.chars().all(|c| c.is_alphanumeric() || " -_'".contains(c));
    if !plain {
        return Err(Fault::misuse(format!(
            "\"{name}\" cannot be the name of a key: letters, digits, spaces and - _ ' only"
        )));
    }
    Ok(settings.configuration.join("keys").join(format!("{name}.key")))
}

fn cipher(phrase: &str, salt: &[u8], memory_kib: u32, passes: u32) -> Result<ChaCha20Poly1305, Fault> {
    let own = |e: String| Fault { text: format!("the key cannot be made ready: {e}"), exit: Exit::OwnFault };
    let params = Params::new(memory_kib, passes, 1, Some(32)).map_err(|e| own(e.to_string()))?;
    let mut key = [0; 32];
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
        .hash_password_into(phrase.as_bytes(), salt, &mut key)
        .map_err(|e| own(e.to_string()))?;
    Ok(ChaCha20Poly1305::new(&Key::from(key)))
}

impl KeyFile {
    /// Makes a key for a person and writes its file, which only the owner may read.
    ///
    /// # Errors
    /// When there is one of that name, the pass-phrase is too short, or the file cannot be written.
    pub fn make(settings: &Settings, name: &str, phrase: &str) -> Result<Self, Fault> {
        let path = path(settings, name)?;
        if phrase.chars().count() < SHORTEST {
            return Err(Fault::misuse(format!("a pass-phrase has at least {SHORTEST} characters")));
        }
        let own = |e: String| Fault { text: format!("the key cannot be made: {e}"), exit: Exit::OwnFault };
        let (mut secret, mut salt, mut nonce) = ([0; 32], [0; 16], [0; 12]);
        for bytes in [&mut secret[..], &mut salt, &mut nonce] {
            rand::rngs::OsRng.try_fill_bytes(bytes).map_err(|e| own(e.to_string()))?;
        }
        let sealed = cipher(phrase, &salt, MEMORY_KIB, PASSES)?
            .encrypt(&Nonce::from(nonce), secret.as_slice())
            .map_err(|e| own(e.to_string()))?;
        let public = public_of(&secret);
        let name = name.to_owned();
        let file = Self {
            dropwise_key: 1,
            name,
            public,
            memory_kib: MEMORY_KIB,
            passes: PASSES,
            salt,
            nonce,
            sealed,
        };
        file.write(&path)
            .map_err(|e| Fault::misuse(format!("the key file {} cannot be made: {e}", path.display())))?;
        Ok(file)
    }

    fn write(&self, path: &std::path::Path) -> std::io::Result<()> {
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder)?;
        }
        let mut options = std::fs::OpenOptions::new();
        options.write(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let mut file = options.open(path)?;
        file.write_all(serde_json::to_string(self)?.as_bytes())?;
        file.sync_all()
    }

    /// Reads the key file of a person.
    ///
    /// # Errors
    /// When there is none, or it cannot be understood.
    pub fn read(settings: &Settings, name: &str) -> Result<Self, Fault> {
        let path = path(settings, name)?;
        let text = std::fs::read_to_string(&path).map_err(|e| {
            Fault::misuse(format!(
                "there is no key of {name} ({}: {e}); `dropwise sign --new-key \"{name}\"` makes one",
                path.display()
            ))
        })?;
        serde_json::from_str(&text)
            .map_err(|e| Fault::misuse(format!("{} is no key file: {e}", path.display())))
    }

    /// The secret key.
    ///
    /// # Errors
    /// When the pass-phrase is wrong or the file was altered.
    pub fn open(&self, phrase: &str) -> Result<[u8; 32], Fault> {
        let wrong = || Fault::misuse(format!("the pass-phrase does not open the key of {}", self.name));
        // A file that asks for absurd effort is none of ours.
        if self.memory_kib > 16 * MEMORY_KIB || self.passes > 64 {
            return Err(wrong());
        }
        let opened = cipher(phrase, &self.salt, self.memory_kib, self.passes)?
            .decrypt(&Nonce::from(self.nonce), self.sealed.as_slice())
            .map_err(|_| wrong())?;
        let secret: [u8; 32] = opened.try_into().map_err(|_| wrong())?;
        if public_of(&secret) == self.public { Ok(secret) } else { Err(wrong()) }
    }

    /// The first digits of the public key, for people.
    #[must_use]
    pub fn fingerprint(&self) -> &str {
        self.public.get(..16).unwrap_or(&self.public)
    }
}

/// Asks for a pass-phrase without showing it; where standard input is no terminal its next line is one.
///
/// # Errors
/// When nothing can be read.
pub fn ask_phrase(prompt: &str) -> Result<String, Fault> {
    let stdin = std::io::stdin();
    let hidden = stdin.is_terminal().then(|| Hidden::begin(prompt));
    let mut line = String::new();
    let read = stdin.lock().read_line(&mut line);
    drop(hidden);
    match read {
        Ok(n) if n > 0 => Ok(line.trim_end_matches(['\r', '\n']).to_owned()),
        _ => Err(Fault::misuse("no pass-phrase was given: type it, or hand it over on standard input")),
    }
}

/// While it lives the terminal does not show what is typed.
struct Hidden(Option<nix::sys::termios::Termios>);

impl Hidden {
    fn begin(prompt: &str) -> Self {
        use nix::sys::termios::{LocalFlags, SetArg, tcgetattr, tcsetattr};
        super::output::complain(prompt);
        let before = tcgetattr(std::io::stdin()).ok();
        if let Some(mut quiet) = before.clone() {
            quiet.local_flags.remove(LocalFlags::ECHO);
            // A terminal that cannot be told shows it; it works all the same.
            let _shown = tcsetattr(std::io::stdin(), SetArg::TCSANOW, &quiet);
        }
        Self(before)
    }
}

impl Drop for Hidden {
    fn drop(&mut self) {
        if let Some(before) = &self.0 {
            let at_once = nix::sys::termios::SetArg::TCSANOW;
            let _gone = nix::sys::termios::tcsetattr(std::io::stdin(), at_once, before);
        }
    }
}
