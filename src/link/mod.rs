//! The local socket between recorder and screens.
//!
//! One PC, one recorder, one record. The lock on the record decides which process is the recorder
//! and names its socket; screens find it there. Messages are JSON, versioned and length-limited.

mod client;
mod error;
mod lock;
mod message;
mod server;

pub use client::{connect, connect_as};
pub use error::Error;
pub use lock::{Holder, RecordLock, socket_path};
pub use message::{LONGEST_MESSAGE, PROTOCOL};
pub(crate) use server::user_name;
pub use server::{Socket, serve};
