//! Frames on their way to the terminal: drawn into memory, written by a thread of their own, one at a time.

use std::io::{self, Write};
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::mpsc;

/// Bytes of one frame, gathered in memory.
#[derive(Clone, Default)]
pub(super) struct Sheet(Arc<Mutex<Vec<u8>>>);

impl Sheet {
    /// Takes what was gathered.
    pub(super) fn take(&self) -> Vec<u8> {
        std::mem::take(&mut *self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl Write for Sheet {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// The thread that writes to the terminal, one sheet at a time.
pub(super) struct Writer {
    /// To the thread.
    pub(super) sheets: mpsc::Sender<Vec<u8>>,
    /// What became of each sheet.
    pub(super) written: mpsc::Receiver<io::Result<()>>,
    /// A sheet is under way.
    pub(super) busy: bool,
}

impl Writer {
    /// Starts the thread.
    pub(super) fn start() -> io::Result<Self> {
        // One sheet at most is under way: the next frame is drawn once the last one is written.
        let (sheets, mut waiting) = mpsc::channel::<Vec<u8>>(1);
        let (done, written) = mpsc::channel(1);
        std::thread::Builder::new().name("screen".to_owned()).spawn(move || {
            while let Some(sheet) = waiting.blocking_recv() {
                let mut out = io::stdout().lock();
                let outcome = out.write_all(&sheet).and_then(|()| out.flush());
                drop(out);
                if done.blocking_send(outcome).is_err() {
                    break;
                }
            }
        })?;
        Ok(Self { sheets, written, busy: false })
    }
}
