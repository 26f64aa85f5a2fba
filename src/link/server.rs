//! The recorder's side of the socket.

use super::Error;
use super::message::{Greeting, Hello, PROTOCOL, Wished, codec};
use crate::live::Recorder;
use crate::work::{Caller, Command, Event};
use futures_util::{SinkExt, StreamExt};
use rand::TryRngCore;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::net::{UnixListener, UnixStream};
use tokio_util::codec::{Framed, LengthDelimitedCodec};

/// How often the path of the socket is looked after: temporary folders are swept by others.
const LOOK_AFTER: Duration = Duration::from_secs(5);

/// Longest name of a person.
const LONGEST_NAME: usize = 100;

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
pub async fn serve(recorder: Recorder, socket: Socket) {
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
                let shown = socket.display();
                match bind(socket) {
                    Ok(made) => {
                        tracing::warn!(socket = %shown, "the socket's path was gone; it is made again");
                        listener = made;
                    }
                    // Its folder may have gone, with the record; whoever is attached stays so.
                    Err(error) => tracing::warn!(%error, "the socket's path is gone and cannot be made again yet"),
                }
            },
        }
    }
    // Lets the last event reach the screens.
    tokio::time::sleep(Duration::from_millis(50)).await;
    // Another recorder may have made it anew already; a path that is gone is as good.
    let _gone = std::fs::remove_file(socket);
}

fn bind(socket: &Path) -> Result<UnixListener, Error> {
    let fail = |source| Error::Socket { socket: socket.to_owned(), source };
    // The lock says that no recorder is alive behind an old socket.
    match std::fs::remove_file(socket) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(fail(error)),
        _ => {}
    }
    let listener = UnixListener::bind(socket).map_err(fail)?;
    let_knock(socket).map_err(fail)?;
    Ok(listener)
}

/// Anybody may knock: who it is comes from the kernel, and whoever may not look is told so and dropped.
fn let_knock(socket: &Path) -> std::io::Result<()> {
    use std::os::unix::fs::PermissionsExt;
    std::fs::set_permissions(socket, std::fs::Permissions::from_mode(0o666))
}

/// Who the peer is, from the kernel.
fn peer(stream: &UnixStream) -> Result<Caller, String> {
    let credentials = stream.peer_cred().map_err(|e| format!("the system does not say who asks: {e}"))?;
    let uid = credentials.uid();
    let owner = uid == nix::unistd::Uid::effective().as_raw() || uid == 0;
    let account = user_name(uid);
    let groups = if owner { Vec::new() } else { groups_of(&account, credentials.gid()) };
    Ok(Caller { account, groups, owner, name: None, key: None })
}

/// The groups of an account as the system lists them, and the one of its process.
fn groups_of(account: &str, gid: u32) -> Vec<String> {
    use nix::unistd::{Gid, Group, getgrouplist};
    let own = Gid::from_raw(gid);
    let listed = std::ffi::CString::new(account).ok().and_then(|name| getgrouplist(&name, own).ok());
    let groups = listed.unwrap_or_else(|| vec![own]);
    groups.into_iter().filter_map(|gid| Group::from_gid(gid).ok().flatten()).map(|group| group.name).collect()
}

/// The account name of a user number, or the number itself.
#[must_use]
pub(crate) fn user_name(uid: u32) -> String {
    let user = nix::unistd::User::from_uid(nix::unistd::Uid::from_raw(uid));
    user.ok().flatten().map_or_else(|| format!("user {uid}"), |user| user.name)
}

/// Why somebody may not look on, in words.
async fn refuses(recorder: &Recorder, caller: &Result<Caller, String>) -> Option<String> {
    let caller = match caller {
        Ok(caller) => caller,
        Err(why) => return Some(why.clone()),
    };
    match recorder.lets_look(caller.clone()).await {
        Some(true) => None,
        Some(false) => Some(format!(
            "no bench that is open here lets {} look on; the bench file says who may, under [people]",
            caller.account
        )),
        None => Some("it is leaving".to_owned()),
    }
}

type ToScreen = futures_util::stream::SplitSink<Framed<UnixStream, LengthDelimitedCodec>, bytes::Bytes>;

/// Sends an event; `false`: the screen has gone or does not read.
async fn send(to_screen: &mut ToScreen, event: &Event) -> bool {
    let Ok(text) = serde_json::to_vec(event) else { return false };
    matches!(tokio::time::timeout(PATIENCE, to_screen.send(text.into())).await, Ok(Ok(())))
}

/// How the person is known, with a new challenge for his or her key.
fn you(caller: &Caller) -> (String, Event) {
    let mut bytes = [0_u8; 32];
    let challenge = match rand::rngs::OsRng.try_fill_bytes(&mut bytes) {
        Ok(()) => bytes.iter().map(|byte| format!("{byte:02x}")).collect(),
        // Without a random number nobody can prove anything: an empty challenge is refused.
        Err(_) => String::new(),
    };
    (challenge.clone(), Event::You { who: caller.who(), challenge })
}

/// Somebody else, or nobody, sits at the screen from now on.
async fn name_them(
    recorder: &Recorder,
    caller: &mut Caller,
    (name, proof): (String, Option<String>),
    challenge: String,
) -> Result<(), String> {
    let nobody = Caller { name: None, key: None, ..caller.clone() };
    let name: String = name.trim().chars().filter(|c| !c.is_control()).take(LONGEST_NAME).collect();
    *caller = match proof {
        None => Caller { name: Some(name).filter(|name| !name.is_empty()), ..nobody },
        Some(_) if challenge.is_empty() => return Err("this machine gives no random numbers".to_owned()),
        Some(proof) => recorder.proved(nobody, name, proof, challenge).await?,
    };
    Ok(())
}

async fn screen(recorder: Recorder, stream: UnixStream) {
    let caller = peer(&stream);
    let refused = refuses(&recorder, &caller).await;
    let framed = Framed::new(stream, codec());
    let (mut to_screen, mut from_screen) = framed.split::<bytes::Bytes>();
    let greeting = Greeting {
        protocol: PROTOCOL,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        refused: refused.clone(),
    };
    let Ok(text) = serde_json::to_vec(&greeting) else { return };
    if to_screen.send(text.into()).await.is_err() {
        return;
    }
    let (Ok(mut caller), None) = (caller, refused) else { return };
    let hello = match tokio::time::timeout(PATIENCE, from_screen.next()).await {
        Ok(Some(Ok(bytes))) => serde_json::from_slice::<Hello>(&bytes),
        _ => return,
    };
    match hello {
        Ok(hello) if hello.protocol == PROTOCOL => caller.name = hello.name,
        other => {
            // The screen has been told which protocol is spoken here, and says in words that it is not its own.
            tracing::warn!(?other, "a screen of another version is dropped");
            return;
        }
    }
    let Some((number, mut events)) = recorder.connect(false).await else { return };
    let mut known: Option<String> = None;
    loop {
        tokio::select! {
            event = events.recv() => {
                let Some(event) = event else { break };
                if !send(&mut to_screen, &event).await {
                    break;
                }
                // Right behind the snapshot, which is always the first event.
                if known.is_none() {
                    let (challenge, you) = you(&caller);
                    if !send(&mut to_screen, &you).await {
                        break;
                    }
                    known = Some(challenge);
                }
            }
            wished = from_screen.next() => {
                let Some(Ok(bytes)) = wished else { break };
                match serde_json::from_slice::<Wished>(&bytes) {
                    Ok(Wished { id, command: Command::Name { name, proof } }) => {
                        let challenge = known.take().unwrap_or_default();
                        let named = name_them(&recorder, &mut caller, (name, proof), challenge).await;
                        let (challenge, you) = you(&caller);
                        known = Some(challenge);
                        let answer = Event::Answer { id, refused: named.err(), lane: None };
                        if !(send(&mut to_screen, &you).await && send(&mut to_screen, &answer).await) {
                            break;
                        }
                    }
                    Ok(Wished { id, command }) => recorder.command(number, id, command, caller.clone()).await,
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
