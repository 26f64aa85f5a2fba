//! Exclusive use of a port: our own lock file first, and a look at who else holds the device.
//!
//! The lock of the serial library is not enough: root passes it, and its failed second opening takes
//! the exclusive mark off the first holder. The lock file is named after the device number, so that
//! a link and the device itself are one port; it is locked for as long as the port is open and the
//! system frees it whatever happens to the program.

use super::SourceError;
use std::path::Path;

/// Holds a port for this process until dropped.
#[derive(Debug)]
pub(super) struct PortLock {
    #[cfg(unix)]
    _file: std::fs::File,
    #[cfg(unix)]
    path: std::path::PathBuf,
}

#[cfg(unix)]
impl Drop for PortLock {
    fn drop(&mut self) {
        // The file is taken away while it is still locked; who waits for it notices (see `take`).
        if let Err(error) = std::fs::remove_file(&self.path) {
            tracing::debug!(%error, path = %self.path.display(), "lock file stays");
        }
    }
}

#[cfg(unix)]
mod unix {
    use super::{Path, PortLock, SourceError};
    use std::fs::{self, File, OpenOptions, TryLockError};
    use std::io::{self, Read, Write};
    use std::os::unix::fs::{FileTypeExt, MetadataExt, OpenOptionsExt, PermissionsExt};
    use std::path::PathBuf;

    /// Takes the lock of the device that `path` leads to.
    pub(in crate::source) fn take(path: &Path, port: &str) -> Result<PortLock, SourceError> {
        let refused = |error: io::Error| SourceError::Refused {
            port: port.to_owned(),
            why: format!("its lock file cannot be made: {error}"),
        };
        let device = fs::metadata(path).map_err(|error| match error.kind() {
            io::ErrorKind::NotFound => SourceError::NoSuchPort { port: port.to_owned() },
            _ => SourceError::Refused { port: port.to_owned(), why: error.to_string() },
        })?;
        if !device.file_type().is_char_device() {
            return Err(SourceError::NotASerialPort { port: port.to_owned() });
        }
        let name = format!("dropwise-port-{:x}.lock", device.rdev());
        let lock_path = folder().join(name);
        loop {
            let mut file = open(&lock_path).map_err(refused)?;
            match file.try_lock() {
                Ok(()) => {}
                Err(TryLockError::WouldBlock) => {
                    return Err(SourceError::InUse { port: port.to_owned(), by: holder(&mut file) });
                }
                Err(TryLockError::Error(error)) => return Err(refused(error)),
            }
            // The holder before us may have taken the file away between our opening and our locking.
            let still_there = fs::metadata(&lock_path)
                .and_then(|there| {
                    file.metadata().map(|ours| (there.dev(), there.ino()) == (ours.dev(), ours.ino()))
                })
                .unwrap_or(false);
            if still_there {
                // Another user's file may be locked but not written: then it names no process.
                if let Err(error) = file.set_len(0).and_then(|()| writeln!(file, "{}", std::process::id())) {
                    tracing::debug!(%error, "lock file without process number");
                }
                return Ok(PortLock { _file: file, path: lock_path });
            }
        }
    }

    /// The folder that all users of this computer share for locks.
    fn folder() -> PathBuf {
        let shared = Path::new("/run/lock");
        let writable = nix::unistd::access(shared, nix::unistd::AccessFlags::W_OK).is_ok();
        if writable { shared.to_owned() } else { std::env::temp_dir() }
    }

    /// Opens the lock file, never through a link that somebody laid into the shared folder.
    fn open(path: &Path) -> io::Result<File> {
        let no_links = nix::fcntl::OFlag::O_NOFOLLOW.bits();
        // Without "create" first: the system forbids creating over another user's file in such a folder.
        let open = |write| OpenOptions::new().read(true).write(write).custom_flags(no_links).open(path);
        match open(true).or_else(|error| match error.kind() {
            io::ErrorKind::PermissionDenied => open(false),
            _ => Err(error),
        }) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                let made = OpenOptions::new().read(true).write(true).create_new(true).open(path);
                match made {
                    Ok(file) => {
                        // Every user of the port must be able to lock it.
                        file.set_permissions(fs::Permissions::from_mode(0o666))?;
                        Ok(file)
                    }
                    Err(error) if error.kind() == io::ErrorKind::AlreadyExists => open(true),
                    Err(error) => Err(error),
                }
            }
            result => result,
        }
    }

    fn holder(file: &mut File) -> String {
        let mut text = String::new();
        match file.take(20).read_to_string(&mut text).ok().and_then(|_| text.trim().parse::<u32>().ok()) {
            Some(id) if id == std::process::id() => "this program itself".to_owned(),
            Some(id) => named(id),
            None => "another dropwise".to_owned(),
        }
    }

    /// A process as people know it: number and name.
    fn named(id: u32) -> String {
        match fs::read_to_string(format!("/proc/{id}/comm")) {
            Ok(name) => format!("process {id} ({})", name.trim().escape_debug()),
            Err(_) => format!("process {id}"),
        }
    }

    /// Other processes that hold the device open, as far as this user may see them (Linux).
    pub(in crate::source) fn other_holders(path: &Path) -> Vec<String> {
        let Ok(device) = fs::canonicalize(path) else { return Vec::new() };
        let Ok(processes) = fs::read_dir("/proc") else { return Vec::new() };
        processes
            .flatten()
            .filter_map(|entry| entry.file_name().to_str()?.parse::<u32>().ok())
            .filter(|id| *id != std::process::id())
            .filter(|id| {
                fs::read_dir(format!("/proc/{id}/fd")).is_ok_and(|open| {
                    open.flatten().any(|file| fs::read_link(file.path()).is_ok_and(|to| to == device))
                })
            })
            .map(named)
            .collect()
    }
}

#[cfg(unix)]
pub(super) use unix::{other_holders, take};

/// The system itself gives a port to one program only.
#[cfg(not(unix))]
pub(super) fn take(_path: &Path, _port: &str) -> Result<PortLock, SourceError> {
    Ok(PortLock {})
}

#[cfg(not(unix))]
pub(super) fn other_holders(_path: &Path) -> Vec<String> {
    Vec::new()
}
