//! `dropwise recorder`: the recorder in the foreground, or started by a screen.

use super::run::{Signal, runtime, signals};
use crate::cli::attach::{READY, become_recorder, open_and_start, own_caller, simulator};
use crate::cli::bench::BenchArgs;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::link::{Socket, serve, socket_path};
use crate::live::RecorderOptions;
use clap::Args;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// A recorder that a screen started leaves after so long without a run and without a screen.
const LEAVE_AFTER: Duration = Duration::from_secs(60);

/// Arguments of `recorder`.
#[derive(Debug, Args)]
pub struct RecorderArgs {
    /// Benches to open at once: bench files, or names in the folder benches/ of the configuration
    #[arg(long = "bench", value_name = "BENCH")]
    benches: Vec<String>,
    /// When the record cannot be written to the end, keep the rest in this folder instead of beside the record
    #[arg(long, value_name = "DIR")]
    unsaved_to: Option<PathBuf>,
    /// Started by a screen: in a session of its own, leaving by itself when nothing goes on
    #[arg(long, hide = true)]
    detached: bool,
    /// Folder of the log
    #[arg(long, hide = true)]
    log: Option<PathBuf>,
}

impl RecorderArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When another process records, or the record, a bench or the socket cannot be used.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let _log_is_written_while_this_lives = log_to(self.log.as_deref().unwrap_or(&settings.log));
        if self.detached {
            // A session of its own: a terminal that goes does not take the recorder along. It fails only
            // where the process leads a group already, and then it has its own already.
            if let Err(errno) = nix::unistd::setsid() {
                tracing::debug!(%errno, "no session of its own");
            }
        }
        let benches = self
            .benches
            .iter()
            .map(|name| BenchArgs { bench: Some(name.clone()), ..BenchArgs::default() }.ready(settings))
            .collect::<Result<Vec<_>, _>>()?;
        runtime()?.block_on(async {
            // Before the socket is there, so that no signal finds the default action.
            let mut interrupted = signals();
            let options = RecorderOptions {
                leave_after: self.detached.then_some(LEAVE_AFTER),
                simulator: Some(simulator),
                unsaved_to: self.unsaved_to.clone(),
                ..RecorderOptions::default()
            };
            let own = become_recorder(settings, options, true)?;
            let socket = socket_path(&settings.record);
            // Made before anything is said, so that nobody finds the socket that a killed recorder left.
            let serving = tokio::spawn(serve(own.recorder.clone(), Socket::make(&socket)?));
            for bench in benches {
                let mut session = own.recorder.attach(own_caller(settings)).await;
                open_and_start(&mut session, settings, bench, None).await?;
            }
            self.say_ready(settings, &socket, output)?;
            loop {
                tokio::select! {
                    () = own.recorder.ended() => break,
                    Some(signal) = interrupted.recv() => match signal {
                        // A terminal that goes ends no recording.
                        Signal::HangUp => {}
                        Signal::End => own.recorder.stop(),
                    },
                }
            }
            let served = serving.await;
            drop(own.lock);
            if let Err(failure) = served {
                tracing::error!(%failure, "the socket's task failed");
            }
            Ok(Exit::Done)
        })
    }

    fn say_ready(&self, settings: &Settings, socket: &Path, output: &mut Output) -> Result<(), Fault> {
        let text = if self.detached {
            READY.to_owned()
        } else {
            format!(
                "recording to {}; screens attach with `dropwise` (socket {}); end with Ctrl-C",
                settings.record.display(),
                socket.display()
            )
        };
        let written = output.line(&text).and_then(|()| output.flush());
        written.map_err(|e| Fault {
            text: format!("standard output cannot be written: {e}"),
            exit: Exit::OwnFault,
        })
    }
}

/// Writes the log to a file in `folder`; without one the recorder goes on all the same.
fn log_to(folder: &Path) -> Option<tracing_appender::non_blocking::WorkerGuard> {
    std::fs::create_dir_all(folder).ok()?;
    let file =
        std::fs::OpenOptions::new().create(true).append(true).open(folder.join("recorder.log")).ok()?;
    let (writer, guard) = tracing_appender::non_blocking(file);
    let filter = tracing_subscriber::EnvFilter::try_from_env("DROPWISE_LOG")
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("info"));
    let subscriber = tracing_subscriber::fmt().with_env_filter(filter).with_ansi(false).with_writer(writer);
    // Set once; a second one in the same process would change nothing.
    let _set_already = subscriber.try_init();
    Some(guard)
}
