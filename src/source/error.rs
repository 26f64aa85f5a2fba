//! Why a source cannot be opened or read; each says what, where and how to mend.

use std::io;
use std::path::PathBuf;

/// Why a source cannot be opened or read.
#[derive(Debug, thiserror::Error)]
pub enum SourceError {
    /// Nothing is there under this name.
    #[error("there is no port {port}; plug it in, or see with `dropwise ports` what is there")]
    NoSuchPort {
        /// The name.
        port: String,
    },
    /// Several devices answer to this name.
    #[error("{port} fits several ports ({found}); add the serial number or name one of them")]
    SeveralPorts {
        /// The name.
        port: String,
        /// What fits.
        found: String,
    },
    /// The device belongs to a group that this user is not in.
    #[error("{port} may not be opened by this user; {mend}")]
    NotAllowed {
        /// The name.
        port: String,
        /// What helps.
        mend: String,
    },
    /// Another program holds the port.
    #[error(
        "{port} is in use by {by}; end that program first, because two programs would share out the bytes"
    )]
    InUse {
        /// The name.
        port: String,
        /// Who holds it.
        by: String,
    },
    /// The path leads to something else.
    #[error("{port} is no serial port; for a file write file:{port}")]
    NotASerialPort {
        /// The name.
        port: String,
    },
    /// The driver refused the line settings or the opening.
    #[error("{port} could not be opened: {why}")]
    Refused {
        /// The name.
        port: String,
        /// The reason of the system.
        why: String,
    },
    /// No connection within the time.
    #[error("{address} could not be reached: {why}; check its power, cable, address and port number")]
    Unreachable {
        /// The address.
        address: String,
        /// The reason of the system.
        why: String,
    },
    /// The path leads to a folder, a pipe or a device.
    #[error("{} is no plain file; feed a pipe through `stdin`", path.display())]
    NotAFile {
        /// The path.
        path: PathBuf,
    },
    /// A file could not be read.
    #[error("{} could not be read: {source}", path.display())]
    File {
        /// The path.
        path: PathBuf,
        /// The reason of the system.
        source: io::Error,
    },
    /// A line of a capture is not as it should be.
    #[error("{name}:{line}: {what}; {mend}")]
    Capture {
        /// The file.
        name: String,
        /// The line, from 1.
        line: u64,
        /// What is wrong.
        what: String,
        /// What helps.
        mend: String,
    },
    /// The pseudo-terminal of the simulated instrument could not be made.
    #[error("no pseudo-terminal for the simulated instrument: {why}")]
    PseudoTerminal {
        /// The reason of the system.
        why: String,
    },
    /// No simulated instrument was handed over.
    #[error("there is no simulated instrument here; `dropwise demo` has one")]
    NoSimulator,
}
