//! Ways to a recorder: in this process, or in one of its own that is found or started.

use super::bench::ReadyBench;
use super::key::{KeyFile, ask_phrase};
use super::{Exit, Fault, Settings};
use crate::link::{self, Holder, RecordLock};
use crate::live::{Recorder, RecorderOptions, Session};
use crate::source::Chunks;
use crate::source::simulate::{Beaker, Day, Scenario, Simulated};
use crate::store::prove;
use crate::work::{Caller, Command, Event, LaneId, RunPlan, WANTS_KEY};
use std::io::{BufRead, BufReader};
use std::process::Stdio;

impl From<link::Error> for Fault {
    fn from(error: link::Error) -> Self {
        Self { text: error.to_string(), exit: Exit::Record }
    }
}

impl From<crate::store::Error> for Fault {
    fn from(error: crate::store::Error) -> Self {
        Self { text: error.to_string(), exit: Exit::Record }
    }
}

/// Number of the command that is sent before a screen takes over.
const FIRST_COMMAND: u64 = 1;

/// The instrument behind the port `simulator`.
pub fn simulator(seed: u64, beaker: Option<&str>) -> Chunks {
    // The port was parsed, so that the beaker is known; another would be the one of the demonstration.
    let day = beaker.and_then(|text| Beaker::parse(text).ok());
    let scenario =
        day.map_or_else(|| Scenario::vinegar(1), |(beaker, nth)| Day::drawn(seed).scenario(&beaker, nth));
    Box::new(Simulated::new(scenario, seed))
}

/// Name of the account that runs this program.
#[must_use]
pub fn own_name() -> String {
    link::user_name(nix::unistd::Uid::effective().as_raw())
}

/// Whoever runs this program, as the recorder within it knows him or her.
#[must_use]
pub fn own_caller(settings: &Settings) -> Caller {
    Caller::owner(own_name(), settings.name.clone())
}

/// Attaches to the recorder that runs.
///
/// # Errors
/// When none runs, or it does not answer or refuses.
pub async fn own_recorder(settings: &Settings) -> Result<Session, Fault> {
    match RecordLock::holder(&settings.record)? {
        Some(Holder { socket: Some(socket), .. }) => {
            Ok(link::connect_as(&socket, settings.name.clone()).await?)
        }
        Some(Holder { pid, socket: None }) => {
            Err(link::Error::Held { record: settings.record.clone(), pid }.into())
        }
        None => Err(Fault::misuse("no recorder runs on this record; `dropwise` starts one")),
    }
}

/// A recorder that this process is, with the lock of its record.
#[derive(Debug)]
pub struct OwnRecorder {
    /// The recorder.
    pub recorder: Recorder,
    /// Held while it records.
    pub lock: RecordLock,
}

/// Becomes the recorder of the record, for this process alone.
///
/// # Errors
/// When another process records, or the record cannot be written.
pub fn become_recorder(
    settings: &Settings,
    options: RecorderOptions,
    serves: bool,
) -> Result<OwnRecorder, Fault> {
    let socket = serves.then(|| link::socket_path(&settings.record));
    let lock = RecordLock::take(&settings.record, socket.as_deref())?;
    let recorder = Recorder::start(&settings.record, options)?;
    Ok(OwnRecorder { recorder, lock })
}

/// Attaches to the recorder of the record; starts one in a process of its own when there is none.
///
/// # Errors
/// When it cannot be started or does not answer.
pub async fn attach_or_start(settings: &Settings) -> Result<Session, Fault> {
    let socket = match RecordLock::holder(&settings.record)? {
        Some(Holder { socket: Some(socket), .. }) => socket,
        Some(Holder { pid, socket: None }) => {
            return Err(link::Error::Held { record: settings.record.clone(), pid }.into());
        }
        None => {
            start_process(settings)?;
            link::socket_path(&settings.record)
        }
    };
    match link::connect_as(&socket, settings.name.clone()).await {
        Err(link::Error::Socket { .. }) => {
            let pid = RecordLock::holder(&settings.record)?.map_or(0, |holder| holder.pid);
            Err(link::Error::Silent { record: settings.record.clone(), pid, socket }.into())
        }
        other => Ok(other?),
    }
}

/// Starts a recorder that outlives this process, and waits until it says that it is ready.
fn start_process(settings: &Settings) -> Result<(), Fault> {
    let fail = |e: std::io::Error| Fault {
        text: format!(
            "the recorder could not be started: {e}; `dropwise recorder` starts it by hand and says more"
        ),
        exit: Exit::OwnFault,
    };
    let program = std::env::current_exe().map_err(fail)?;
    let mut child = std::process::Command::new(program)
        .arg("--record")
        .arg(&settings.record)
        .args(["recorder", "--detached", "--log"])
        .arg(&settings.log)
        .current_dir(
            settings.record.parent().filter(|p| p.is_dir()).unwrap_or_else(|| std::path::Path::new("/")),
        )
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(fail)?;
    let mut ready = String::new();
    if let Some(stdout) = child.stdout.take() {
        BufReader::new(stdout).read_line(&mut ready).map_err(fail)?;
    }
    if ready.trim() == READY {
        return Ok(());
    }
    let output = child.wait_with_output().map_err(fail)?;
    let text = String::from_utf8_lossy(&output.stderr).trim().to_owned();
    Err(Fault { text: text.trim_start_matches("dropwise: ").to_owned(), exit: Exit::Record })
}

/// What a detached recorder prints when it can be attached to.
pub const READY: &str = "ready";

/// Opens a bench and, if asked, starts a run on it; gives the lane.
///
/// # Errors
/// What the recorder refused.
pub async fn open_and_start(
    session: &mut Session,
    settings: &Settings,
    bench: ReadyBench,
    start: Option<RunPlan>,
) -> Result<(LaneId, Vec<Event>), Fault> {
    let mut seen = Vec::new();
    let ReadyBench { plan: bench, confirms_sending } = bench;
    let command = Command::Open { bench: Box::new(bench), start: start.map(Box::new), confirms_sending };
    let lane = ask(session, settings, command, &mut seen).await?;
    Ok((lane.unwrap_or_default(), seen))
}

/// Has a command done; where the bench knows people by their keys, the key of the given name is opened first.
///
/// # Errors
/// What the recorder refused.
pub async fn ask(
    session: &mut Session,
    settings: &Settings,
    command: Command,
    seen: &mut Vec<Event>,
) -> Result<Option<LaneId>, Fault> {
    match ask_once(session, FIRST_COMMAND, command.clone(), seen).await {
        Err(fault) if fault.text.starts_with(WANTS_KEY) => {
            let challenge = seen.iter().rev().find_map(|event| match event {
                Event::You { challenge, .. } => Some(challenge.clone()),
                _ => None,
            });
            let (Some(name), Some(challenge)) = (&settings.name, challenge) else { return Err(fault) };
            let phrase = ask_phrase(&format!("Pass-phrase of {name}:"))?;
            let proof = Some(prove(&KeyFile::read(settings, name)?.open(&phrase)?, &challenge));
            let named = Command::Name { name: name.clone(), proof };
            ask_once(session, FIRST_COMMAND + 1, named, seen).await?;
            ask_once(session, FIRST_COMMAND + 2, command, seen).await
        }
        done => done,
    }
}

async fn ask_once(
    session: &mut Session,
    id: u64,
    command: Command,
    seen: &mut Vec<Event>,
) -> Result<Option<LaneId>, Fault> {
    let refused = |text: String| Fault { text, exit: Exit::Instrument };
    // A closed channel shows below as the end of the events.
    let _recorder_gone = session.commands.send((id, command)).await;
    while let Some(event) = session.events.recv().await {
        match event {
            Event::Answer { id: answered, refused: why, lane } if answered == id => {
                return why.map_or(Ok(lane), |why| Err(refused(why)));
            }
            Event::Leaving { why } => return Err(refused(format!("the recorder left: {why}"))),
            other => seen.push(other),
        }
    }
    Err(refused("the recorder has gone; start `dropwise` again".to_owned()))
}

/// Has a command that needs no bench done, by the recorder that has the record, or as the recorder for a moment.
///
/// # Errors
/// When the record cannot be used, or what `refused` makes of the words of a recorder that refuses.
pub async fn obey(
    settings: &Settings,
    command: Command,
    refused: impl Fn(String) -> Fault,
) -> Result<(), Fault> {
    let mut own = None;
    let mut session = if RecordLock::holder(&settings.record)?.is_some() {
        own_recorder(settings).await?
    } else {
        let recorder = become_recorder(settings, RecorderOptions::default(), false)?;
        let session = recorder.recorder.attach(own_caller(settings)).await;
        own = Some(recorder);
        session
    };
    let done = ask(&mut session, settings, command, &mut Vec::new()).await;
    if let Some(own) = own {
        own.recorder.stop();
        drop(session);
        own.recorder.ended().await;
        drop(own.lock);
    }
    done.map(drop).map_err(|fault| refused(fault.text))
}
