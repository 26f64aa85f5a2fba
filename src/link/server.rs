//! The recorder's side of the socket.

use super::Error;
use super::message::{Greeting, PROTOCOL, Wished, codec};
use crate::live::Recorder;
use futures_util::{SinkExt, StreamExt};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::net::{UnixListener, UnixStream};
use tokio_util::codec::Framed;

/// How often the path of the socket is looked after: temporary folders are swept by others.
const LOOK_AFTER: Duration = Duration::from_secs(5);

/// A peer that does not take a message for so long is dropped.
const PATIENCE: Duration = Duration::from_secs(5);

/// The socket, made: from now on screens find it.
#[derive(Debug)]
pub struct Socket {
    listener: UnixListener,
    path: PathBuf,
}

impl Socket {
    /// Makes the socket, in place of one that a recorder before left; the caller holds the record's lock.
    ///
    /// # Errors
    /// When it cannot be made.
    pub fn make(path: &Path) -> Result<Self, Error> {
        Ok(Self { listener: bind(path)?, path: path.to_owned() })
    }
}

/// Serves screens until the recorder has left; the caller holds the record's lock.
///
/// # Errors
/// When the socket has gone and cannot be made again.
pub async fn serve(recorder: Recorder, socket: Socket) -> Result<(), Error> {
    let Socket { mut listener, path } = socket;
    let socket = path.as_path();
    loop {
        tokio::select! {
            () = recorder.ended() => break,
            accepted = listener.accept() => match accepted {
                Ok((stream, _)) => {
                    let recorder = recorder.clone();
                    tokio::spawn(async move { screen(recorder, stream).await });
                }
                Err(error) => {
                    tracing::warn!(%error, "a screen could not connect");
                    tokio::time::sleep(Duration::from_millis(100)).await;
                }
            },
            () = tokio::time::sleep(LOOK_AFTER) => if !socket.exists() {
                tracing::warn!(socket = %socket.display(), "the socket's path was gone; it is made again");
                listener = bind(socket)?;
            },
        }
    }
    // Lets the last event reach the screens.
    tokio::time::sleep(Duration::from_millis(50)).await;
    // Another recorder may have made it anew already; a path that is gone is as good.
    let _gone = std::fs::remove_file(socket);
    Ok(())
}

fn bind(socket: &Path) -> Result<UnixListener, Error> {
    let fail = |source| Error::Socket { socket: socket.to_owned(), source };
    // The lock says that no recorder is alive behind an old socket.
    match std::fs::remove_file(socket) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(fail(error)),
        _ => {}
    }
    let listener = UnixListener::bind(socket).map_err(fail)?;
    only_for_owner(socket).map_err(fail)?;
    Ok(listener)
}

fn only_for_owner(socket: &Path) -> std::io::Result<()> {
    use std::os::unix::fs::PermissionsExt;
    std::fs::set_permissions(socket, std::fs::Permissions::from_mode(0o600))
}

/// Name of the peer's user from the kernel, or why he may not look.
fn peer(stream: &UnixStream) -> Result<String, String> {
    let credentials = stream.peer_cred().map_err(|e| format!("the system does not say who asks: {e}"))?;
    let own = nix::unistd::Uid::effective().as_raw();
    let uid = credentials.uid();
    if uid != own && uid != 0 {
        return Err(format!("this bench belongs to user {own}; user {uid} may not look"));
    }
    Ok(user_name(uid))
}

/// The account name of a user number, or the number itself.
#[must_use]
pub(crate) fn user_name(uid: u32) -> String {
    let user = nix::unistd::User::from_uid(nix::unistd::Uid::from_raw(uid));
    user.ok().flatten().map_or_else(|| format!("user {uid}"), |user| user.name)
}

async fn screen(recorder: Recorder, stream: UnixStream) {
    let who = peer(&stream);
    let framed = Framed::new(stream, codec());
    let (mut to_screen, mut from_screen) = framed.split::<bytes::Bytes>();
    let greeting = Greeting {
        protocol: PROTOCOL,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        refused: who.as_ref().err().cloned(),
    };
    let Ok(text) = serde_json::to_vec(&greeting) else { return };
    if to_screen.send(text.into()).await.is_err() {
        return;
    }
    let Ok(who) = who else { return };
    let Some((number, mut events)) = recorder.connect(false).await else { return };
    loop {
        tokio::select! {
            event = events.recv() => {
                let Some(event) = event else { break };
                let Ok(text) = serde_json::to_vec(&*event) else { break };
                match tokio::time::timeout(PATIENCE, to_screen.send(text.into())).await {
                    Ok(Ok(())) => {}
                    _ => break,
                }
            }
            wished = from_screen.next() => {
                let Some(Ok(bytes)) = wished else { break };
                match serde_json::from_slice::<Wished>(&bytes) {
                    Ok(Wished { id, command }) => recorder.command(number, id, command, who.clone()).await,
                    Err(error) => {
                        tracing::warn!(%error, "a screen sent something that is no command; it is dropped");
                        break;
                    }
                }
            }
        }
    }
    recorder.detach(number).await;
}
