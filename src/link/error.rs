//! What can be wrong between a screen and its recorder.

use std::path::PathBuf;

/// A fault of the link.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// Another process holds the lock of the record.
    #[error(
        "the record {record} is being written by process {pid}; attach to it with `dropwise`, or end it first"
    )]
    Held {
        /// The record.
        record: PathBuf,
        /// Who holds it.
        pid: u32,
    },
    /// The lock is held, but nobody answers at the socket.
    #[error(
        "process {pid} holds the record {record}, but does not answer at {socket}; wait a moment and try again, or end that process: a second recorder is not started"
    )]
    Silent {
        /// The record.
        record: PathBuf,
        /// Who holds it.
        pid: u32,
        /// Where it should answer.
        socket: PathBuf,
    },
    /// The lock file cannot be made.
    #[error(
        "cannot make the lock {path}: {source}; give its folder write permission, or choose another place with --home DIR"
    )]
    Lock {
        /// The lock file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The socket failed.
    #[error("the connection to the recorder at {socket} failed: {source}; start `dropwise` again")]
    Socket {
        /// The socket.
        socket: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The other side is of another version.
    #[error(
        "the recorder speaks protocol {theirs} (dropwise {version}), this program protocol {ours}; end the recorder and start it with the same version"
    )]
    Version {
        /// Theirs.
        theirs: u32,
        /// Ours.
        ours: u32,
        /// Their program version.
        version: String,
    },
    /// The recorder refused.
    #[error("the recorder refused: {why}")]
    Refused {
        /// Why, in words.
        why: String,
    },
}
