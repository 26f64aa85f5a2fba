//! The lock on the record: whoever holds it is the recorder, and it says where to find him.

use super::Error;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

/// Longest path of a Unix socket, less one byte of safety (108 on Linux, 104 on macOS).
const LONGEST_SOCKET_PATH: usize = 100;

/// Who holds a lock, and where he answers.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Holder {
    /// Process number.
    pub pid: u32,
    /// The socket; `None` for a recorder that serves no screens (`--plain`).
    pub socket: Option<PathBuf>,
}

/// The lock, held as long as this value lives.
#[derive(Debug)]
pub struct RecordLock {
    file: File,
    record: PathBuf,
}

/// Where the lock of a record lies: beside it.
fn lock_path(record: &Path) -> PathBuf {
    let mut name = record.file_name().unwrap_or_default().to_owned();
    name.push(".lock");
    record.with_file_name(name)
}

/// Where the socket of a record lies: beside it, or under the system's temporary folder when that path is too long.
#[must_use]
pub fn socket_path(record: &Path) -> PathBuf {
    let record = std::path::absolute(record).unwrap_or_else(|_| record.to_owned());
    let mut name = record.file_name().unwrap_or_default().to_owned();
    name.push(".socket");
    let beside = record.with_file_name(name);
    if beside.as_os_str().len() <= LONGEST_SOCKET_PATH {
        return beside;
    }
    let digest = Sha256::digest(record.as_os_str().as_encoded_bytes());
    let short: String = digest.iter().take(8).map(|byte| format!("{byte:02x}")).collect();
    std::env::temp_dir().join(format!("dropwise-{short}.socket"))
}

impl RecordLock {
    /// Takes the lock of the record.
    ///
    /// # Errors
    /// When another process holds it (it is named), or the lock file cannot be made.
    pub fn take(record: &Path, socket: Option<&Path>) -> Result<Self, Error> {
        let path = lock_path(record);
        let fail = |source| Error::Lock { path: path.clone(), source };
        if let Some(folder) = path.parent().filter(|p| !p.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder).map_err(fail)?;
        }
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(fail)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let pid = read_holder(&mut file).map_or(0, |holder| holder.pid);
                return Err(Error::Held { record: record.to_owned(), pid });
            }
            Err(TryLockError::Error(source)) => return Err(fail(source)),
        }
        let holder = Holder { pid: std::process::id(), socket: socket.map(Path::to_owned) };
        let text = serde_json::to_string(&holder).map_err(|e| fail(e.into()))?;
        file.set_len(0).map_err(fail)?;
        file.rewind().map_err(fail)?;
        file.write_all(text.as_bytes()).map_err(fail)?;
        file.flush().map_err(fail)?;
        Ok(Self { file, record: record.to_owned() })
    }

    /// Who holds the lock of the record now; `None`: nobody.
    ///
    /// # Errors
    /// When the lock file cannot be read.
    pub fn holder(record: &Path) -> Result<Option<Holder>, Error> {
        let path = lock_path(record);
        let fail = |source| Error::Lock { path: path.clone(), source };
        let mut file = match OpenOptions::new().read(true).open(&path) {
            Ok(file) => file,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(fail(error)),
        };
        // Others than the owner may only read the file; a shared lock is enough to see whether it is held.
        match file.try_lock_shared() {
            // It is given back when the file is closed.
            Ok(()) => Ok(None),
            Err(TryLockError::WouldBlock) => {
                Ok(Some(read_holder(&mut file).unwrap_or(Holder { pid: 0, socket: None })))
            }
            Err(TryLockError::Error(source)) => Err(fail(source)),
        }
    }

    /// The record that is locked.
    #[must_use]
    pub fn record(&self) -> &Path {
        &self.record
    }
}

impl Drop for RecordLock {
    fn drop(&mut self) {
        // Closing the file gives the lock back in any case; an empty file says that nobody holds it.
        let _still_unlocked_on_close = self.file.set_len(0);
    }
}

fn read_holder(file: &mut File) -> Option<Holder> {
    let mut text = String::new();
    file.take(4_096).read_to_string(&mut text).ok()?;
    serde_json::from_str(&text).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_recorder_is_refused_and_told_who_holds_the_record() {
        let folder = tempfile::tempdir().unwrap();
        let record = folder.path().join("record.db");
        let socket = socket_path(&record);
        let lock = RecordLock::take(&record, Some(&socket)).unwrap();
        let error = RecordLock::take(&record, None).unwrap_err().to_string();
        assert!(error.contains(&std::process::id().to_string()), "{error}");
        let holder = RecordLock::holder(&record).unwrap().unwrap();
        assert_eq!(holder, Holder { pid: std::process::id(), socket: Some(socket) });
        drop(lock);
        assert_eq!(RecordLock::holder(&record).unwrap(), None);
    }

    #[test]
    fn a_socket_path_is_never_too_long() {
        let deep = PathBuf::from("/").join("a".repeat(200)).join("record.db");
        assert!(socket_path(&deep).as_os_str().len() <= LONGEST_SOCKET_PATH);
        assert_ne!(socket_path(&deep), socket_path(&deep.with_file_name("other.db")));
    }
}
