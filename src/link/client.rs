//! A screen's side of the socket.

use super::Error;
use super::message::{Greeting, Hello, PROTOCOL, Told, Wished, codec};
use crate::live::Session;
use futures_util::{SinkExt, StreamExt};
use std::path::Path;
use std::time::Duration;
use tokio::net::UnixStream;
use tokio::sync::mpsc;
use tokio_util::codec::Framed;

/// Commands and events that wait; when the events are full the socket is not read, and the recorder
/// drops the screen in the end rather than wait for it.
const WAITING: usize = 256;

/// A recorder that lives greets at once.
const GREETING_WAIT: Duration = Duration::from_secs(3);

/// Connects to the recorder at `socket`.
///
/// # Errors
/// When nobody answers there, the version differs, or the peer is refused.
pub async fn connect(socket: &Path) -> Result<Session, Error> {
    connect_as(socket, None).await
}

/// Connects as a person who gives a name.
///
/// # Errors
/// As [`connect`].
pub async fn connect_as(socket: &Path, name: Option<String>) -> Result<Session, Error> {
    let fail = |source| Error::Socket { socket: socket.to_owned(), source };
    let stream = UnixStream::connect(socket).await.map_err(fail)?;
    let (mut to_recorder, mut from_recorder) = Framed::new(stream, codec()).split::<bytes::Bytes>();
    let greeting = tokio::time::timeout(GREETING_WAIT, from_recorder.next())
        .await
        .map_err(|_| fail(std::io::ErrorKind::TimedOut.into()))?
        .ok_or_else(|| fail(std::io::ErrorKind::UnexpectedEof.into()))?
        .map_err(fail)?;
    let greeting: Greeting = serde_json::from_slice(&greeting).map_err(|e| fail(e.into()))?;
    if let Some(why) = greeting.refused {
        return Err(Error::Refused { why });
    }
    if greeting.protocol != PROTOCOL {
        return Err(Error::Version { theirs: greeting.protocol, ours: PROTOCOL, version: greeting.version });
    }
    let hello = serde_json::to_vec(&Hello { protocol: PROTOCOL, name }).map_err(|e| fail(e.into()))?;
    to_recorder.send(hello.into()).await.map_err(fail)?;
    let (commands, mut wishes) = mpsc::channel(WAITING);
    let (told, events) = mpsc::channel(WAITING);
    tokio::spawn(async move {
        while let Some((id, command)) = wishes.recv().await {
            let Ok(text) = serde_json::to_vec(&Wished { id, command }) else { continue };
            if to_recorder.send(text.into()).await.is_err() {
                break;
            }
        }
    });
    tokio::spawn(async move {
        while let Some(Ok(bytes)) = from_recorder.next().await {
            let Ok(event) = serde_json::from_slice::<Told>(&bytes) else { break };
            if told.send(event).await.is_err() {
                break;
            }
        }
    });
    Ok(Session { commands, events })
}
