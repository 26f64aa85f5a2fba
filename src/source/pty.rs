//! A simulated instrument at the far end of a real pseudo-terminal.

use super::SourceError;
use nix::errno::Errno;
use nix::fcntl::{FcntlArg, OFlag, fcntl};
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use std::fs::File;
use std::io::{self, Read, Write};
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// How often it is looked whether the reader has taken the last bytes; nothing tells when it has.
const LOOK_EVERY: Duration = Duration::from_millis(10);
/// What was sent to the instrument is kept up to this many bytes.
const RECEIVED_KEPT: usize = 64 * 1024;

/// A thread that plays an instrument into a pseudo-terminal; it stops when this is dropped.
#[derive(Debug)]
pub struct PtyPlayer {
    /// The serial port to open.
    pub path: PathBuf,
    received: Arc<Mutex<Vec<u8>>>,
    /// Dropping it wakes and stops the thread.
    stop: Option<UnixStream>,
    thread: Option<JoinHandle<()>>,
}

impl PtyPlayer {
    /// Whether everything has been played and taken, and the line has been hung up.
    #[must_use]
    pub fn is_over(&self) -> bool {
        self.thread.as_ref().is_none_or(JoinHandle::is_finished)
    }

    /// What has been sent to the instrument so far, up to 64 KiB.
    #[must_use]
    pub fn received(&self) -> Vec<u8> {
        self.received.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

impl Drop for PtyPlayer {
    fn drop(&mut self) {
        self.stop = None;
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!("the thread of a simulated instrument failed");
        }
    }
}

/// Plays chunks (seconds since the start, bytes) into a new pseudo-terminal, `speed` times as fast as
/// their times say; an infinite speed leaves the times out.
///
/// The line is hung up when everything has been played and the reader has taken it; until then it is
/// kept open, because bytes that are unread at the hang-up are lost.
///
/// # Errors
/// When the system gives no pseudo-terminal.
pub fn play(
    chunks: impl Iterator<Item = (f64, Vec<u8>)> + Send + 'static,
    speed: f64,
) -> Result<PtyPlayer, SourceError> {
    let failed = |why: &dyn ToString| SourceError::PseudoTerminal { why: why.to_string() };
    let pair = nix::pty::openpty(None, None).map_err(|error| failed(&error))?;
    make_raw(&pair.slave).map_err(|error| failed(&error))?;
    let path = nix::unistd::ttyname(&pair.slave).map_err(|error| failed(&error))?;
    let flags = fcntl(&pair.master, FcntlArg::F_GETFL).map_err(|error| failed(&error))?;
    let flags = OFlag::from_bits_retain(flags) | OFlag::O_NONBLOCK;
    fcntl(&pair.master, FcntlArg::F_SETFL(flags)).map_err(|error| failed(&error))?;
    let (stop, stopped) = UnixStream::pair().map_err(|error| failed(&error))?;
    let received = Arc::new(Mutex::new(Vec::new()));
    let far_end =
        FarEnd { master: pair.master.into(), slave: pair.slave, stopped, received: Arc::clone(&received) };
    let thread = std::thread::Builder::new()
        .name("simulated instrument".to_owned())
        .spawn(move || {
            if let Err(error) = far_end.play(chunks, speed) {
                tracing::debug!(%error, "the simulated instrument stopped");
            }
        })
        .map_err(|error| failed(&error))?;
    Ok(PtyPlayer { path, received, stop: Some(stop), thread: Some(thread) })
}

fn make_raw(slave: &OwnedFd) -> nix::Result<()> {
    let mut settings = tcgetattr(slave)?;
    cfmakeraw(&mut settings);
    tcsetattr(slave, SetArg::TCSANOW, &settings)
}

/// The instrument's side. The reader's side is held open too, so that nothing is hung up before a
/// reader has come, and to see whether everything was taken.
struct FarEnd {
    master: File,
    slave: OwnedFd,
    stopped: UnixStream,
    received: Arc<Mutex<Vec<u8>>>,
}

impl FarEnd {
    fn play(mut self, chunks: impl Iterator<Item = (f64, Vec<u8>)>, speed: f64) -> io::Result<()> {
        let began = Instant::now();
        for (t_s, bytes) in chunks {
            let due = Duration::try_from_secs_f64(t_s / speed).unwrap_or(Duration::ZERO);
            self.wait_until(began + due.min(Duration::from_secs(1_000_000_000)))?;
            self.send(&bytes)?;
        }
        while self.unread()? {
            self.wait_until(Instant::now() + LOOK_EVERY)?;
        }
        Ok(())
    }

    /// Waits, taking what is sent to the instrument meanwhile.
    fn wait_until(&mut self, due: Instant) -> io::Result<()> {
        loop {
            let left = due.saturating_duration_since(Instant::now());
            self.wait(PollFlags::empty(), Some(left))?;
            if left.is_zero() {
                return Ok(());
            }
        }
    }

    fn send(&mut self, mut bytes: &[u8]) -> io::Result<()> {
        while !bytes.is_empty() {
            match self.master.write(bytes) {
                Ok(count) => bytes = &bytes[count..],
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => {
                    self.wait(PollFlags::POLLOUT, None)?;
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
        Ok(())
    }

    /// Waits for room (when asked for), for bytes to the instrument, for the end of `left`, or for being
    /// stopped, which is an error.
    fn wait(&mut self, room: PollFlags, left: Option<Duration>) -> io::Result<()> {
        let time_out = match left {
            None => PollTimeout::NONE,
            // A millisecond more, so that a rest below one does not become a busy loop.
            Some(left) if left.is_zero() => PollTimeout::ZERO,
            Some(left) => PollTimeout::try_from(left + Duration::from_millis(1)).unwrap_or(PollTimeout::MAX),
        };
        let mut ends = [
            PollFd::new(self.master.as_fd(), PollFlags::POLLIN | room),
            PollFd::new(self.stopped.as_fd(), PollFlags::POLLIN),
        ];
        match poll(&mut ends, time_out) {
            Ok(_) | Err(Errno::EINTR) => {}
            Err(error) => return Err(error.into()),
        }
        let [master, stopped] = ends.map(|end| end.revents().unwrap_or(PollFlags::empty()));
        if !stopped.is_empty() {
            return Err(io::Error::other("stopped"));
        }
        if master.contains(PollFlags::POLLIN) { self.receive() } else { Ok(()) }
    }

    fn receive(&mut self) -> io::Result<()> {
        let mut buffer = [0; 1024];
        match self.master.read(&mut buffer) {
            Ok(count) => {
                let mut received = self.received.lock().unwrap_or_else(PoisonError::into_inner);
                let room = RECEIVED_KEPT.saturating_sub(received.len()).min(count);
                received.extend_from_slice(&buffer[..room]);
                Ok(())
            }
            Err(error) if matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted) => {
                Ok(())
            }
            Err(error) => Err(error),
        }
    }

    /// Whether the reader has bytes to take yet.
    fn unread(&self) -> io::Result<bool> {
        let mut end = [PollFd::new(self.slave.as_fd(), PollFlags::POLLIN)];
        match poll(&mut end, PollTimeout::ZERO) {
            Ok(count) => Ok(count > 0),
            Err(Errno::EINTR) => Ok(true),
            Err(error) => Err(error.into()),
        }
    }
}
